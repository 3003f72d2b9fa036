package virtual

import (
	"math"

	"drench/rig"
	"drench/rig/physics"
	"drench/rig/portable"
)

// sensor turns the film into the converter's counts.
type sensor struct {
	w      *world
	m      SensorModel
	rnd    *portable.Rand
	liquid physics.Liquid
	// wetCounts returns the counts that a film adds to a dry sensor.
	wetCounts func(cover float64, depth, residue physics.Metre) float64

	drift   float64 // counts, an Ornstein-Uhlenbeck process
	drifted rig.Instant
}

func newSensor(w *world, m SensorModel) (*sensor, error) {
	liquid, err := physics.LiquidNamed(w.cfg.Water.Liquid)
	if err != nil {
		return nil, err
	}
	if w.cfg.Water.Conductivity > 0 {
		liquid.Conductivity25 = physics.Conductivity(float64(w.cfg.Water.Conductivity) / 1e9)
	}
	s := &sensor{w: w, m: m, rnd: w.rand("sensor"), liquid: liquid}
	s.drift = s.rnd.Normal(0, m.Drift)
	s.wetCounts = s.conductive
	if m.Kind == Capacitive {
		s.wetCounts = s.capacitive
	}
	return s, nil
}

// read takes a reading now.
func (s *sensor) read() int {
	f := s.w.film
	f.advance()
	counts := s.m.Dry + s.wander() + s.rnd.Normal(0, s.m.Noise)
	counts += s.wetCounts(f.cover, physics.Metre(f.depth()/1e3), physics.Metre(f.residue()/1e3))
	if s.m.FullScale > 0 {
		counts = min(counts, float64(s.m.FullScale))
	}
	return int(math.Round(max(counts, 0)))
}

// wander moves the slow drift up to now: exact for any step.
func (s *sensor) wander() float64 {
	dt := seconds(s.w.now.Sub(s.drifted))
	s.drifted = s.w.now
	keep := portable.Exp(-dt / seconds(s.m.DriftTime))
	s.drift = float64(s.drift*keep) + float64(s.m.Drift*math.Sqrt(1-float64(keep*keep))*s.rnd.Normal(0, 1))
	return s.drift
}

// conductive is the share of the supply voltage at the reference resistor, with
// the gaps that are under water, and the residue over all of them, above it.
func (s *sensor) conductive(cover float64, depth, residue physics.Metre) float64 {
	gaps := physics.Gaps{N: s.m.Gaps, Gap: physics.Metre(millimetres(s.m.Gap) / 1e3), Overlap: physics.Metre(millimetres(s.m.Length) / 1e3)}
	sigma := s.liquid.Conductivity(s.w.chamber.celsius())
	siemens := cover/float64(gaps.Resistance(sigma, depth)) + 1/float64(gaps.Resistance(sigma, residue))
	x := float64(siemens * ohms(s.m.Reference))
	return float64(s.m.FullScale) * x / (1 + x)
}

// capacitive is what the comb under water has over the dry one, in proportion
// to the share of it that is covered, and to how much of its field the film
// fills.
func (s *sensor) capacitive(cover float64, depth, residue physics.Metre) float64 {
	comb := physics.Comb{
		N: s.m.Fingers, Length: physics.Metre(millimetres(s.m.Length) / 1e3),
		Width: physics.Metre(millimetres(s.m.Width) / 1e3), Gap: physics.Metre(millimetres(s.m.Gap) / 1e3),
	}
	full := s.farads(comb, s.liquid.Permittivity(s.w.chamber.celsius())) - s.farads(comb, 1)
	share := float64(cover*comb.FilmShare(depth)) + comb.FilmShare(residue)
	return full * min(share, 1) * 1e12 * s.m.CountsPerPF
}

// farads is the comb's capacitance into a half space, behind its cover.
func (s *sensor) farads(comb physics.Comb, eps physics.Permittivity) float64 {
	c := float64(comb.Capacitance(eps))
	if s.m.Cover <= 0 {
		return c
	}
	cover := float64(comb.Cover(physics.Permittivity(s.m.CoverPermittivity), physics.Metre(millimetres(s.m.Cover)/1e3)))
	return float64(c*cover) / (c + cover)
}
