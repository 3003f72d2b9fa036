package measure

import (
	"encoding/json"
	"errors"
	"iter"
	"reflect"
	"runtime"
	"strings"
	"testing"
	"time"

	"drench/results/verdict"
	"drench/rig"
	"drench/rig/timeline"

	"pgregory.net/rapid"
)

func TestInterrupted(t *testing.T) {
	wet := func() *story {
		s := newStory(t, rig.Detect, rig.PumpDrip)
		s.begin(10*sec, rig.Trial{Kind: rig.Wet})
		s.command(11*sec, rig.PumpDrip, 30e6)
		s.edge(13*sec, rig.Detect, 1)
		return s
	}
	s := wet()
	tail := &timeline.TailError{Chunk: 3, Err: errors.New("no chunk begins here")}
	set, err := Extract(s.header, all(s.events, tail))
	if err != nil {
		t.Fatal(err)
	}
	equal(t, "interrupted", set.Interrupted, tail.Error())
	equal(t, "verdict of the open trial", set.Trials[0].Verdict, verdict.Inconc)
	equal(t, "its reason", set.Trials[0].Reason, "the run was cut short during this trial")
	equal(t, "doubt", find(t, set, Latency).Inconc, 1)
	equal(t, "events", set.Events, 3)

	equal(t, "no last event", wet().set().Interrupted, "the timeline stops without its last event")

	s = wet()
	s.end(20 * sec)
	s.add(21*sec, rig.End, 0, 0, "stopped: by hand")
	equal(t, "cut short", s.set().Interrupted, "stopped: by hand")

	s = wet()
	s.begin(15*sec, rig.Trial{Kind: rig.Dry})
	s.end(16 * sec)
	s.end(17 * sec) // of nothing
	s.close(18 * sec)
	set = s.set()
	equal(t, "not ended", set.Trials[0].Reason, "the next trial began before this one had ended")
	equal(t, "trials", len(set.Trials), 2)
	equal(t, "interrupted", set.Interrupted, "")
}

func TestUnreadable(t *testing.T) {
	for _, c := range []struct {
		what string
		ev   rig.Event
		err  error
		says string
	}{
		{"broken reader", rig.Event{Kind: rig.Note}, errors.New("disk"), "read event 2: disk"},
		{"no trial", rig.Event{Kind: rig.TrialBegin, Value: 4, Text: "{"}, nil, "read what trial 4 is"},
		{"unknown trial", rig.Event{Kind: rig.TrialBegin, Value: 4, Text: `{"kind":"moist"}`}, nil, `trial 4 is of unknown kind "moist"`},
		{"unknown channel", rig.Event{Kind: rig.Edge, Channel: 7}, nil, "edge on channel 7, but the bench has 1 channels"},
	} {
		s := newStory(t, rig.Detect)
		set, err := Extract(s.header, all([]rig.Event{c.ev}, c.err))
		if set != nil || err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, %v; want %q", c.what, set, err, c.says)
		}
	}
}

// TestOnlyWhatTheRunCouldShow: a run without a kind of trial has no measures of
// it.
func TestOnlyWhatTheRunCouldShow(t *testing.T) {
	s := newStory(t, rig.Detect, rig.Heartbeat, rig.PumpDrip, rig.UART, rig.RelayDUT, rig.Rail)
	s.close(sec)
	if set := s.set(); len(set.Measures) != 0 {
		t.Errorf("an empty run has %d measures, such as %+v", len(set.Measures), *set.Measures[0])
	}
	s = newStory(t, rig.Detect, rig.PumpDrip)
	s.begin(0, rig.Trial{Kind: rig.Dry})
	s.end(3600 * sec)
	s.close(3601 * sec)
	set := s.set()
	names := []string{}
	for _, m := range set.Measures {
		names = append(names, m.Name)
	}
	if !reflect.DeepEqual(names, []string{FalseAlarms, Glitches}) {
		t.Errorf("a dry run has %v", names)
	}
	equal(t, "exposure", set.Find(FalseAlarms).Exposure, 3601*sec)
}

// everything is a bench with all channels that measures know.
var everything = []string{
	rig.Detect, rig.Heartbeat, rig.Witness, rig.DropGate, rig.PumpDrip, rig.PumpSpray, rig.Rail, rig.DUTEnergy,
	rig.AirTemp, rig.AirRH, rig.PlateTemp, rig.UART, rig.RelayDUT, rig.Tray,
}

// TestArbitraryEvents: no sequence of events, sensible or not, in order or not,
// makes Extract panic, and twice the same gives the same.
func TestArbitraryEvents(t *testing.T) {
	trials := []string{
		`{"kind":"wet","within":5000000000,"dose":400000}`, `{"kind":"wet","film":30000000}`, `{"kind":"dry"}`, `{"kind":"decoy"}`, `{"kind":"release"}`,
		`{"kind":"dip","dip":{"shape":"dip","level_mv":1000,"from_mv":3000,"width":1000000}}`, `{"kind":"dip","dip":{"shape":"ramp","from_mv":3000}}`,
		`{"kind":"dip","dip":{"shape":"cycle","from_mv":3000}}`, `{"kind":"dip"}`, `{"kind":"moist"}`, `{`,
	}
	texts := []string{"boot", "set threshold=30", "set threshold=2", "r 500 3 1", "r 500 99999999999999999999 0", "", rig.MarkPowered, rig.MarkOff, rig.MarkQuiet, rig.MarkBusy, rig.MarkBackfed}
	rapid.Check(t, func(rt *rapid.T) {
		s := newStory(t, everything...)
		s.header.Device.Heartbeat = time.Duration(rapid.SampledFrom([]int64{0, 1, 1e9}).Draw(rt, "interval"))
		s.header.Device.Sampling.Period = time.Duration(rapid.SampledFrom([]int64{0, 2e9}).Draw(rt, "period"))
		at := int64(0)
		for range rapid.IntRange(0, 120).Draw(rt, "events") {
			ev := rig.Event{Kind: rig.Kind(rapid.IntRange(1, 11).Draw(rt, "kind")), Channel: rig.ID(rapid.IntRange(0, len(everything)-1).Draw(rt, "channel"))}
			at += rapid.OneOf(rapid.Int64Range(-1e6, 5e9), rapid.Just(int64(1)<<62)).Draw(rt, "dt")
			ev.At = rig.Instant(at)
			ev.Value = rapid.OneOf(rapid.Int64Range(0, 1), rapid.Int64Range(0, 4e11), rapid.Int64()).Draw(rt, "value")
			ev.Text = rapid.SampledFrom(texts).Draw(rt, "text")
			if ev.Kind == rig.TrialBegin {
				ev.Text = rapid.SampledFrom(trials).Draw(rt, "trial")
			}
			s.events = append(s.events, ev)
		}
		one, err1 := Extract(s.header, all(s.events, nil))
		two, err2 := Extract(s.header, all(s.events, nil))
		if (err1 == nil) != (err2 == nil) || !reflect.DeepEqual(one, two) {
			rt.Fatalf("the same events give %+v, %v and %+v, %v", one, err1, two, err2)
		}
		if err1 != nil {
			return
		}
		if _, err := json.Marshal(one); err != nil {
			rt.Fatal(err)
		}
		for _, trial := range one.Trials {
			if trial.Verdict == verdict.None || (trial.Verdict == verdict.Pass) != (trial.Reason == "") {
				rt.Fatalf("trial %d is %v, %q", trial.N, trial.Verdict, trial.Reason)
			}
		}
	})
}

// night yields n events of a night of wet trials: beats, readings, lines,
// and a trial every thousand.
func night(n int, h timeline.Header) iter.Seq2[rig.Event, error] {
	id := func(name string) rig.ID { ch, _ := rig.Find(h.Channels, name); return ch }
	beat, rail, energy, uart, detect, pump := id(rig.Heartbeat), id(rig.Rail), id(rig.DUTEnergy), id(rig.UART), id(rig.Detect), id(rig.PumpDrip)
	return func(yield func(rig.Event, error) bool) {
		yield(rig.Event{Kind: rig.Mark, Text: rig.MarkPowered}, nil)
		trial := int64(0)
		for i := range n {
			ev := rig.Event{At: rig.Instant(i) * 25e7}
			switch i % 1000 {
			case 10:
				trial++
				ev.Kind, ev.Value, ev.Text = rig.TrialBegin, trial, `{"kind":"wet","within":5000000000}`
			case 20:
				ev.Kind, ev.Channel, ev.Value = rig.Command, pump, 30e6
			case 26, 60:
				ev.Kind, ev.Channel, ev.Value = rig.Edge, detect, int64(60-i%1000)/30
			case 30:
				ev.Kind, ev.Value = rig.TrialEnd, trial
			default:
				switch i % 4 {
				case 0:
					ev.Kind, ev.Channel, ev.Value = rig.Edge, beat, int64(i/4%2)
				case 1:
					ev.Kind, ev.Channel, ev.Value = rig.Reading, rail, 3300e6
				case 2:
					ev.Kind, ev.Channel, ev.Value = rig.Reading, energy, int64(i)*1e4
				default:
					ev.Kind, ev.Channel, ev.Text = rig.Line, uart, "r 500 3 0"
				}
			}
			if !yield(ev, nil) {
				return
			}
		}
		yield(rig.Event{At: rig.Instant(n) * 25e7, Kind: rig.End}, nil)
	}
}

// BenchmarkExtract reads a night of a million events, and reports what the
// heap holds at its end beyond the start: it does not grow with the events.
func BenchmarkExtract(b *testing.B) {
	s := newStory(&testing.T{}, everything...)
	for _, n := range []int{100_000, 1_000_000} {
		b.Run(time.Duration(n*25e7).String(), func(b *testing.B) {
			held := uint64(0)
			for b.Loop() {
				var before, after runtime.MemStats
				runtime.GC()
				runtime.ReadMemStats(&before)
				x, err := newExtractor(s.header)
				if err != nil {
					b.Fatal(err)
				}
				for ev, err := range night(n, s.header) {
					if err != nil {
						b.Fatal(err)
					}
					if err := x.event(ev); err != nil {
						b.Fatal(err)
					}
				}
				runtime.GC()
				runtime.ReadMemStats(&after)
				held = after.HeapAlloc - min(before.HeapAlloc, after.HeapAlloc)
				if set := x.close(); len(set.Trials) != n/1000 {
					b.Fatalf("%d trials", len(set.Trials))
				}
			}
			b.ReportMetric(float64(held)/1024, "KiB-held")
			b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
		})
	}
}
