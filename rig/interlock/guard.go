package interlock

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"drench/rig"
)

// Beat is how often the dead-man line toggles. The hardware behind it cuts the
// pumps when toggling stops for several of these.
const Beat = 100 * time.Millisecond

// TripError is what every command gets after a trip.
type TripError struct {
	At     rig.Instant
	Reason string
}

func (e *TripError) Error() string {
	return fmt.Sprintf("interlock tripped at %v: %s; outputs are off until a person clears it", e.At, e.Reason)
}

// Guard is a bench whose outputs can be energised only while every interlock
// is healthy and within every budget. It implements rig.Bench, keeps the bench
// that it guards to itself, and does its watching inside Await: a loop that no
// longer awaits no longer toggles the dead-man line.
type Guard struct {
	bench   rig.Bench
	cfg     Config
	table   []rig.Channel
	outputs []rig.ID // in the order of a trip
	inputs  []rig.ID // interlock lines
	gauges  []gauge
	deadman rig.ID
	hasBeat bool

	value   []int64 // last commanded, by channel
	pumps   []*pump // by channel, nil for what is none
	used    float64 // nl delivered by the flows asked for, up to the last command of each pump
	beat    int64
	next    rig.Instant // of the supervisor's next pass
	polled  rig.Instant
	trip    *TripError
	pending []rig.Event
	slow    slowOrders

	tests    []rig.ID // test lines, in the order of the inputs
	testing  []rig.ID // inputs that a test line is opening now
	tested   bool     // what test lines can prove is proved
	closed   []bool   // by channel: the interlock line was seen closed last
	openings map[string]Opening

	// LastOpened says of interlock inputs when they were last seen to open, in
	// words, for SelfTest to tell; nil if nobody keeps that.
	LastOpened map[string]string
	// OnPass, if set, is called at the end of each completed pass of the
	// supervisor, about one a Beat: for a watchdog of the whole program, which
	// is then fed while this loop turns and only then. No pass is completed
	// after a trip.
	OnPass func(now rig.Instant)
}

// gauge is a value that trips when it exceeds its limit or can't be read.
type gauge struct {
	id    rig.ID
	name  string
	limit int64
	good  rig.Instant // when it was last read
}

// New guards a bench. It makes every output safe before it returns, and
// refuses a configuration that leaves a pump without an interlock.
func New(ctx context.Context, bench rig.Bench, cfg Config) (*Guard, error) {
	table := bench.Channels()
	if cfg.PumpRest <= 0 {
		cfg.PumpRest = DefaultPumpRest
	}
	g := &Guard{bench: bench, cfg: cfg, table: table, value: make([]int64, len(table)), slow: slowOrders{}, pumps: make([]*pump, len(table)),
		closed: make([]bool, len(table)), openings: map[string]Opening{}}
	if err := g.wire(); err != nil {
		return nil, err
	}
	if err := errors.Join(g.Safe(ctx), g.Settle(ctx)); err != nil {
		return nil, fmt.Errorf("make the bench safe: %w", err)
	}
	now := bench.Now()
	for i := range g.gauges {
		g.gauges[i].good = now
	}
	g.next = now
	g.pass(ctx, now)
	return g, nil
}

// wire resolves the names of the configuration.
func (g *Guard) wire() error {
	pumps := false
	for i, c := range g.table {
		if c.Dir == rig.Output && c.Name != rig.Deadman {
			g.outputs = append(g.outputs, rig.ID(i))
			if c.Hazard == rig.Pump {
				g.pumps[i], pumps = &pump{off: rig.Never}, true
			}
		}
	}
	slices.SortStableFunc(g.outputs, func(a, b rig.ID) int { return int(g.table[a].Hazard) - int(g.table[b].Hazard) })
	for _, name := range g.cfg.Inputs {
		id, ok := rig.Find(g.table, name)
		if !ok || g.table[id].Dir != rig.Input {
			return fmt.Errorf("interlock input %q is not an input line of this bench", name)
		}
		g.inputs = append(g.inputs, id)
	}
	if err := g.wireTests(); err != nil {
		return err
	}
	if pumps && (len(g.inputs) == 0 || g.cfg.PumpOn <= 0 || g.cfg.Volume <= 0) {
		return errors.New("a bench with a pump needs an interlock input and budgets for pump_on and volume; add them under interlock: in the rig file")
	}
	for _, w := range []struct {
		name  string
		limit int64
	}{{rig.DUTCurrent, int64(g.cfg.OverCurrent)}, {rig.Rail, int64(g.cfg.OverVoltage)}, {rig.PlateTemp, int64(g.cfg.OverTemp)}, {rig.AirTemp, int64(g.cfg.OverTemp)}} {
		if id, ok := rig.Find(g.table, w.name); ok && w.limit > 0 {
			g.gauges = append(g.gauges, gauge{id: id, name: w.name, limit: w.limit})
		}
	}
	if id, ok := rig.Find(g.table, rig.SupplySet); ok { // asked only to see that its link lives
		g.gauges = append(g.gauges, gauge{id: id, name: rig.SupplySet, limit: math.MaxInt64})
	}
	g.deadman, g.hasBeat = rig.Find(g.table, rig.Deadman)
	return nil
}

// Channels implements rig.Bench.
func (g *Guard) Channels() []rig.Channel { return g.table }

// Now implements rig.Bench.
func (g *Guard) Now() rig.Instant { return g.bench.Now() }

// Ask implements rig.Bench.
func (g *Guard) Ask(ctx context.Context, ch rig.ID) (int64, error) { return g.bench.Ask(ctx, ch) }

// Tripped returns the latched trip, or nil.
func (g *Guard) Tripped() *TripError { return g.trip }

// Set drives an output if that is allowed now. Setting an output to 0 is
// always allowed. The dead-man line is the supervisor's own.
func (g *Guard) Set(ctx context.Context, ch rig.ID, v int64) (rig.Instant, error) {
	if int(ch) >= len(g.table) || g.table[ch].Dir != rig.Output {
		return 0, fmt.Errorf("channel %d is not an output", ch)
	}
	if ch == g.deadman && g.hasBeat {
		return 0, errors.New("the dead-man line belongs to the interlock supervisor")
	}
	if slices.Contains(g.tests, ch) {
		return 0, errors.New("the interlock's test lines belong to its supervisor")
	}
	now := g.bench.Now()
	if v != 0 {
		if err := ctx.Err(); err != nil {
			return 0, err
		}
		g.pass(ctx, now)
		if g.trip != nil {
			return 0, g.trip
		}
		if !g.tested {
			return 0, errors.New("nothing is energised before the self-test of the interlock inputs")
		}
	} else if g.trip == nil && now >= g.budgetEnd(now) { // the loop hung while a pump ran
		g.overBudget(now)
	}
	// What is begun is carried out: that a run is being stopped is no fault of
	// the output, and no reason to leave it on.
	ctx = context.WithoutCancel(ctx)
	if v < 0 {
		return 0, fmt.Errorf("output %s can't be set to a negative value", g.table[ch].Name)
	}
	at, err := g.bench.Set(ctx, ch, v)
	if err != nil {
		g.failed(ch, v, err)
		err = fmt.Errorf("set %s: %w", g.table[ch].Name, err)
		g.tripNow(now, "an output does not obey: "+err.Error())
		return 0, err
	}
	if at == rig.Pending {
		if g.slow.give(ch, v, true); v != 0 {
			g.account(ch, v, now)
		}
		return at, nil
	}
	g.account(ch, v, at)
	return at, nil
}

// Await implements rig.Bench: it returns the bench's next event, or one of the
// supervisor's own (a trip, the commands that made outputs safe), and does a
// supervisor's pass whenever one is due.
func (g *Guard) Await(ctx context.Context, until rig.Instant) (rig.Event, bool, error) {
	for {
		if len(g.pending) > 0 {
			ev := g.pending[0]
			g.pending = g.pending[1:]
			return ev, true, nil
		}
		if g.trip != nil {
			return rig.Event{}, false, g.trip
		}
		if err := ctx.Err(); err != nil {
			return rig.Event{}, false, err
		}
		// A bench hands out what it has queued, however late it is: a storm of
		// edges must not keep the supervisor from its turn.
		if now := g.bench.Now(); now > g.next {
			g.pass(ctx, now)
			if g.trip != nil {
				continue
			}
		}
		ev, ok, err := g.bench.Await(ctx, min(until, g.next))
		if err != nil {
			if !g.disobeyed(err) && ctx.Err() == nil {
				g.tripNow(g.bench.Now(), "the bench failed: "+err.Error())
			}
			return rig.Event{}, false, err
		}
		if ok {
			if ev.Kind == rig.Command && !g.obeyed(ev) {
				continue
			}
			g.observe(ctx, ev)
			return ev, true, nil
		}
		now := g.bench.Now()
		if now >= g.next {
			g.pass(ctx, now)
		}
		if now >= until && g.trip == nil {
			return rig.Event{}, false, nil
		}
	}
}

// observe trips at once on an interlock line's edge, unless a test makes it.
// Where its edges were lost, it looks at the line at once.
func (g *Guard) observe(ctx context.Context, ev rig.Event) {
	switch {
	case !slices.Contains(g.inputs, ev.Channel):
	case ev.Kind == rig.Edge:
		g.level(ev.Channel, ev.Value, ev.At)
		if ev.Value == 0 && !slices.Contains(g.testing, ev.Channel) {
			g.tripNow(ev.At, opened(g.table[ev.Channel].Name))
		}
	case ev.Kind == rig.Gap:
		g.polled = 0
		g.pass(ctx, g.bench.Now())
	}
}

// pass is one turn of the supervisor: dead-man, budgets, lines, gauges.
func (g *Guard) pass(ctx context.Context, now rig.Instant) {
	if g.trip != nil {
		return
	}
	ctx = context.WithoutCancel(ctx) // a stop in the middle must not look like a lost line
	if now >= g.budgetEnd(now) {
		g.overBudget(now)
		return
	}
	if g.polled == 0 || now.Sub(g.polled) >= g.cfg.Poll {
		g.polled = now
		if g.poll(ctx, now); g.trip != nil {
			return
		}
	}
	if now < g.next {
		return
	}
	if g.hasBeat {
		g.beat ^= 1
		if _, err := g.bench.Set(ctx, g.deadman, g.beat); err != nil {
			g.failed(g.deadman, g.beat, err)
			g.tripNow(now, "the dead-man line does not obey: "+err.Error())
			return
		}
	}
	g.next = min(now.Add(Beat), g.budgetEnd(now))
	if g.OnPass != nil {
		g.OnPass(now)
	}
}

// poll reads interlock lines and gauges; what can't be read for too long is a
// trip.
func (g *Guard) poll(ctx context.Context, now rig.Instant) {
	for _, id := range g.inputs {
		if slices.Contains(g.testing, id) {
			continue
		}
		v, err := g.bench.Ask(ctx, id)
		if err != nil {
			g.tripNow(now, fmt.Sprintf("interlock line %s can't be read: %v", g.table[id].Name, err))
			return
		}
		if g.level(id, v, now); v == 0 {
			g.tripNow(now, opened(g.table[id].Name))
			return
		}
	}
	for i := range g.gauges {
		w := &g.gauges[i]
		v, err := g.bench.Ask(ctx, w.id)
		switch {
		case err != nil && now.Sub(w.good) >= g.cfg.Stale:
			g.tripNow(now, fmt.Sprintf("%s has not answered for %v: %v", w.name, g.cfg.Stale, err))
			return
		case err != nil:
		case v > w.limit:
			u := g.table[w.id].Unit
			g.tripNow(now, fmt.Sprintf("%s reads %v, over its limit of %v", w.name, rig.Quantity{N: v, Unit: u}, rig.Quantity{N: w.limit, Unit: u}))
			return
		default:
			w.good = now
		}
	}
}

// opened says what an interlock line at 0 means.
func opened(line string) string {
	meaning := map[string]string{
		rig.EStop: "emergency stop pressed", rig.Tray: "water in the tray", rig.Lid: "lid open", rig.Reservoir: "reservoir low",
	}[line]
	if meaning == "" {
		meaning = line + " opened"
	}
	return meaning + " (or its wire is broken)"
}

// Trip stops the bench for a reason found outside the supervisor.
func (g *Guard) Trip(reason string) { g.tripNow(g.bench.Now(), reason) }

// tripNow latches the first trip and makes outputs safe. It uses a context of
// its own: a cancelled run must still be made safe.
func (g *Guard) tripNow(at rig.Instant, reason string) {
	if g.trip != nil {
		return
	}
	g.trip = &TripError{at, reason}
	g.pending = append(g.pending, rig.Event{At: at, Kind: rig.Trip, Text: reason})
	_ = g.Safe(context.Background()) // what does not obey is told by its event
}

// failed tells the run that an output did not do as it was told.
func (g *Guard) failed(ch rig.ID, v int64, err error) {
	g.pending = append(g.pending, rig.Event{At: g.bench.Now(), Kind: rig.Failed, Channel: ch, Value: v, Text: err.Error()})
}

// Safe sets every output to 0 in the order pumps, valves, heat, supply, the
// rest. It tries them all, whatever fails, and even if ctx is cancelled.
func (g *Guard) Safe(ctx context.Context) error {
	ctx = context.WithoutCancel(ctx)
	var errs []error
	for _, id := range g.outputs {
		at, err := g.bench.Set(ctx, id, 0)
		if err != nil {
			g.failed(id, 0, err)
			errs = append(errs, fmt.Errorf("set %s to 0: %w", g.table[id].Name, err))
			continue
		}
		if at == rig.Pending {
			g.slow.give(id, 0, g.value[id] != 0)
			continue
		}
		if g.value[id] != 0 {
			g.pending = append(g.pending, rig.Event{At: at, Kind: rig.Command, Channel: id})
		}
		g.account(id, 0, at)
	}
	return errors.Join(errs...)
}

// Drain returns the supervisor's events that Await has not handed out.
func (g *Guard) Drain() []rig.Event {
	p := g.pending
	g.pending = nil
	return p
}
