package scenarios

import (
	"fmt"

	"drench/rig"

	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"
)

// facts is the script's dut: what the profile says, as quantities.
func (s *session) facts() starlark.Value {
	d := s.Device
	q := func(v rig.Quantity) starlark.Value { return Quantity{v} }
	return starlarkstruct.FromStringDict(starlark.String("dut"), starlark.StringDict{
		"name":      starlark.String(d.Name),
		"supply":    q(rig.Of(d.Supply)),
		"sampling":  q(rig.Of(d.Sampling.Period)),
		"readings":  starlark.MakeInt(d.Sampling.Readings),
		"heartbeat": q(rig.Of(d.Heartbeat)),
		"start_up":  q(rig.Of(d.StartUp)),
		"drop_out":  q(rig.Of(d.DropOut)),
		"recovery":  q(rig.Of(d.Recovery)),
		"latching":  starlark.Bool(d.Detect.Latching),
		"drop":      q(rig.Of(s.Calibration.Drip.Drop)),
	})
}

func (s *session) count(a arguments) (starlark.Value, error) {
	kind := a.text("kind")
	if n, ok := s.Counts[rig.TrialKind(kind)]; ok {
		return starlark.MakeInt(n), nil
	}
	return nil, fmt.Errorf("trials announces no %q; add it to the script's trials", kind)
}

func (s *session) random(a arguments) (starlark.Value, error) {
	low, high := a.float("low"), a.float("high")
	if s.rng == nil {
		return nil, fmt.Errorf("random draws from the run's seed; expected to be called inside run()")
	}
	return starlark.Float(low + float64((high-low)*s.rng.Float64())), nil
}

func (s *session) shuffle(a arguments) (starlark.Value, error) {
	if s.rng == nil {
		return nil, fmt.Errorf("shuffle draws from the run's seed; expected to be called inside run()")
	}
	var items []starlark.Value
	for x := range starlark.Elements(a["list"].(starlark.Iterable)) {
		items = append(items, x)
	}
	s.rng.Shuffle(len(items), func(i, j int) { items[i], items[j] = items[j], items[i] })
	return starlark.NewList(items), nil
}

func (s *session) quantity(a arguments) (starlark.Value, error) {
	q, err := rig.ParseQuantity(a.text("text"))
	return Quantity{q}, err
}

func (s *session) note(a arguments) (starlark.Value, error) {
	return starlark.None, s.run.Note(a.text("text"))
}

func (s *session) read(a arguments) (starlark.Value, error) {
	q, err := s.run.Ask(s.ctx, a.text("channel"))
	return Quantity{q}, err
}

func (s *session) detected(arguments) (starlark.Value, error) {
	return starlark.Bool(s.run.Last(rig.Detect) == 1), nil
}
