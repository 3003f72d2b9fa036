package scenarios

import (
	"errors"
	"fmt"
	"time"

	"drench/rig"
	"drench/rig/physics"

	"go.starlark.net/starlark"
)

const (
	dryLimit  = 5 * time.Minute
	dryLook   = 500 * time.Millisecond
	primeOnce = 15 * time.Second // pump on-time budgets are in one go,
	primeRest = 2 * time.Second  // which ends when the pump has rested
	ramping   = 10 * time.Second // step of a climate set over a time
)

// prime runs the drip pump in turns until drops fall, or until twice the line
// volume was pumped, throws ten drops away, and dries the sensor.
func (s *session) prime(arguments) (starlark.Value, error) {
	cal := s.Calibration.Drip
	s.dosed = true
	if cal.Rate <= 0 || cal.Drop <= 0 {
		return nil, errors.New("the drip pump's calibration lacks rate or drop; run its calibration")
	}
	whole := s.pumping(2*cal.LineVolume + 10*cal.Drop)
	seen := 0
	for done := time.Duration(0); done < whole && seen < 10; done += primeOnce {
		if done > 0 {
			if err := s.run.Wait(s.ctx, primeRest); err != nil {
				return nil, err
			}
		}
		n, err := s.pump(min(primeOnce, whole-done), 10-seen)
		if err != nil {
			return nil, err
		}
		seen += n
	}
	if s.run.Has(rig.DropGate) && seen == 0 {
		if err := s.run.Note(fmt.Sprintf("no drop seen while priming with %v", 2*cal.LineVolume)); err != nil {
			return nil, err
		}
	}
	if _, err := s.dry(dryLimit); err != nil {
		return nil, err
	}
	return starlark.None, s.run.Mark(rig.MarkPrimed)
}

// pumping is how long the drip pump takes for a volume.
func (s *session) pumping(v rig.Volume) time.Duration {
	return time.Duration(float64(v) / float64(s.Calibration.Drip.Rate) * float64(time.Minute))
}

// pump runs the drip pump for a time, or until the drop gate has seen so many
// drops, and returns how many it saw.
func (s *session) pump(limit time.Duration, drops int) (int, error) {
	gate, hasGate := rig.Find(s.run.Channels(), rig.DropGate)
	if err := s.set(rig.PumpDrip, int64(s.Calibration.Drip.Asked()), rig.LitreRate); err != nil {
		return 0, err
	}
	n := 0
	_, err := s.run.Match(s.ctx, limit, func(ev rig.Event) bool {
		if hasGate && ev.Kind == rig.Edge && ev.Channel == gate && ev.Value == 1 {
			n++
		}
		return n >= drops
	})
	s.watered = s.run.Now()
	return n, errors.Join(err, s.set(rig.PumpDrip, 0, rig.LitreRate))
}

func (s *session) drip(a arguments) (starlark.Value, error) {
	return starlark.None, s.dose(rig.Volume(a.quantity("dose").N))
}

// dose gives a volume: by counted drops where there is a gate, else by time.
func (s *session) dose(v rig.Volume) error {
	cal := s.Calibration.Drip
	if v <= 0 || cal.Rate <= 0 || cal.Drop <= 0 {
		return fmt.Errorf("a dose of %v at %v in drops of %v can't be given", v, cal.Rate, cal.Drop)
	}
	s.dosed = true
	drops := max(int((v+cal.Drop/2)/cal.Drop), 1)
	limit := s.pumping(v)
	if s.run.Has(rig.DropGate) {
		limit = 3*limit + 2*time.Second // air in the line; then the trial says that it was not confirmed
	}
	_, err := s.pump(limit, drops)
	return err
}

func (s *session) spray(a arguments) (starlark.Value, error) {
	_, err := s.rain(rig.Rain(a.quantity("rate").N), a.duration("time"), nil)
	return starlark.None, err
}

// rain sprays for a time, or until match.
func (s *session) rain(rate rig.Rain, d time.Duration, match func(rig.Event) bool) (bool, error) {
	flow := rate.Flow(s.Calibration.Spray.Area)
	if flow <= 0 {
		return false, fmt.Errorf("a spray of %v over %v is no flow", rate, s.Calibration.Spray.Area)
	}
	s.dosed = true
	if err := s.set(rig.PumpSpray, int64(flow), rig.LitreRate); err != nil {
		return false, err
	}
	ok, err := s.run.Match(s.ctx, d, match)
	s.watered = s.run.Now()
	return ok, errors.Join(err, s.set(rig.PumpSpray, 0, rig.LitreRate))
}

func (s *session) dryOut(a arguments) (starlark.Value, error) {
	limit := dryLimit
	if a.has("limit") {
		limit = a.duration("limit")
	}
	ok, err := s.dry(limit)
	return starlark.Bool(ok), err
}

// dry blows air until the sensor is dry.
func (s *session) dry(limit time.Duration) (bool, error) {
	if err := s.switchOn(rig.ValveAir); err != nil {
		return false, err
	}
	deadline := s.run.Now().Add(limit)
	var err error
	dry := s.isDry()
	for !dry && err == nil && s.run.Now() < deadline {
		err = s.wait(dryLook)
		dry = s.isDry()
	}
	if err == nil && dry {
		// One more sampling period, so that the DUT has seen it too.
		err = s.wait(s.Device.Sampling.Period)
	}
	return dry, errors.Join(err, s.switchOff(rig.ValveAir))
}

// isDry asks all that the rig has: detect line (unless it latches), witness
// and the DUT's own difference reading. What the DUT says counts only once it
// has looked since the last water.
func (s *session) isDry() bool {
	if s.run.Last(rig.Witness) == 1 || s.run.Last(rig.Detect) == 1 && !s.Device.Detect.Latching {
		return false
	}
	if s.dosed && s.run.Now() < s.watered.Add(s.looked()) {
		return false
	}
	if s.diffAt != 0 && s.dryCount > 0 {
		spread := max(s.dryHigh-s.dryLow, 2)
		return s.diffAt > s.watered.Add(falling) && s.diff <= s.dryHigh+spread
	}
	return true
}

// falling is how long water may be on its way when the pump has stopped.
const falling = time.Second

// looked is how long after the last water the DUT has surely looked, and said
// what it saw.
func (s *session) looked() time.Duration {
	return falling + time.Duration(s.Device.Sampling.Readings)*s.Device.Sampling.Period
}

func (s *session) climate(a arguments) (starlark.Value, error) {
	steps := 1
	if a.has("over") {
		steps = max(int(a.duration("over")/ramping), 1)
	}
	s.watchClimate()
	goals, err := s.climateGoals(a)
	if err != nil {
		return nil, err
	}
	for i := 1; i <= steps; i++ {
		for _, g := range goals {
			v := g.from.N + int64(float64(g.to.N-g.from.N)*float64(i)/float64(steps))
			if err := s.run.Set(s.ctx, g.channel, rig.Quantity{N: v, Unit: g.to.Unit}); err != nil {
				return nil, err
			}
		}
		if steps > 1 {
			if err := s.wait(ramping); err != nil {
				return nil, err
			}
		}
	}
	return starlark.None, nil
}

// goal is an output on its way from one value to another.
type goal struct {
	channel  string
	from, to rig.Quantity
}

func (s *session) climateGoals(a arguments) ([]goal, error) {
	var goals []goal
	for _, g := range []struct{ argument, channel string }{{"humidity", rig.Humidity}, {"plate", rig.Plate}} {
		if !a.has(g.argument) {
			continue
		}
		to := a.quantity(g.argument)
		from := to
		if last := s.run.Last(g.channel); last != 0 {
			from.N = last
		}
		goals = append(goals, goal{g.channel, from, to})
	}
	if len(goals) == 0 {
		return nil, errors.New("climate sets nothing; expected humidity, plate or both")
	}
	return goals, nil
}

func (s *session) watchClimate() {
	for _, name := range []string{rig.AirTemp, rig.AirRH, rig.PlateTemp} {
		s.run.Watch(name, background)
	}
}

func (s *session) climateOff(arguments) (starlark.Value, error) {
	for _, o := range []struct {
		channel string
		unit    rig.Unit
	}{{rig.Humidity, rig.RelHum}, {rig.Plate, rig.Kelvin}} {
		if !s.run.Has(o.channel) {
			continue
		}
		if err := s.set(o.channel, 0, o.unit); err != nil {
			return nil, err
		}
	}
	return starlark.None, nil
}

func (s *session) dewPoint(arguments) (starlark.Value, error) {
	t, err := s.run.Ask(s.ctx, rig.AirTemp)
	if err != nil {
		return nil, err
	}
	rh, err := s.run.Ask(s.ctx, rig.AirRH)
	if err != nil {
		return nil, err
	}
	air := physics.Celsius(float64(t.N)/1e9 - 273.15)
	td, err := physics.MagnusWMO.DewPoint(air, physics.RelHumidity(min(float64(rh.N)/1e7, 1)))
	if err != nil {
		return nil, fmt.Errorf("dew point of air at %v and %v: %w", t, rh, err)
	}
	return Quantity{rig.Quantity{N: int64((float64(td) + 273.15) * 1e9), Unit: rig.Kelvin}}, nil
}
