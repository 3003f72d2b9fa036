// Package engine is the run loop: it drives a guarded bench, records all that
// happens in a timeline, and knows where a trial begins and ends. It is the
// same code on real and on virtual hardware.
package engine

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"drench/rig"
	"drench/rig/interlock"
	"drench/rig/timeline"
)

// Run is one run in progress. It is used from one goroutine.
type Run struct {
	guard   *interlock.Guard
	log     *timeline.Writer
	table   []rig.Channel
	last    []int64       // last value seen or set, by channel
	taken   []rig.Instant // when the last reading was taken, by channel
	watches []watch
	trial   int
	open    bool // a trial is open

	// Budget, if not 0, is the end of the script's time budget: a wait that it
	// cuts short is an error.
	Budget rig.Instant
	// OnTrial, if set, is called when a trial has ended.
	OnTrial func(n int, t rig.Trial)
	spec    rig.Trial
	// OnEvent, if set, sees every event after it is recorded.
	OnEvent func(rig.Event)
}

// watch reads a gauge again and again.
type watch struct {
	channel rig.ID
	every   time.Duration
	next    rig.Instant
}

// New starts a run: it records the levels that the input lines have.
func New(ctx context.Context, guard *interlock.Guard, log *timeline.Writer) (*Run, error) {
	r := &Run{guard: guard, log: log, table: guard.Channels()}
	r.last, r.taken = make([]int64, len(r.table)), make([]rig.Instant, len(r.table))
	now := guard.Now()
	for i, c := range r.table {
		if c.Dir != rig.Input {
			continue
		}
		v, err := guard.Ask(ctx, rig.ID(i))
		if err != nil {
			return nil, fmt.Errorf("read the level of %s: %w", c.Name, err)
		}
		if err := r.record(rig.Event{At: now, Kind: rig.Edge, Channel: rig.ID(i), Value: v}); err != nil {
			return nil, err
		}
	}
	return r, nil
}

// Now is the bench's clock.
func (r *Run) Now() rig.Instant { return r.guard.Now() }

// Channels is the bench's table.
func (r *Run) Channels() []rig.Channel { return r.table }

// Has tells whether the bench has a channel.
func (r *Run) Has(name string) bool {
	_, ok := rig.Find(r.table, name)
	return ok
}

// ChannelError says that a bench lacks a channel.
type ChannelError struct{ Name string }

func (e *ChannelError) Error() string {
	return fmt.Sprintf("this bench has no channel %q; wire it and name it in the rig file, or leave out what needs it", e.Name)
}

func (r *Run) find(name string) (rig.ID, error) {
	id, ok := rig.Find(r.table, name)
	if !ok {
		return 0, &ChannelError{name}
	}
	return id, nil
}

func (r *Run) record(ev rig.Event) error {
	switch ev.Kind {
	case rig.Edge, rig.Command, rig.Reading:
		r.last[ev.Channel] = ev.Value
	}
	if err := r.log.Append(ev); err != nil {
		return fmt.Errorf("record %v: %w", ev.Kind, err)
	}
	if r.OnEvent != nil {
		r.OnEvent(ev)
	}
	return nil
}

// Last returns the value last seen on a channel (an input's level, an output's
// setting, a gauge's last reading), 0 before the first.
func (r *Run) Last(name string) int64 {
	if id, ok := rig.Find(r.table, name); ok {
		return r.last[id]
	}
	return 0
}

// Set drives an output through the interlocks and records it, with the stamp
// of whatever drives it.
func (r *Run) Set(ctx context.Context, name string, q rig.Quantity) error {
	id, err := r.find(name)
	if err != nil {
		return err
	}
	if u := r.table[id].Unit; q.Unit != u {
		return fmt.Errorf("%s takes a value such as %q, not %v", name, u.Example(), q)
	}
	at, err := r.guard.Set(ctx, id, q.N)
	switch {
	case err != nil:
		return err
	case at == rig.Pending:
		return r.obeyed(ctx, id)
	}
	return r.record(rig.Event{At: at, Kind: rig.Command, Channel: id, Value: q.N})
}

const (
	// obeyWithin is how long an output that is slow to obey gets; its driver has
	// a limit of its own below that.
	obeyWithin = 15 * time.Second
	// answerWithin and look are how long a gauge that is slow to answer gets for
	// a new reading, and how often the run looks for one.
	answerWithin = 5 * time.Second
	look         = time.Millisecond
)

// obeyed waits until an output has done as it was told, which is recorded then.
// All else goes on meanwhile.
func (r *Run) obeyed(ctx context.Context, id rig.ID) error {
	ok, err := r.until(ctx, r.Now().Add(obeyWithin), func(ev rig.Event) bool { return ev.Kind == rig.Command && ev.Channel == id })
	if err == nil && !ok {
		err = fmt.Errorf("set %s: no word of it after %v", r.table[id].Name, obeyWithin)
	}
	return err
}

// Ask reads a gauge and records the reading, which is one that began after the
// call: for a gauge that is slow to answer it waits.
func (r *Run) Ask(ctx context.Context, name string) (rig.Quantity, error) {
	id, err := r.find(name)
	if err != nil {
		return rig.Quantity{}, err
	}
	for asked := r.Now(); ; {
		v, at, err := r.ask(ctx, id)
		if err != nil || at >= asked {
			return rig.Quantity{N: v, Unit: r.table[id].Unit}, err
		}
		if waited := r.Now().Sub(asked); waited > answerWithin {
			return rig.Quantity{}, fmt.Errorf("read %s: no new reading for %v", name, waited)
		}
		if err := r.Wait(ctx, look); err != nil {
			return rig.Quantity{}, err
		}
	}
}

// ask reads a gauge, and records the reading unless it has been.
func (r *Run) ask(ctx context.Context, id rig.ID) (int64, rig.Instant, error) {
	v, at, err := r.guard.Sample(ctx, id)
	if err != nil {
		return 0, 0, fmt.Errorf("read %s: %w", r.table[id].Name, err)
	}
	if at < r.taken[id] || at == r.taken[id] && at != r.Now() {
		return v, at, nil
	}
	r.taken[id] = at
	return v, at, r.record(rig.Event{At: at, Kind: rig.Reading, Channel: id, Value: v})
}

// Watch reads a gauge every so often from now on, while the run waits; 0 stops
// that. A bench without the gauge is left alone.
func (r *Run) Watch(name string, every time.Duration) {
	id, ok := rig.Find(r.table, name)
	if !ok {
		return
	}
	for i := range r.watches {
		if r.watches[i].channel == id {
			r.watches = append(r.watches[:i], r.watches[i+1:]...)
			break
		}
	}
	if every > 0 {
		r.watches = append(r.watches, watch{id, every, r.Now()})
	}
}

// errBudget is what a wait beyond the budget ends with.
var errBudget = errors.New("the script's time budget is used up; raise budget = \"…\" in the script if it is to run longer")

// Wait lets time pass; a negative time is none.
func (r *Run) Wait(ctx context.Context, d time.Duration) error {
	_, err := r.Match(ctx, d, nil)
	return err
}

// Match waits for the first event that match takes, at most for a time, and
// tells whether there was one; nil takes none. Every event on the way is
// recorded, the watched gauges are read.
func (r *Run) Match(ctx context.Context, within time.Duration, match func(rig.Event) bool) (bool, error) {
	deadline := r.Now().Add(max(within, 0))
	over := r.Budget != 0 && deadline > r.Budget
	if over {
		deadline = r.Budget
	}
	ok, err := r.until(ctx, deadline, match)
	if err == nil && !ok && over {
		err = errBudget
	}
	return ok, err
}

func (r *Run) until(ctx context.Context, deadline rig.Instant, match func(rig.Event) bool) (bool, error) {
	for {
		stop, err := r.sample(ctx, deadline)
		if err != nil {
			return false, err
		}
		ev, ok, err := r.guard.Await(ctx, stop)
		if err != nil {
			return false, err
		}
		if !ok && r.Now() >= deadline {
			return false, nil
		}
		for ; ok; ev, ok, err = r.reread(ctx, ev) {
			if err := r.record(ev); err != nil {
				return false, err
			}
			if match != nil && match(ev) {
				return true, nil
			}
		}
		if err != nil {
			return false, err
		}
	}
}

// reread reads the level of a line whose edges were lost: who waits for a level
// that it has by now would wait for ever.
func (r *Run) reread(ctx context.Context, ev rig.Event) (rig.Event, bool, error) {
	if ev.Kind != rig.Gap || r.table[ev.Channel].Dir != rig.Input {
		return rig.Event{}, false, nil
	}
	v, err := r.guard.Ask(ctx, ev.Channel)
	if err != nil {
		return rig.Event{}, false, fmt.Errorf("read %s, whose edges were lost: %w", r.table[ev.Channel].Name, err)
	}
	return rig.Event{At: r.Now(), Kind: rig.Reading, Channel: ev.Channel, Value: v}, true, nil
}

// sample reads the gauges that are due and returns when the next is, or the
// deadline.
func (r *Run) sample(ctx context.Context, deadline rig.Instant) (rig.Instant, error) {
	now := r.Now()
	stop := deadline
	for i := range r.watches {
		w := &r.watches[i]
		if now >= w.next {
			if _, _, err := r.ask(ctx, w.channel); err != nil {
				return stop, err
			}
			w.next = w.next.Add(w.every)
			if w.next <= now { // a stalled loop does not make up for lost readings
				w.next = now.Add(w.every)
			}
		}
		stop = min(stop, w.next)
	}
	return stop, nil
}

// Level waits for an input line to have a level, and returns at once if it has.
// Where its edges are lost it is read.
func (r *Run) Level(ctx context.Context, name string, level int64, within time.Duration) (bool, error) {
	id, err := r.find(name)
	if err != nil {
		return false, err
	}
	if r.last[id] == level {
		return true, nil
	}
	return r.Match(ctx, within, func(ev rig.Event) bool {
		return (ev.Kind == rig.Edge || ev.Kind == rig.Reading) && ev.Channel == id && ev.Value == level
	})
}

// NextEdge waits for an edge of an input line, in either direction.
func (r *Run) NextEdge(ctx context.Context, name string, within time.Duration) (bool, error) {
	id, err := r.find(name)
	if err != nil {
		return false, err
	}
	return r.Match(ctx, within, func(ev rig.Event) bool {
		return ev.Kind == rig.Edge && ev.Channel == id
	})
}

// Begin opens a trial.
func (r *Run) Begin(t rig.Trial) error {
	if r.open {
		return errors.New("a trial is already open; trials don't nest")
	}
	text, err := json.Marshal(t)
	if err != nil {
		return fmt.Errorf("describe trial: %w", err)
	}
	r.trial++
	r.open, r.spec = true, t
	return r.record(rig.Event{At: r.Now(), Kind: rig.TrialBegin, Value: int64(r.trial), Text: string(text)})
}

// End closes the open trial.
func (r *Run) End() error {
	if !r.open {
		return errors.New("no trial is open")
	}
	r.open = false
	err := r.record(rig.Event{At: r.Now(), Kind: rig.TrialEnd, Value: int64(r.trial)})
	if err == nil && r.OnTrial != nil {
		r.OnTrial(r.trial, r.spec)
	}
	return err
}

// InTrial tells whether a trial is open.
func (r *Run) InTrial() bool { return r.open }

// Mark records a point that measures refer to.
func (r *Run) Mark(name string) error {
	return r.record(rig.Event{At: r.Now(), Kind: rig.Mark, Text: name})
}

// Note records a remark.
func (r *Run) Note(text string) error {
	return r.record(rig.Event{At: r.Now(), Kind: rig.Note, Text: text})
}

// Close makes outputs safe and ends the timeline; cause, if not nil, is why
// the run was cut short. It does all of that even after errors. An output that
// does not go safe is a cause too.
func (r *Run) Close(cause error) error {
	safe := errors.Join(r.guard.Safe(context.Background()), r.guard.Settle(context.Background()))
	if safe != nil {
		safe = fmt.Errorf("make outputs safe: %w", safe)
	}
	var errs []error
	for _, ev := range r.guard.Drain() {
		errs = append(errs, r.record(ev))
	}
	end := rig.Event{At: r.Now(), Kind: rig.End}
	if cause := errors.Join(cause, safe); cause != nil {
		end.Text = cause.Error()
	}
	errs = append(errs, safe, r.record(end), r.log.Close())
	return errors.Join(errs...)
}

// Do runs a script on the bench, once the interlock inputs have passed their
// self-test, and closes the run, whatever happens: an error, a panic in the
// script's runtime, or a cancelled context.
func (r *Run) Do(ctx context.Context, script func(context.Context) error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("the run loop failed: %v", p)
		}
		if ctx.Err() != nil {
			err = context.Cause(ctx)
			if !strings.HasPrefix(err.Error(), "stopped") { // whoever stops a run may say so itself
				err = fmt.Errorf("stopped: %w", err)
			}
		}
		err = errors.Join(err, r.Close(err))
	}()
	if err := r.guard.SelfTest(ctx, r.record); err != nil {
		return err
	}
	return script(ctx)
}
