package measure

import (
	"cmp"
	"encoding/json"
	"iter"
	"slices"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/timeline"

	"periph.io/x/conn/v3/physic"
)

const (
	ms  = time.Millisecond
	sec = time.Second
)

// story is a timeline that a test writes event by event; times count from the
// run's start.
type story struct {
	t      *testing.T
	header timeline.Header
	events []rig.Event
	trials int
}

// newStory has a bench with the channels named and a DUT that samples every
// 2 s, beats every 1 s and starts within 500 ms.
func newStory(t *testing.T, channels ...string) *story {
	s := &story{t: t}
	for _, name := range channels {
		s.header.Channels = append(s.header.Channels, rig.Channel{Name: name})
	}
	s.header.Device = rig.DUT{
		Supply:   3300 * physic.MilliVolt,
		Sampling: rig.SamplingSpec{Period: 2 * sec, Readings: 1}, Heartbeat: sec, StartUp: 500 * ms,
		UART: rig.UARTSpec{
			Reading:  `^r (?P<raw>-?\d+) (?P<diff>-?\d+)(?: (?P<detect>[01]))?$`,
			Banner:   `^boot`,
			Settings: `^set threshold=(?P<threshold>\d+)$`,
		},
		Settings: map[string]string{"threshold": "30"},
	}
	s.header.Calibration = rig.Calibration{
		Drip:    rig.DripCal{Rate: 30 * rig.MlPerMin, RateU: 1e7, Drop: 50 * rig.Microlitre, Lag: 400 * ms, LagU: 60 * ms},
		Gate:    rig.GateCal{Fall: 143 * ms, FallU: 4 * ms},
		Witness: rig.LagCal{Lag: 5 * ms, U: 12 * ms},
		Stamp:   rig.LagCal{U: 5 * ms},
		Spray:   rig.SprayCal{Lag: 700 * ms, LagU: 80 * ms},
		Supply:  rig.SupplyCal{RailU: 5 * physic.MilliVolt},
		Power:   rig.ShareCal{U: 1e7},
		Chamber: rig.ChamberCal{Transfer: 10_000, TransferU: 15e7},
	}
	return s
}

func (s *story) id(name string) rig.ID {
	id, ok := rig.Find(s.header.Channels, name)
	if !ok {
		s.t.Fatalf("the story's bench has no %s", name)
	}
	return id
}

func (s *story) add(at time.Duration, k rig.Kind, ch rig.ID, v int64, text string) {
	s.events = append(s.events, rig.Event{At: rig.Instant(at), Kind: k, Channel: ch, Value: v, Text: text})
}

func (s *story) edge(at time.Duration, name string, v int64) { s.add(at, rig.Edge, s.id(name), v, "") }
func (s *story) command(at time.Duration, name string, v int64) {
	s.add(at, rig.Command, s.id(name), v, "")
}
func (s *story) reading(at time.Duration, name string, v int64) {
	s.add(at, rig.Reading, s.id(name), v, "")
}
func (s *story) line(at time.Duration, text string) { s.add(at, rig.Line, s.id(rig.UART), 0, text) }
func (s *story) mark(at time.Duration, name string) { s.add(at, rig.Mark, 0, 0, name) }
func (s *story) gap(at time.Duration, name string, before time.Duration) {
	s.add(at, rig.Gap, s.id(name), int64(before), "")
}

func (s *story) begin(at time.Duration, trial rig.Trial) {
	s.t.Helper()
	text, err := json.Marshal(trial)
	if err != nil {
		s.t.Fatal(err)
	}
	s.trials++
	s.add(at, rig.TrialBegin, 0, int64(s.trials), string(text))
}

func (s *story) end(at time.Duration)   { s.add(at, rig.TrialEnd, 0, int64(s.trials), "") }
func (s *story) close(at time.Duration) { s.add(at, rig.End, 0, 0, "") }

// all yields the events, and last an error if there is one.
func all(events []rig.Event, last error) iter.Seq2[rig.Event, error] {
	return func(yield func(rig.Event, error) bool) {
		for _, ev := range events {
			if !yield(ev, nil) {
				return
			}
		}
		if last != nil {
			yield(rig.Event{}, last)
		}
	}
}

func (s *story) set() *Set {
	s.t.Helper()
	set, err := Extract(s.header, all(s.events, nil))
	if err != nil {
		s.t.Fatal(err)
	}
	return set
}

// find returns a measure that must be there.
func find(t *testing.T, set *Set, name string) *Measure {
	t.Helper()
	m := set.Find(name)
	if m == nil {
		t.Fatalf("the set has no %s", name)
	}
	return m
}

// noMeasure checks that the set does not have measures that it could not show.
func noMeasure(t *testing.T, set *Set, names ...string) {
	t.Helper()
	for _, name := range names {
		if m := set.Find(name); m != nil {
			t.Errorf("the set has %s: %+v", name, *m)
		}
	}
}

func equal[T comparable](t *testing.T, what string, got, want T) {
	t.Helper()
	if got != want {
		t.Errorf("%s is %v; want %v", what, got, want)
	}
}

// sortEvents puts events in the order of time; those at the same time stay as
// they are.
func sortEvents(events []rig.Event) {
	slices.SortStableFunc(events, func(a, b rig.Event) int { return cmp.Compare(a.At, b.At) })
}
