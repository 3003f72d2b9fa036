package scenarios

import (
	"errors"
	"fmt"
	"time"

	"drench/rig"

	"go.starlark.net/starlark"
	"go.starlark.net/starlarkstruct"
)

// trial runs one trial of any kind but a dip, and returns a struct with
// detected and time.
func (s *session) trial(a arguments) (starlark.Value, error) {
	spec := rig.Trial{
		Kind: rig.TrialKind(a.text("kind")), Label: a.text("label"), Within: a.duration("within"),
		Dose: rig.Volume(a.quantity("dose").N), Rate: rig.Rain(a.quantity("rate").N), Film: rig.Film(a.quantity("film").N),
	}
	if s.run.InTrial() {
		return nil, errors.New("a trial is already open; trials don't nest")
	}
	if spec.Kind == rig.Release {
		return s.release(spec)
	}
	if !a.has("dose") && !a.has("rate") && !a.has("do") && spec.Kind != rig.Dry {
		return nil, fmt.Errorf("a %s trial does nothing to the DUT; expected a dose, a rate or a function", spec.Kind)
	}
	if spec.Kind == rig.Wet {
		spec.Test = s.seen.open()
	}
	// The stimulus comes at a random phase of the DUT's sampling.
	if err := s.wait(s.phase()); err != nil {
		return nil, err
	}
	begin, clear := s.run.Now(), s.run.Last(rig.Detect) == 0
	if err := s.run.Begin(spec); err != nil {
		return nil, err
	}
	if err := s.stimulate(a, spec); err != nil {
		return nil, err
	}
	if err := s.watchAnswer(spec, begin); err != nil {
		return nil, err
	}
	took := s.run.Now().Sub(begin)
	found := s.run.Last(rig.Detect) == 1
	if clear { // else it is no answer to this trial's water
		s.seen.trial(spec, found)
	}
	return s.answer(found, took), s.run.End()
}

func (s *session) answer(detected bool, took time.Duration) starlark.Value {
	return starlarkstruct.FromStringDict(starlark.String("answer"), starlark.StringDict{
		"detected": starlark.Bool(detected), "time": Quantity{rig.Of(took)},
	})
}

// stimulate does to the DUT what the trial is about.
func (s *session) stimulate(a arguments, spec rig.Trial) error {
	if f, ok := a["do"].(starlark.Callable); ok {
		if _, err := starlark.Call(s.thread, f, nil, nil); err != nil {
			return err
		}
	}
	if spec.Dose > 0 {
		if err := s.dose(spec.Dose); err != nil {
			return err
		}
	}
	if spec.Rate > 0 {
		// Rain until detected: what follows would only fill the tray.
		_, err := s.rain(spec.Rate, spec.Within, s.risen(spec))
		return err
	}
	return nil
}

// waits tells whether a trial of the kind ends with the DUT's answer.
func waits(k rig.TrialKind) bool { return k == rig.Wet || k == rig.Probe }

// risen matches the answer that ends a wet trial or a probe, nothing in the others.
func (s *session) risen(spec rig.Trial) func(rig.Event) bool {
	id, _ := rig.Find(s.run.Channels(), rig.Detect)
	return func(ev rig.Event) bool {
		return waits(spec.Kind) && ev.Kind == rig.Edge && ev.Channel == id && ev.Value == 1
	}
}

// watchAnswer waits out the trial: a wet one or a probe until detected, and a sampling
// period more, in which chatter would show; a quiet one to its end.
func (s *session) watchAnswer(spec rig.Trial, begin rig.Instant) error {
	left := begin.Add(spec.Within).Sub(s.run.Now())
	if !waits(spec.Kind) {
		return s.wait(left)
	}
	found := s.run.Last(rig.Detect) == 1
	if !found {
		var err error
		if found, err = s.run.Match(s.ctx, left, s.risen(spec)); err != nil {
			return err
		}
	}
	if !found {
		return nil
	}
	return s.wait(s.Device.Sampling.Period + s.Device.Sampling.Period/4)
}

// release dries the sensor and waits for the detect line to clear. A latching
// DUT needs its reset for that, once the sensor is dry.
func (s *session) release(spec rig.Trial) (starlark.Value, error) {
	begin := s.run.Now()
	if err := s.run.Begin(spec); err != nil {
		return nil, err
	}
	err := s.switchOn(rig.ValveAir)
	if err == nil && s.Device.Detect.Latching {
		if _, err = s.dry(spec.Within); err == nil {
			err = s.pulseReset()
		}
	}
	cleared := false
	if err == nil {
		cleared, err = s.run.Level(s.ctx, rig.Detect, 0, begin.Add(spec.Within).Sub(s.run.Now()))
	}
	took := s.run.Now().Sub(begin)
	if err == nil {
		err = s.run.End()
	}
	if err == nil && cleared {
		_, err = s.dry(dryLimit) // carry-over: the DUT clears before the sensor is dry
	}
	return s.answer(!cleared, took), errors.Join(err, s.switchOff(rig.ValveAir))
}
