package scenarios

import (
	"context"
	"fmt"
	"math/rand/v2"
	"regexp"
	"strconv"
	"time"

	"drench/rig"
	"drench/rig/engine"

	"go.starlark.net/starlark"
)

// Setup is what a script runs with.
type Setup struct {
	Device      rig.DUT
	Calibration rig.Calibration
	Seed        uint64
	Counts      map[rig.TrialKind]int // from Script.Scale
}

// session is one script on one bench. Its zero value serves to read a script
// without a bench.
type session struct {
	ctx context.Context
	run *engine.Run
	Setup
	rng    *rand.Rand
	thread *starlark.Thread

	powered  bool        // relay closed by power
	probed   bool        // looked for back-feed
	dosed    bool        // water was given: readings no longer show the dry level
	watered  rig.Instant // when the last water was given
	pattern  *regexp.Regexp
	rawGroup int
	diff     int64 // last difference reading from the UART
	diffAt   rig.Instant
	dryLow   int64 // range of readings before any water
	dryHigh  int64
	dryCount int
	lastDip  rig.Instant
	life     life // signs of life in supply disturbances
	seen     seen // what searches choose by
}

// Run executes the script on a bench. The error says where in the script.
func (s *Script) Run(ctx context.Context, run *engine.Run, setup Setup) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	ses := &session{ctx: ctx, run: run, Setup: setup,
		rng: rand.New(rand.NewPCG(setup.Seed, 0x6472656e6368))} // "drench": a stream of its own
	run.Budget = run.Now().Add(s.Budget)
	if err := ses.listen(); err != nil {
		return err
	}
	thread := s.thread()
	ses.thread = thread
	stop := context.AfterFunc(ctx, func() { thread.Cancel("stopped") })
	defer stop()
	globals, err := s.prog.Init(thread, ses.predeclared())
	if err != nil {
		return positioned(s.File, err)
	}
	if _, err := starlark.Call(thread, globals["run"], nil, nil); err != nil {
		return positioned(s.File, err)
	}
	return nil
}

// predeclared makes the names that scripts see.
func (s *session) predeclared() starlark.StringDict {
	d := starlark.StringDict{"dut": s.facts()}
	for i := range verbs {
		v := &verbs[i]
		d[v.name] = starlark.NewBuiltin(v.name, func(_ *starlark.Thread, _ *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
			if s.run == nil && (v.moves || v.name == "count") {
				return nil, fmt.Errorf("%s acts on the bench; expected to be called inside run()", v.name)
			}
			a, err := v.bind(args, kwargs)
			if err != nil {
				return nil, err
			}
			return v.do(s, a)
		})
	}
	return d
}

// listen follows the DUT's readings.
func (s *session) listen() error {
	if err := s.life.begin(s.Device, s.run.Channels()); err != nil {
		return err
	}
	if p := s.Device.UART.Reading; p != "" {
		re, err := regexp.Compile(p)
		if err != nil {
			return fmt.Errorf("the DUT's reading pattern: %w", err)
		}
		s.pattern, s.rawGroup = re, re.SubexpIndex("diff")
	}
	other := s.run.OnEvent
	s.run.OnEvent = func(ev rig.Event) {
		if other != nil {
			other(ev)
		}
		s.life.event(ev)
		if ev.Kind != rig.Line || s.pattern == nil || s.rawGroup < 0 {
			return
		}
		m := s.pattern.FindStringSubmatch(ev.Text)
		if m == nil {
			return
		}
		v, err := strconv.ParseInt(m[s.rawGroup], 10, 64)
		if err != nil {
			return
		}
		s.diff, s.diffAt = v, ev.At
		if !s.dosed {
			if s.dryCount++; s.dryCount == 1 {
				s.dryLow, s.dryHigh = v, v
			}
			s.dryLow, s.dryHigh = min(s.dryLow, v), max(s.dryHigh, v)
		}
	}
	return nil
}

func (s *session) wait(d time.Duration) error { return s.run.Wait(s.ctx, d) }

func (s *session) set(name string, n int64, u rig.Unit) error {
	return s.run.Set(s.ctx, name, rig.Quantity{N: n, Unit: u})
}

func (s *session) switchOn(name string) error  { return s.set(name, 1, rig.Level) }
func (s *session) switchOff(name string) error { return s.set(name, 0, rig.Level) }

// phase is a random time within one sampling period of the DUT: stimuli are
// dithered by it, so that rig and DUT keep no beat.
func (s *session) phase() time.Duration {
	return time.Duration(s.rng.Float64() * float64(s.Device.Sampling.Period))
}
