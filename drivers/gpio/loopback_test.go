package gpio

import (
	"math"
	"strings"
	"testing"
	"time"

	"drench/rig"
)

func TestStamp(t *testing.T) {
	// A rectangle of 12 µs has the standard deviation 12 / sqrt(12) µs.
	s := Stamp{1_000_000, 1_012_000}
	if s.At() != 1_006_000 || s.U() != 3464 || s.Wide() {
		t.Errorf("at %d, u %d, wide %v", s.At(), s.U(), s.Wide())
	}
	if s = (Stamp{0, 1_000_001}); !s.Wide() {
		t.Error("more than a millisecond is not wide")
	}
}

func TestNowRuns(t *testing.T) {
	a := Now()
	time.Sleep(time.Millisecond)
	if b := Now(); a <= 0 || b.Sub(a) < time.Millisecond {
		t.Errorf("from %d to %d across a millisecond", a, b)
	}
}

// TestDither: spacings lie between one and two times the nominal, and spread
// evenly: each tenth has its share to within 3 of 1000.
func TestDither(t *testing.T) {
	var tenths [10]int
	for i := range 1000 {
		d := dither(time.Second, i)
		if d < time.Second || d >= 2*time.Second {
			t.Fatalf("spacing %d is %v", i, d)
		}
		tenths[(d-time.Second)*10/time.Second]++
	}
	for i, n := range tenths {
		if n < 97 || n > 103 {
			t.Errorf("%d of 1000 in tenth %d", n, i)
		}
	}
}

// looped has brackets of 12 µs and edges 100 µs, less or more 20, after their
// middles.
func looped() LoopBack {
	var l LoopBack
	for i := range rig.Instant(100) {
		mid := 1_000_000 * (i + 1)
		l.Samples = append(l.Samples, LoopSample{Stamp{mid - 6000, mid + 6000}, mid + 100_000 + 20_000*(2*(i%2)-1)})
	}
	return l
}

func TestDelays(t *testing.T) {
	before, after := looped().SinceBefore(), looped().SinceAfter()
	sd := time.Duration(math.Round(20_000 * math.Sqrt(100./99)))
	want := Delays{N: 100, Min: 86_000, Median: 86_000, P99: 126_000, Max: 126_000, Mean: 106_000, SD: sd}
	if before != want {
		t.Errorf("since before: %+v, want %+v", before, want)
	}
	want = Delays{N: 100, Min: 74_000, Median: 74_000, P99: 114_000, Max: 114_000, Mean: 94_000, SD: sd}
	if after != want {
		t.Errorf("since after: %+v, want %+v", after, want)
	}
	if (LoopBack{}).SinceAfter() != (Delays{}) {
		t.Error("no samples have a distribution")
	}
}

func TestCalibration(t *testing.T) {
	c, err := looped().Calibration()
	if err != nil {
		t.Fatal(err)
	}
	// The variance of 50 values at +20 and 50 at -20 is 400 × 100/99; the middle
	// of a 12 µs bracket adds 12²/12 = 12.
	u := time.Duration(math.Ceil(1000 * math.Sqrt(400*100./99+math.Pow(3.464, 2))))
	if c.Lag != 100_000 || c.U != u {
		t.Errorf("lag %v, u %v, want 100µs and %v", c.Lag, c.U, u)
	}
	l := looped()
	l.Samples = l.Samples[:9]
	if _, err := l.Calibration(); err == nil || !strings.Contains(err.Error(), "longer") {
		t.Errorf("nine samples: %v", err)
	}
	l.Missed = 91
	if _, err := l.Calibration(); err == nil || !strings.Contains(err.Error(), "check the wire") {
		t.Errorf("91 edges missing: %v", err)
	}
}
