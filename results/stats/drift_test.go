package stats

import (
	"math"
	"slices"
	"testing"
)

// NIST e-Handbook 6.3.2.3 (data from memory).
func TestCUSUM(t *testing.T) {
	x := []float64{324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
		324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350}
	high := []float64{0, 0, 0, 0, 0.0325, 0, 0, 0, 0, 0, 0, 0, 3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035}
	low := []float64{0, 0.0075, 0, 0.3325, 0, 0, 0.5575, 0.715, 0.1725, 0.255, 0.3125, 0, 0, 0, 0, 0, 0, 0, 0, 0}
	got, err := CUSUM(x, 325, 0.3175, 4.1959)
	noError(t, err)
	sum := 0.0
	for i, p := range got.Points {
		nearAbs(t, "high", p.High, high[i], 1e-9)
		nearAbs(t, "low", p.Low, low[i], 1e-9)
		sum += x[i] - 325
	}
	nearAbs(t, "plain sum", sum, 19.075, 1e-9)
	// Signal at the 14th value; the sum was last 0 at the 12th.
	if got.Signal != 13 || !got.Up || got.Change != 12 {
		t.Errorf("signal %d, up %v, change %d; want 13, true, 12", got.Signal, got.Up, got.Change)
	}
	mirrored := make([]float64, len(x))
	for i := range x {
		mirrored[i] = 650 - x[i]
	}
	down, err := CUSUM(mirrored, 325, 0.3175, 4.1959)
	noError(t, err)
	if down.Signal != 13 || down.Up || down.Change != 12 {
		t.Errorf("mirrored: signal %d, up %v, change %d; want 13, false, 12", down.Signal, down.Up, down.Change)
	}
	quiet, err := CUSUM(x[:12], 325, 0.3175, 4.1959)
	noError(t, err)
	if quiet.Signal != NoSignal || quiet.Change != NoSignal {
		t.Errorf("first 12 values: signal %d, change %d; want none", quiet.Signal, quiet.Change)
	}
}

// NIST e-Handbook 6.3.2.4 (data from memory; limits as printed on the page).
func TestEWMA(t *testing.T) {
	x := []float64{52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	z := []float64{50.6, 49.52, 50.564, 50.1848, 50.15936, 49.211552, 49.7480864, 49.8536605, 50.2575623, 50.3302936,
		50.1112055, 49.3578439, 49.5204907, 50.0543435, 49.3780405, 49.9246283, 50.7272398, 51.2290679, 51.9403475, 51.9882433}
	got, err := EWMA(x, 50, 2.0539, 0.3, 3)
	noError(t, err)
	for i, p := range got.Points {
		nearAbs(t, "z", p.Z, z[i], 0.5e-7)
	}
	near(t, "lower", got.Lower, 47.4115682619, 1e-11)
	near(t, "upper", got.Upper, 52.5884317381, 1e-11)
	nearAbs(t, "printed lower", got.Lower, 47.4115, 1e-4) // cut, not rounded, there
	nearAbs(t, "printed upper", got.Upper, 52.5884, 0.5e-4)
	for i, upper := range []float64{51.84851, 52.2563940121, 52.4314055708} {
		near(t, "exact upper", got.Points[i].Upper, upper, 1e-11)
		near(t, "exact lower", got.Points[i].Lower, 100-upper, 1e-11)
	}
	if got.Signal != NoSignal || got.SignalSteady != NoSignal {
		t.Errorf("signals %d, %d; want none", got.Signal, got.SignalSteady)
	}
	// The exact limits start narrow: a first value of 57 breaks them, and not
	// the steady ones.
	early, err := EWMA([]float64{57}, 50, 2.0539, 0.3, 3) // z = 52.1
	noError(t, err)
	if early.Signal != 0 || early.SignalSteady != NoSignal {
		t.Errorf("early signals %d, %d; want 0, none", early.Signal, early.SignalSteady)
	}
	shewhart, err := EWMA([]float64{50, 56.5}, 50, 2, 1, 3) // lambda 1: limits 44 and 56
	noError(t, err)
	if shewhart.Signal != 1 || shewhart.SignalSteady != 1 || shewhart.Upper != 56 {
		t.Errorf("lambda 1: %+v", shewhart)
	}
}

// NIST e-Handbook 6.3.2.2, flow rates (data and printed limits from memory).
func TestIndividuals(t *testing.T) {
	x := []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	got, err := Individuals(x)
	noError(t, err)
	near(t, "centre", got.Centre, 50.81, 1e-12)
	nearAbs(t, "mean range", got.MeanRange, 1.8778, 0.5e-4)
	nearAbs(t, "upper", got.Upper, 55.8041, 0.5e-4)
	nearAbs(t, "lower", got.Lower, 45.8159, 0.5e-4)
	near(t, "upper", got.Upper, 55.80408983451537, 1e-12) // R
	near(t, "range upper", got.RangeUpper, 3.267*1.87777777777778, 1e-12)
	if len(got.Outside) != 0 || len(got.WideRanges) != 0 {
		t.Errorf("outside %v, wide %v; want none", got.Outside, got.WideRanges)
	}
	spike := append(slices.Clone(x), 52, 51, 49, 50, 51, 50, 70)
	out, err := Individuals(spike)
	noError(t, err)
	if !slices.Equal(out.Outside, []int{16}) || !slices.Equal(out.WideRanges, []int{16}) {
		t.Errorf("spike: outside %v, wide %v; want 16", out.Outside, out.WideRanges)
	}
	// d2 = 2/sqrt(pi), of which the table gives three decimals.
	nearAbs(t, "d2", d2, 2/math.Sqrt(math.Pi), 0.5e-3)
}

func TestChangePoint(t *testing.T) {
	nile := published(t, "nile")["Nile"]
	got, err := ChangePoint(nile, 999, 1)
	noError(t, err)
	if got.Index != 28 {
		t.Errorf("the Nile drops at value %d; want 28 (1899)", got.Index)
	}
	near(t, "before", got.Before, 1097.75, 1e-12) // R mean(Nile[1:28]), mean(Nile[29:100])
	near(t, "after", got.After, 849.972222222222, 1e-12)
	near(t, "gain", got.Gain, 1237699.55555555, 1e-12) // R, by trying all splits
	near(t, "p", got.P, 0.001, 1e-12)                  // no order of 999 does as well
	again, err := ChangePoint(nile, 999, 1)
	noError(t, err)
	if again != got {
		t.Errorf("a second call gave %+v; want %+v", again, got)
	}
	flat, err := ChangePoint([]float64{5, 5, 5}, 99, 1)
	noError(t, err)
	if flat.P != 1 || flat.Before != 5 || flat.After != 5 {
		t.Errorf("equal values: %+v; want p 1", flat)
	}
}

func TestDriftRefusals(t *testing.T) {
	ok := []float64{1, 2, 3}
	nan := math.NaN()
	_, err := EWMA(nil, 0, 1, 0.3, 3)
	refused(t, "data", err, "data has 0 values")
	_, err = EWMA(ok, nan, 1, 0.3, 3)
	refused(t, "target", err, "target is NaN")
	_, err = EWMA(ok, 0, 0, 0.3, 3)
	refused(t, "sigma", err, "sigma is 0")
	for _, lambda := range []float64{0, 1.01, nan} {
		_, err = EWMA(ok, 0, 1, lambda, 3)
		refused(t, "lambda", err, "lambda is")
	}
	_, err = EWMA(ok, 0, 1, 0.3, -3)
	refused(t, "width", err, "width is -3")
	_, err = CUSUM([]float64{nan}, 0, 1, 4)
	refused(t, "data", err, "data[0] is NaN")
	_, err = CUSUM(ok, math.Inf(1), 1, 4)
	refused(t, "target", err, "target is +Inf")
	_, err = CUSUM(ok, 0, -1, 4)
	refused(t, "k", err, "k is -1")
	_, err = CUSUM(ok, 0, nan, 4)
	refused(t, "k", err, "k is NaN")
	_, err = CUSUM(ok, 0, 1, 0)
	refused(t, "h", err, "h is 0")
	_, err = Individuals(ok[:1])
	refused(t, "one value", err, "data has 1 values")
	_, err = ChangePoint(ok[:2], 9, 1)
	refused(t, "two values", err, "data has 2 values")
	_, err = ChangePoint(ok, 0, 1)
	refused(t, "draws", err, "draws is 0")
}
