package calibration

import (
	"fmt"
	"math"

	"drench/results/stats"
	"drench/results/stats/uncertainty"
	"drench/rig/config"
)

// Balance is what is known of weighing.
type Balance struct {
	U Milligram `yaml:"u_mg" json:"u_mg"` // standard uncertainty of a net mass, from the certificate
	// Evaporation is what is lost during a weighing; it is added to each mass
	// (ISO 8655-6 wants it below 50 µl).
	Evaporation  Milligram `yaml:"evaporation_mg" json:"evaporation_mg"`
	EvaporationU Milligram `yaml:"evaporation_u_mg" json:"evaporation_u_mg"`
}

// Check implements [config.Checker].
func (b Balance) Check() []config.Problem {
	var p problems
	for _, m := range []struct {
		key  string
		mass Milligram
	}{{"u_mg", b.U}, {"evaporation_mg", b.Evaporation}, {"evaporation_u_mg", b.EvaporationU}} {
		p.refuse(!(m.mass >= 0) || math.IsInf(float64(m.mass), 0), fmt.Sprintf("%s is %v", m.key, m.mass), "a mass in mg, 0 or more", m.key)
	}
	p.refuse(b.U == 0, "u_mg is 0 or missing", "the standard uncertainty of a net mass in mg, from the balance's certificate, such as 0.2", "u_mg")
	return p
}

// u is the standard uncertainty of a mass but for its scatter.
func (b Balance) u() float64 { return math.Hypot(float64(b.U), float64(b.EvaporationU)) }

// Gravimetry is what weighing the same dose several times tells.
type Gravimetry struct {
	N          int        `json:"n"`
	Nominal    Microlitre `json:"nominal_ul"`
	Mean       Microlitre `json:"mean_ul"`
	Systematic Microlitre `json:"systematic_error_ul"` // Mean - Nominal
	SD         Microlitre `json:"sd_ul"`               // of one dose, divisor n-1
	U          Microlitre `json:"u_ul"`                // standard uncertainty of Mean
}

// CV is the coefficient of variation of one dose, SD/Mean.
func (g Gravimetry) CV() float64 { return float64(g.SD / g.Mean) }

// SystematicShare is the systematic error over the nominal volume.
func (g Gravimetry) SystematicShare() float64 { return float64(g.Systematic / g.Nominal) }

// Weigh evaluates masses of doses of one nominal volume after ISO 8655-6:
// volumes V_i = m_i Z, their mean, systematic error e_s = mean - nominal,
// random error s with divisor n-1. The standard uncertainty of the mean
// (JCGM 100:2008, 5.1.2) is made of s/√n, of the balance's and evaporation's,
// which more weighings do not make smaller, and of Z's.
//
// Fewer than two masses, or one that is not above 0, are an error.
func Weigh(masses []Milligram, nominal Microlitre, air Air, b Balance) (Gravimetry, error) {
	if !(nominal > 0) || math.IsInf(float64(nominal), 0) {
		return Gravimetry{}, fmt.Errorf("nominal volume is %v µl; expected more than 0", nominal)
	}
	if len(masses) < 2 {
		return Gravimetry{}, fmt.Errorf("%d weighings; expected 2 or more of a dose (ISO 8655-6 takes ten)", len(masses))
	}
	z, uz, err := air.Z()
	if err != nil {
		return Gravimetry{}, err
	}
	if err := problems(b.Check()).first(); err != nil {
		return Gravimetry{}, fmt.Errorf("balance: %w", err)
	}
	volumes := make([]float64, len(masses))
	for i, m := range masses {
		if err := checkMass(m); err != nil {
			return Gravimetry{}, fmt.Errorf("weighing %d: %w", i+1, err)
		}
		volumes[i] = float64(m+b.Evaporation) * z
	}
	s, err := stats.Summarize(volumes)
	if err != nil {
		return Gravimetry{}, err
	}
	n := float64(s.N)
	u, err := uncertainty.Combine([]uncertainty.Component{
		{Name: "repeatability", U: s.SD / math.Sqrt(n), Sensitivity: 1, DOF: n - 1},
		exact("balance", b.u(), z),
		exact("Z", uz, s.Mean/z),
	})
	if err != nil {
		return Gravimetry{}, err
	}
	mean := Microlitre(s.Mean)
	return Gravimetry{N: s.N, Nominal: nominal, Mean: mean, Systematic: mean - nominal, SD: Microlitre(s.SD), U: Microlitre(u.U)}, nil
}

func checkMass(m Milligram) error {
	if m > 0 && !math.IsInf(float64(m), 0) {
		return nil
	}
	return fmt.Errorf("mass is %v mg; expected the net mass of a dose, above 0", m)
}
