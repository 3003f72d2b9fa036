package pump

import (
	"context"
	"fmt"
	"math"
	"sync"
	"time"
)

// generator makes steps until it is cancelled, or the step line fails.
type generator struct {
	lines  Lines
	pulse  time.Duration
	least  time.Duration // between two steps
	cancel context.CancelFunc
	kick   chan struct{} // the period has changed
	done   chan struct{}
	failed error // set before done is closed

	mu     sync.Mutex
	period time.Duration
	sum    Stats
}

func start(lines Lines, cfg StepperConfig, period time.Duration) *generator {
	ctx, cancel := context.WithCancel(context.Background())
	g := &generator{
		lines: lines, pulse: cfg.Pulse, period: period, cancel: cancel,
		least: time.Duration(math.Ceil(float64(time.Second) * float64(hertz) / float64(cfg.MaxRate))),
		kick:  make(chan struct{}, 1), done: make(chan struct{}),
	}
	go g.run(ctx)
	return g
}

// failure tells why the generator ended by itself; nil while it runs.
func (g *generator) failure() error {
	if g == nil {
		return nil
	}
	select {
	case <-g.done:
		return g.failed
	default:
		return nil
	}
}

// retime changes the pace.
func (g *generator) retime(period time.Duration) {
	g.mu.Lock()
	g.period = period
	g.mu.Unlock()
	select {
	case g.kick <- struct{}{}:
	default:
	}
}

func (g *generator) stats() Stats {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.sum
}

// run keeps to a grid of due times, so that late steps don't add up.
func (g *generator) run(ctx context.Context) {
	defer close(g.done)
	defer g.cancel()
	last := time.Now() // that a step was due
	made := last       // that one had been made
	for period := g.pace(); ; {
		if p := g.pace(); p != period {
			// What has passed of this step counts in proportion.
			now := time.Now()
			last = now.Add(-time.Duration(float64(now.Sub(last)) / float64(period) * float64(p)))
			period = p
		}
		due := last.Add(period)
		if !g.sleep(ctx, later(due, made.Add(g.least))) {
			if ctx.Err() != nil {
				return
			}
			continue // at another pace
		}
		if made, g.failed = g.step(ctx); g.failed != nil {
			return
		}
		last = due.Add(g.count(made.Sub(due), period))
	}
}

func (g *generator) pace() time.Duration {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.period
}

// sleep tells whether t has come, and not the end or another period first.
func (g *generator) sleep(ctx context.Context, t time.Time) bool {
	timer := time.NewTimer(time.Until(t))
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-g.kick:
		return false
	case <-timer.C:
		return ctx.Err() == nil
	}
}

// step makes one and returns when, at the latest, its edge came. If it fails
// the motor loses its power.
func (g *generator) step(ctx context.Context) (made time.Time, err error) {
	err = g.lines.Step.Set(ctx, true)
	made = time.Now()
	if err == nil {
		time.Sleep(g.pulse)
		err = g.lines.Step.Set(context.WithoutCancel(ctx), false)
	}
	if err == nil || ctx.Err() != nil { // the end of a run is no failure
		return made, nil
	}
	err = fmt.Errorf("make a step of the pump: %w", err)
	if power := off(ctx, "the pump's motor", g.lines.Enable); power != nil {
		err = fmt.Errorf("%w; %w", err, power)
	}
	return made, err
}

// count books a step, and returns the time of the steps that are given up.
func (g *generator) count(late, period time.Duration) time.Duration {
	g.mu.Lock()
	defer g.mu.Unlock()
	skipped := late / period
	g.sum.Steps++
	g.sum.Skipped += uint64(skipped)
	g.sum.Late = max(g.sum.Late, late)
	return skipped * period
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
