package adaptive

import (
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// bisect runs a plan against a device that holds what hold says.
func bisect(p LevelPlan, most int, hold func(int64) bool) (Bracket, []LevelTrial, error) {
	var seen []LevelTrial
	for {
		b, err := p.Next(seen)
		if err != nil || b.Settled || len(seen) == most {
			return b, seen, err
		}
		seen = append(seen, LevelTrial{b.Next, hold(b.Next)})
	}
}

// TestBisection: against a fixed boundary the bracket holds it, is as narrow as
// asked, and takes no more trials than halving does.
func TestBisection(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		p := LevelPlan{Low: rapid.Int64Range(-1000, 1000).Draw(rt, "low"), Resolution: rapid.Int64Range(1, 50).Draw(rt, "resolution"), Repeats: rapid.IntRange(1, 4).Draw(rt, "repeats")}
		p.High = p.Low + rapid.Int64Range(100, 5000).Draw(rt, "range")
		edge := rapid.Int64Range(p.Low-100, p.High+100).Draw(rt, "edge") // held from here on
		b, seen, err := bisect(p, 1000, func(v int64) bool { return v >= edge })
		if err != nil || !b.Settled {
			rt.Fatalf("%+v %v", b, err)
		}
		halvings := 2
		for w := p.High - p.Low; w > p.Resolution; w = (w + 1) / 2 {
			halvings++
		}
		if len(seen) > halvings*p.Repeats {
			rt.Errorf("%d trials for %d levels", len(seen), halvings)
		}
		switch {
		case edge > p.High:
			if b.HasHeld || !b.HasFailed || len(seen) != 1 {
				rt.Errorf("above all levels: %+v", b)
			}
		case edge <= p.Low:
			if b.HasFailed || !b.HasHeld || b.Held != p.Low {
				rt.Errorf("below all levels: %+v", b)
			}
		case !(b.Failed < edge && edge <= b.Held) || b.Held-b.Failed > max(p.Resolution, 1):
			rt.Errorf("edge %d: %+v", edge, b)
		}
		for _, s := range seen {
			if s.Level < p.Low || s.Level > p.High {
				rt.Errorf("level %d of %+v", s.Level, p)
			}
		}
	})
}

// TestBisectionOfAShakyBoundary: a device whose boundary moves from trial to
// trial is settled at a level that it mostly holds. With a level held by chance
// p it is taken for held with p³; so the bracket's upper end is where most
// trials hold, in nearly all searches.
func TestBisectionOfAShakyBoundary(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	p := LevelPlan{Low: 0, High: 1000, Resolution: 20, Repeats: 3}
	poor := 0
	for range 500 {
		b, _, err := bisect(p, 200, func(v int64) bool { return float64(v) > 500+float64(30*r.NormFloat64()) })
		if err != nil || !b.Settled {
			t.Fatalf("%+v %v", b, err)
		}
		if b.Held < 500 { // held by less than half of the trials
			poor++
		}
	}
	if poor > 25 {
		t.Errorf("%d of 500 searches ended at a level that mostly fails", poor)
	}
}

// TestLateFailure: a level that was held moves the bracket up when it fails.
func TestLateFailure(t *testing.T) {
	p := LevelPlan{Low: 0, High: 100, Resolution: 5, Repeats: 1}
	seen := []LevelTrial{{100, true}, {0, false}, {50, true}, {25, false}, {50, false}}
	b, err := p.Next(seen)
	if err != nil || b.Failed != 50 || b.Held != 100 || b.Next != 75 {
		t.Errorf("%+v %v", b, err)
	}
}

func TestLevelPlanErrors(t *testing.T) {
	for _, p := range []LevelPlan{{Low: 1, High: 1, Resolution: 1, Repeats: 1}, {High: 1, Repeats: 1}, {High: 1, Resolution: 1}} {
		if _, err := p.Next(nil); err == nil || !strings.Contains(err.Error(), "expected") {
			t.Errorf("%+v: %v", p, err)
		}
	}
}
