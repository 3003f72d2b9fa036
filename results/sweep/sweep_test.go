package sweep

import (
	"math"
	"testing"
	"time"

	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig"

	"periph.io/x/conn/v3/physic"
	"pgregory.net/rapid"
)

// set is what a run showed: answered latencies in ms, doses missed, alarms in
// hours of dry time, power in µW.
func set(answered []int, missed, alarms int, hours, power float64) *measure.Set {
	l := &measure.Measure{Name: measure.Latency, Kind: measure.Samples, Unit: rig.Second}
	for _, v := range answered {
		l.Samples = append(l.Samples, measure.Sample{Value: int64(v) * 1e6})
	}
	for range missed {
		l.Samples = append(l.Samples, measure.Sample{Value: 6e9, Censored: true})
	}
	return &measure.Set{Measures: []*measure.Measure{
		l,
		{Name: measure.Missed, Kind: measure.Proportion, Count: missed, N: len(answered) + missed},
		{Name: measure.FalseAlarms, Kind: measure.Events, Count: alarms, Exposure: time.Duration(hours * float64(time.Hour))},
		{Name: measure.MeanPower, Kind: measure.Single, Samples: []measure.Sample{{Value: int64(power * 1e3), U: int64(power * 10)}}},
	}}
}

func upTo(n int) (list []int) {
	for i := range n {
		list = append(list, i+1)
	}
	return list
}

func TestNewPoint(t *testing.T) {
	p, err := NewPoint([]Level{{"sampling", "2 s"}}, []Run{
		{ID: 3, Verdict: verdict.Pass, Set: set(upTo(60), 0, 0, 1, 100)},
		{ID: 4, Verdict: verdict.Fail, Broken: []string{"missed <= 5 %"}, Set: set(upTo(37), 3, 2, 1, 110)},
	})
	if err != nil {
		t.Fatal(err)
	}
	if p.Verdict != verdict.Fail || len(p.Runs) != 2 || p.Name() != "sampling 2 s" || len(p.Broken) != 1 {
		t.Errorf("%+v", p)
	}
	for _, c := range []struct {
		what      string
		got, want float64
		off       float64
	}{
		{"latency", p.Values[Latency].Value, 58e6, 0},                // 95th of 100, the last three missed
		{"missed", p.Values[Missed].Value, 0.03, 1e-12},              //
		{"missed, low", p.Values[Missed].Low, 0.008225829, 1e-8},     // Clopper-Pearson 90 %: beta quantiles by R 4.2.2: qbeta(0.05, 3, 98)
		{"missed, high", p.Values[Missed].High, 0.07571079, 1e-8},    // qbeta(0.95, 4, 97)
		{"alarms", p.Values[FalseAlarms].Value, 1, 1e-12},            // 2 in 2 h
		{"alarms, low", p.Values[FalseAlarms].Low, 0.1776808, 1e-7},  // Garwood 90 %: qchisq(0.05, 4)/4
		{"alarms, high", p.Values[FalseAlarms].High, 3.147897, 1e-6}, // qchisq(0.95, 6)/4
		{"power", p.Values[Power].Value, 105e3, 1e-9},
	} {
		if math.Abs(c.got-c.want) > c.off {
			t.Errorf("%s is %v, want %v", c.what, c.got, c.want)
		}
	}
	if p.Standby.Known {
		t.Error("standby is known although no run showed it")
	}
}

// More than 5 % missed leave no 95 % quantile.
func TestNoQuantile(t *testing.T) {
	p, err := NewPoint(nil, []Run{{Set: set(upTo(90), 10, 0, 1, 100)}})
	if err != nil {
		t.Fatal(err)
	}
	if p.Values[Latency].Known {
		t.Errorf("latency's quantile is %v although 10 %% were missed", p.Values[Latency].Value)
	}
}

// known makes a point of values with intervals of ± half.
func known(half float64, values ...float64) Point {
	var p Point
	for i, v := range values {
		p.Values[i] = Value{true, v, v - half, v + half}
	}
	return p
}

func TestFront(t *testing.T) {
	points := []Point{
		known(0.1, 1, 0, 0, 9),       // fast and thirsty
		known(0.1, 5, 0, 0, 1),       // slow and frugal
		known(0.1, 6, 0, 0, 2),       // worse than the second on both
		known(0.1, 5.05, 0, 0, 1.05), // worse than the second, but not for sure
		{},                           // nothing known
	}
	Front(points)
	for i, want := range []int{0, 0, 2, 0, 1} {
		if i == 4 {
			want = points[4].BeatBy // whatever is known may not be beaten by it
		}
		if points[i].BeatBy != want || points[i].Front != (want == 0) {
			t.Errorf("point %d: front %v, beaten by %d; want by %d", i+1, points[i].Front, points[i].BeatBy, want)
		}
	}
}

// No point of the front is beaten; every other names one that beats it; and
// some point is always left.
func TestFrontHolds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 12).Draw(t, "points")
		points := make([]Point, n)
		for i := range points {
			points[i] = known(rapid.Float64Range(0, 2).Draw(t, "half"), rapid.Float64Range(0, 5).Draw(t, "a"), rapid.Float64Range(0, 5).Draw(t, "b"))
		}
		Front(points)
		left := 0
		for i, p := range points {
			if p.Front {
				left++
				for j := range points {
					if i != j && beats(points[j], p) {
						t.Fatalf("%d is on the front and beaten by %d", i, j)
					}
				}
			} else if !beats(points[p.BeatBy-1], p) {
				t.Fatalf("%d is said to be beaten by %d and is not", i, p.BeatBy-1)
			}
		}
		if left == 0 {
			t.Fatal("nothing is left on the front")
		}
	})
}

func TestBatteryLife(t *testing.T) {
	b := Battery{Energy: 36 * physic.KiloJoule, Usable: 0.8e9} // 10 Wh
	// 8 Wh at 100 µW are 80,000 h.
	if life, err := b.Life(100 * physic.MicroWatt); err != nil || life.Round(time.Minute) != 80_000*time.Hour {
		t.Errorf("life is %v, %v; want 80000h", life, err)
	}
	if _, err := b.Life(0); err == nil {
		t.Error("a life without power was given")
	}
}
