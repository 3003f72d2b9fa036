package gpio

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"drench/rig"

	"gonum.org/v1/gonum/stat"
)

// LoopBack is what a wire from an output to a captured input told of the
// chain's timing, on this machine under its present load.
type LoopBack struct {
	Samples []LoopSample
	Missed  int // changes of the output without an edge within a second
	Wide    int // changes left out, as the process was preempted meanwhile (see WideBracket)
	Gaps    int // gaps told on the input
}

// LoopSample is one change of the output and the edge that it made.
type LoopSample struct {
	Set  Stamp
	Edge rig.Instant
}

// edgeWait is how long an edge may take; the longest that is known, of a
// simulated chip, is 10 ms.
const edgeWait = time.Second

// LoopBack changes an output n times and waits for each edge on the input that
// a wire connects it to. The changes are one to two spacings apart, dithered so
// that they beat with nothing periodic. It takes all of the bank's events
// meanwhile. The output ends with the level that it had.
func (b *Bank) LoopBack(ctx context.Context, out, in rig.ID, n int, spacing time.Duration) (LoopBack, error) {
	var result LoopBack
	first, err := b.Level(out)
	if err != nil {
		return result, err
	}
	level := first
	for i := range n {
		if err := b.drain(ctx, Now().Add(dither(spacing, i))); err != nil {
			return result, err
		}
		level = !level
		set, err := b.Set(out, level)
		if err != nil {
			return result, err
		}
		if err := b.loopEdge(ctx, in, set, &result); err != nil {
			return result, err
		}
	}
	_, err = b.Set(out, first)
	return result, err
}

// dither spreads the i-th spacing over one to two times the given, evenly for
// any number of them (Weyl's sequence of the golden ratio).
func dither(spacing time.Duration, i int) time.Duration {
	_, frac := math.Modf(float64(i) * math.Phi)
	return spacing + time.Duration(frac*float64(spacing))
}

// drain drops events until an instant.
func (b *Bank) drain(ctx context.Context, until rig.Instant) error {
	for {
		if _, ok, err := b.Next(ctx, until); err != nil || !ok {
			return err
		}
	}
}

// loopEdge waits for the edge that a change made, and adds both to the result.
func (b *Bank) loopEdge(ctx context.Context, in rig.ID, set Stamp, result *LoopBack) error {
	until := set.After.Add(edgeWait)
	for {
		ev, ok, err := b.Next(ctx, until)
		switch {
		case err != nil:
			return err
		case !ok:
			result.Missed++
			return nil
		case ev.Channel != in || ev.At < set.Before:
			continue
		case ev.Kind == rig.Gap:
			result.Gaps++
			continue
		case set.Wide():
			result.Wide++
		default:
			result.Samples = append(result.Samples, LoopSample{set, ev.At})
		}
		return nil
	}
}

// Delays is a distribution of delays.
type Delays struct {
	N                     int
	Min, Median, P99, Max time.Duration
	Mean, SD              time.Duration
}

// SinceBefore is the distribution of edge stamp minus the instant before the
// output was set; it never is below the true delay.
func (l LoopBack) SinceBefore() Delays {
	return l.delays(func(s LoopSample) time.Duration { return s.Edge.Sub(s.Set.Before) })
}

// SinceAfter is the distribution of edge stamp minus the instant after the
// output was set; it never is above the true delay, and mostly negative where
// the interrupt is taken at once.
func (l LoopBack) SinceAfter() Delays {
	return l.delays(func(s LoopSample) time.Duration { return s.Edge.Sub(s.Set.After) })
}

func (l LoopBack) delays(of func(LoopSample) time.Duration) Delays {
	if len(l.Samples) == 0 {
		return Delays{}
	}
	x := make([]float64, len(l.Samples))
	for i, s := range l.Samples {
		x[i] = float64(of(s))
	}
	slices.Sort(x)
	d := func(v float64) time.Duration { return time.Duration(math.Round(v)) }
	q := func(p float64) time.Duration { return d(stat.Quantile(p, stat.Empirical, x, nil)) }
	r := Delays{N: len(x), Min: d(x[0]), Median: q(0.5), P99: q(0.99), Max: d(x[len(x)-1]), Mean: d(stat.Mean(x, nil))}
	if len(x) > 1 {
		r.SD = d(stat.StdDev(x, nil))
	}
	return r
}

// Calibration is the bias of an edge stamp against the middle of the output's
// stamp, and the standard uncertainty of a single stamp: the spread of the
// differences (JCGM 100:2008, 4.2.2) and that of the middle itself (4.3.7, see
// Stamp.U), root of the sum of the squares (5.1.2). Fewer than ten samples are
// an error.
func (l LoopBack) Calibration() (rig.LagCal, error) {
	if len(l.Samples) < 10 {
		return rig.LagCal{}, fmt.Errorf("calibrate edge stamps: %w", l.tooFew())
	}
	x := make([]float64, len(l.Samples))
	var middles float64
	for i, s := range l.Samples {
		x[i] = float64(s.Edge.Sub(s.Set.At()))
		middles += math.Pow(float64(s.Set.U()), 2) / float64(len(l.Samples))
	}
	mean, variance := stat.MeanVariance(x, nil)
	return rig.LagCal{
		Lag: time.Duration(math.Round(mean)),
		U:   time.Duration(math.Ceil(math.Sqrt(variance + middles))),
	}, nil
}

func (l LoopBack) tooFew() error {
	if l.Missed > 0 {
		return fmt.Errorf("%d edges came and %d did not; check the wire from the output to the input", len(l.Samples), l.Missed)
	}
	return errors.New("fewer than 10 usable edges; let it run longer")
}
