package calibration

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"time"

	"drench/results/stats/uncertainty"
	"drench/rig"
	"drench/rig/config"
)

// Pump is a pump calibrated by weighing what it delivers in several times.
type Pump struct {
	Channel string   `yaml:"channel" json:"channel"` // rig.PumpDrip or rig.PumpSpray
	Flow    rig.Flow `yaml:"flow" json:"flow"`       // asked for
	Air     Air      `yaml:"air" json:"air"`
	Balance Balance  `yaml:"balance" json:"balance"`
	// Hanging is the volume of a drop at the tip, from the nozzle's data; 0 for
	// a stream, or where drops were counted.
	Hanging   rig.Volume `yaml:"hanging,omitempty" json:"hanging,omitempty"`
	Weighings []Weighing `yaml:"weighings" json:"weighings"`
	// Starts is how a drip pump starts, where a drop gate could tell.
	Starts *Starts    `yaml:"starts" json:"starts,omitempty"`
	Result PumpResult `yaml:"result" json:"result"`
}

// Weighing is one dose.
type Weighing struct {
	On    time.Duration `yaml:"on" json:"on"`           // from switching the pump on to switching it off
	Mass  Milligram     `yaml:"mass_mg" json:"mass_mg"` // net, as the balance shows it
	Drops int           `yaml:"drops,omitempty" json:"drops,omitempty"`
}

// PumpResult is what the weighings give: volume = offset + rate × time.
type PumpResult struct {
	Rate  rig.Flow `yaml:"rate" json:"rate"`
	RateU rig.Flow `yaml:"rate_u" json:"rate_u"`
	// Offset is what a dose has over rate × time: the last drop, less what
	// starting and filling the tip take. It may be negative.
	Offset  rig.Volume `yaml:"offset" json:"offset"`
	OffsetU rig.Volume `yaml:"offset_u" json:"offset_u"`
	Drop    rig.Volume `yaml:"drop,omitempty" json:"drop,omitempty"` // 0 if drops were not counted
	DropU   rig.Volume `yaml:"drop_u,omitempty" json:"drop_u,omitempty"`
}

// Dose is the gravimetry of the weighings of one time.
type Dose struct {
	On time.Duration `json:"on"`
	Gravimetry
}

// data tells what is wrong with what was measured, but for air and balance,
// which tell their own.
func (c Pump) data() problems {
	var p problems
	p.refuse(c.Channel != rig.PumpDrip && c.Channel != rig.PumpSpray, fmt.Sprintf("channel is %q", c.Channel), rig.PumpDrip+" or "+rig.PumpSpray, "channel")
	p.refuse(c.Hanging < 0, "hanging is negative", `the volume of a drop, such as "16.667 ul", or no such key`, "hanging")
	p.refuse(c.Flow <= 0, "flow is not above 0", `the flow that was asked for, such as "10 ml/min"`, "flow")
	times := map[time.Duration]int{}
	for i, w := range c.Weighings {
		at := []string{"weighings", strconv.Itoa(i)}
		p.refuse(w.On <= 0, "on is not above 0", `how long the pump ran, such as "3 s"`, append(at, "on")...)
		if err := checkMass(w.Mass); err != nil {
			p.refuse(true, fmt.Sprintf("mass_mg is %v", w.Mass), "the net mass of a dose in mg, above 0", append(at, "mass_mg")...)
		}
		p.refuse(w.Drops < 0, "drops is negative", "the drops counted, or no such key", append(at, "drops")...)
		times[w.On]++
	}
	for _, on := range slices.Sorted(maps.Keys(times)) {
		p.refuse(times[on] < 2, fmt.Sprintf("%d weighing of %v", times[on], on), "2 or more of each time (ISO 8655-6 takes ten)", "weighings")
	}
	p.refuse(len(times) < 2, fmt.Sprintf("weighings of %d times", len(times)), "two different times or more, so that rate and start offset can be told apart", "weighings")
	return p
}

// Check implements [config.Checker].
func (c Pump) Check() []config.Problem {
	p := c.data()
	if len(p)+len(c.Air.Check())+len(c.Balance.Check()) > 0 {
		return p
	}
	r, err := c.evaluate()
	if err != nil {
		p.refuse(true, err.Error(), "weighings that can be evaluated", "weighings")
		return p
	}
	p.results([]value{
		{"rate", rig.Of(c.Result.Rate), rig.Of(r.Rate), int64(r.RateU)}, {"rate_u", rig.Of(c.Result.RateU), rig.Of(r.RateU), int64(r.RateU)},
		{"offset", rig.Of(c.Result.Offset), rig.Of(r.Offset), int64(r.OffsetU)}, {"offset_u", rig.Of(c.Result.OffsetU), rig.Of(r.OffsetU), int64(r.OffsetU)},
		{"drop", rig.Of(c.Result.Drop), rig.Of(r.Drop), int64(r.DropU)}, {"drop_u", rig.Of(c.Result.DropU), rig.Of(r.DropU), int64(r.DropU)},
	})
	if c.Starts != nil {
		for _, q := range c.Starts.check(r, c.Hanging) {
			q.Path = append([]string{"starts"}, q.Path...)
			p = append(p, q)
		}
	}
	return p
}

// compute fills in the result.
func (c *Pump) compute() error {
	if err := c.data().first(); err != nil {
		return err
	}
	r, err := c.evaluate()
	if err == nil && (r.Rate <= 0 || r.RateU <= 0) {
		err = fmt.Errorf("rate is %v ± %v; expected volumes that grow with time, and that scatter", r.Rate, r.RateU)
	}
	c.Result = r
	if err != nil || c.Starts == nil {
		return err
	}
	if err := c.Starts.data().first(); err != nil {
		return fmt.Errorf("starts: %w", err)
	}
	if c.Starts.Result, err = c.Starts.evaluate(r, c.Hanging); err == nil && c.Starts.Result.LagU <= 0 {
		err = fmt.Errorf("all %d delays are the same; expected some scatter", len(c.Starts.Delays))
	}
	return err
}

// evaluate fits the volumes over the times. Its uncertainties take the scatter
// about the line, Z, the balance, whose error may be the same for every mass
// (then it is in the offset) or grow with it (then it is in the rate), and the
// drop: doses end with the last whole one, mostly the same in each dose of a
// time, so that the mean of a time is off by up to half a drop either way, all
// alike (JCGM 100:2008, 4.3.7).
func (c Pump) evaluate() (PumpResult, error) {
	z, uz, err := c.Air.Z()
	if err != nil {
		return PumpResult{}, err
	}
	var on, volume []float64
	heaviest := 0.0
	for _, w := range c.Weighings {
		m := float64(w.Mass + c.Balance.Evaporation)
		on = append(on, w.On.Seconds())
		volume = append(volume, m*z)
		heaviest = max(heaviest, m)
	}
	l, err := fitLine(on, volume)
	if err != nil {
		return PumpResult{}, err
	}
	var r PumpResult
	if r.Drop, r.DropU, err = c.drop(z, uz); err != nil {
		return r, err
	}
	slopeU, interceptU := perGroup(on, float64(cmp.Or(r.Drop, c.Hanging))/1e3/math.Sqrt(12))
	dof := float64(len(on) - 2)
	rate, err := uncertainty.Combine([]uncertainty.Component{
		{Name: "fit", U: l.slopeU, Sensitivity: 1, DOF: dof}, exact("drop", slopeU, 1),
		exact("Z", uz/z*l.slope, 1), exact("balance", c.Balance.u()/heaviest*l.slope, 1),
	})
	if err != nil {
		return r, err
	}
	offset, err := uncertainty.Combine([]uncertainty.Component{
		{Name: "fit", U: l.interceptU, Sensitivity: 1, DOF: dof}, exact("drop", interceptU, 1),
		exact("Z", uz/z*l.intercept, 1), exact("balance", c.Balance.u(), z),
	})
	const perMinute = 60e3 // nl/min in a µl/s
	r.Rate, r.RateU = rig.Flow(math.Round(l.slope*perMinute)), rig.Flow(math.Ceil(rate.U*perMinute))
	r.Offset, r.OffsetU = nanolitres(l.intercept), rig.Volume(math.Ceil(offset.U*1e3))
	return r, err
}

func nanolitres(v float64) rig.Volume { return rig.Volume(math.Round(v * 1e3)) }

// drop is the mean volume of a drop, all volume over all drops, from the
// weighings in which drops were counted. Its scatter is that of a ratio of
// means (W. G. Cochran, Sampling Techniques, 3rd ed., 2.11; from memory).
func (c Pump) drop(z, uz float64) (drop, u rig.Volume, err error) {
	var n, drops, volume float64
	for _, w := range c.Weighings {
		if w.Drops > 0 {
			n, drops, volume = n+1, drops+float64(w.Drops), volume+float64(w.Mass+c.Balance.Evaporation)*z
		}
	}
	if n < 2 {
		return 0, 0, nil
	}
	d := volume / drops
	var squares float64
	for _, w := range c.Weighings {
		if w.Drops > 0 {
			squares += math.Pow(float64(w.Mass+c.Balance.Evaporation)*z-d*float64(w.Drops), 2)
		}
	}
	combined, err := uncertainty.Combine([]uncertainty.Component{
		{Name: "scatter", U: math.Sqrt(squares/(n-1)/n) / (drops / n), Sensitivity: 1, DOF: n - 1},
		exact("Z", uz/z*d, 1), exact("balance", c.Balance.u()*z*n/drops, 1),
	})
	return nanolitres(d), rig.Volume(math.Ceil(combined.U * 1e3)), err
}

// Doses evaluates the weighings of each time after ISO 8655-6, the shortest
// first. The nominal volume is flow × time.
func (c Pump) Doses() ([]Dose, error) {
	masses := map[time.Duration][]Milligram{}
	for _, w := range c.Weighings {
		masses[w.On] = append(masses[w.On], w.Mass)
	}
	var doses []Dose
	for _, on := range slices.Sorted(maps.Keys(masses)) {
		g, err := Weigh(masses[on], Microlitre(float64(c.Flow)/60e3*on.Seconds()), c.Air, c.Balance)
		if err != nil {
			return nil, fmt.Errorf("doses of %v: %w", on, err)
		}
		doses = append(doses, Dose{on, g})
	}
	return doses, nil
}

// Remarks tells where the weighings are not as ISO 8655-6 wants them (from
// memory, but for the ten weighings).
func (c Pump) Remarks() []string {
	var out []string
	doses, err := c.Doses()
	if err != nil {
		return nil
	}
	for _, d := range doses {
		if d.N < 10 {
			out = append(out, fmt.Sprintf("%d weighings of %v; ISO 8655-6 takes ten", d.N, d.On))
		}
		if d.Nominal < 50 && c.Balance.Evaporation == 0 {
			out = append(out, fmt.Sprintf("doses of %.3g µl without evaporation_mg; ISO 8655-6 adds it back below 50 µl", d.Nominal))
		}
	}
	if t := c.Air.celsius(); t < 15 || t > 30 {
		out = append(out, fmt.Sprintf("weighed at %.3g °C; ISO 8655-6 asks for 15 to 30 °C", t))
	}
	return out
}

// share is the relative standard uncertainty of a flow that is taken to be as
// asked for: the rate's, and the rate's deviation, which nothing corrects (JCGM 100:2008, F.2.4.5, the deviation taken into u).
func (c Pump) share() rig.Share {
	deviation := float64(c.Result.Rate)/float64(c.Flow) - 1
	return rig.Share(math.Ceil(1e9 * math.Hypot(deviation, float64(c.Result.RateU)/float64(c.Flow))))
}
