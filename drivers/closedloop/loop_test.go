package closedloop

import (
	"slices"
	"testing"
	"time"

	"drench/rig"

	"golang.org/x/sys/unix"
)

// The loop itself runs inside the kernel bench only: see TestKernelBench of
// cmd/drench.

func TestStepper(t *testing.T) {
	const step, enable = 1, 2
	s := stepper{pump: StepPump{Step: step, Enable: enable, Volume: 500}}
	at := rig.Instant(0)
	pulse := func(after time.Duration) (rig.Flow, bool) {
		at = at.Add(after)
		flow, changed := s.take(change{at, step, 1})
		s.take(change{at.Add(time.Millisecond), step, 0})
		return flow, changed
	}
	for i := range 3 { // not enabled
		if _, changed := pulse(10 * time.Millisecond); changed {
			t.Fatalf("step %d made a flow", i)
		}
	}
	s.take(change{at, enable, 1})
	if _, changed := pulse(10 * time.Millisecond); changed {
		t.Error("one step has no rate")
	}
	// 100 steps of 0.5 µl a second are 3 ml/min.
	if flow, changed := pulse(10 * time.Millisecond); !changed || flow != 3*rig.MlPerMin {
		t.Errorf("flow %v, %v", flow, changed)
	}
	if flow, changed := pulse(10100 * time.Microsecond); changed {
		t.Errorf("jitter of 1 %% made it %v", flow)
	}
	if flow, changed := pulse(5 * time.Millisecond); !changed || flow != 6*rig.MlPerMin {
		t.Errorf("flow %v, %v", flow, changed)
	}
	if _, changed := s.idle(at.Add(10 * time.Millisecond)); changed {
		t.Error("two periods without a step are no pause")
	}
	if flow, changed := s.idle(at.Add(20 * time.Millisecond)); !changed || flow != 0 {
		t.Errorf("pause: flow %v, %v", flow, changed)
	}
	pulse(time.Second)
	pulse(10 * time.Millisecond)
	if flow, changed := s.take(change{at, enable, 0}); !changed || flow != 0 {
		t.Errorf("disabled: flow %v, %v", flow, changed)
	}
}

// TestTrace reads a trace as the kernel writes it, in two parts.
func TestTrace(t *testing.T) {
	var ends [2]int
	if err := unix.Pipe2(ends[:], unix.O_NONBLOCK); err != nil {
		t.Fatal(err)
	}
	defer unix.Close(ends[0])
	defer unix.Close(ends[1])
	c := &chip{trace: ends[0], base: 480}
	const text = "" +
		"# tracer: nop\n" +
		"          drench-31      [000] .....    12.345678: gpio_value: 489 set 1\n" +
		"          drench-31      [000] .....    12.445680: gpio_value: 494 get 1\n" +
		"           <...>-32      [000] d..1.    13.000001: gpio_value: 489 set 0\n"
	var got []change
	for _, part := range []string{text[:80], text[80:]} {
		if _, err := unix.Write(ends[1], []byte(part)); err != nil {
			t.Fatal(err)
		}
		found, err := c.read()
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, found...)
	}
	if want := []change{{12_345_678_000, 9, 1}, {13_000_001_000, 9, 0}}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}
