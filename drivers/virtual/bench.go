// Package virtual is the virtual bench: a discrete-event world of water, air
// and electricity around a model of the DUT. It jumps from event to event, so
// that hours pass in a second, and one seed gives one course of events, bit for
// bit, on every machine.
package virtual

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"drench/rig"
	"drench/rig/portable"
)

// Channels of the virtual bench, in the order of its table.
const (
	chDetect rig.ID = iota
	chHeartbeat
	chWitness
	chDropGate
	chEStop
	chTray
	chLid
	chReservoir
	chPumpDrip
	chPumpSpray
	chValveAir
	chHumidity
	chPlate
	chSupply
	chDipRail
	chRelayDUT
	chRelayDip
	chWake
	chReset
	chLoopTest
	chDeadman
	chRail
	chDUTCurrent
	chDUTEnergy
	chAirTemp
	chAirRH
	chPlateTemp
	chUART
	channelCount
)

// world is the bench without the rig's end of it.
type world struct {
	queue
	cfg    Config
	faults *faults
	root   *portable.Rand
	wires  *wires

	drip    *drip
	spray   *spray
	film    *film
	witness *witness
	chamber *chamber
	vessels *vessels
	safety  *safety
	supply  *source
	dipRail *source
	rail    *rail
	dut     *dut
	truth   truth
}

// rand returns the random stream of a part of the world.
func (w *world) rand(part string) *portable.Rand { return w.root.Split(part) }

// updatePumps has the pumps follow a change of their power or their water.
func (w *world) updatePumps() {
	w.drip.update()
	w.spray.update()
}

// Bench is a rig.Bench over a virtual world. Like every Bench it is used from
// one goroutine.
type Bench struct {
	w      *world
	table  []rig.Channel
	ports  [channelCount]port
	closed bool
}

// port is what the rig can do with a channel.
type port struct {
	set  func(v int64) error
	ask  func() (int64, error)
	last int64 // set last
}

// Open builds a bench around a DUT. The seed decides everything that is random:
// the errors of the rig, the scatter, the noise and the times of faults. A
// model whose lines the DUT's own patterns can't read is refused.
func Open(cfg Config, spec rig.DUT, model Model, seed uint64) (*Bench, error) {
	if err := check(cfg, spec, model); err != nil {
		return nil, err
	}
	w := &world{cfg: cfg, root: portable.NewRand(seed)}
	w.faults = newFaults(&w.queue, cfg)
	w.wires = newWires(w, int(channelCount))
	w.vessels = newVessels(w)
	w.chamber = newChamber(w)
	w.safety = newSafety(w)
	w.film = newFilm(w, model.Sensor.Area)
	w.witness = newWitness(w)
	w.drip = newDrip(w)
	w.spray = newSpray(w)
	w.supply = newSource(w, rig.SupplySet)
	w.dipRail = newSource(w, rig.DipRail)
	w.rail = newRail(w, farads(model.Capacitor))
	var err error
	if w.dut, err = newDUT(w, spec, model); err != nil {
		return nil, err
	}
	w.safety.start()
	b := &Bench{w: w}
	b.wire()
	return b, nil
}

// check refuses what can't be simulated.
func check(cfg Config, spec rig.DUT, model Model) error {
	if found := slices.Concat(cfg.Check(), model.Check()); len(found) > 0 {
		p := found[0]
		what := strings.Join(p.Path, ".") + ": " + p.What
		if p.Want != "" {
			what += "; expected " + p.Want
		}
		return errors.New(what)
	}
	s := spec.Sampling
	switch {
	case s.Period <= 0 || s.Readings < 1 || spec.Heartbeat <= 0:
		return fmt.Errorf("DUT %q: sampling period, readings and heartbeat must be above 0", spec.Name)
	case s.Conversion < 0 || s.Conversion >= s.Period:
		return fmt.Errorf("DUT %q: conversion takes %v; expected less than the sampling period of %v", spec.Name, s.Conversion, s.Period)
	case spec.DropOut <= 0 || spec.Recovery <= spec.DropOut:
		return fmt.Errorf("DUT %q: recovers at %v; expected more than its drop-out at %v", spec.Name, spec.Recovery, spec.DropOut)
	}
	return nil
}

// wire fills the table of channels.
func (b *Bench) wire() {
	b.table = make([]rig.Channel, channelCount)
	b.wireInputs()
	b.wireOutputs()
	b.wireGauges()
	b.table[chUART] = rig.Channel{Name: rig.UART, Dir: rig.Text, Unit: rig.Chars}
}

func (b *Bench) wireInputs() {
	for ch, name := range map[rig.ID]string{
		chDetect: rig.Detect, chHeartbeat: rig.Heartbeat, chWitness: rig.Witness, chDropGate: rig.DropGate,
		chEStop: rig.EStop, chTray: rig.Tray, chLid: rig.Lid, chReservoir: rig.Reservoir,
	} {
		b.table[ch] = rig.Channel{Name: name, Dir: rig.Input, Unit: rig.Level}
		b.ports[ch].ask = func() (int64, error) { return b.w.wires.level[ch], nil }
	}
}

func (b *Bench) wireOutputs() {
	w := b.w
	for _, out := range []struct {
		ch     rig.ID
		name   string
		unit   rig.Unit
		hazard rig.Hazard
		set    func(int64) error
	}{
		{chPumpDrip, rig.PumpDrip, rig.LitreRate, rig.Pump, w.drip.set},
		{chPumpSpray, rig.PumpSpray, rig.LitreRate, rig.Pump, w.spray.set},
		{chValveAir, rig.ValveAir, rig.Level, rig.Valve, w.setAir},
		{chHumidity, rig.Humidity, rig.RelHum, rig.Heat, w.chamber.setHumidity},
		{chPlate, rig.Plate, rig.Kelvin, rig.Heat, w.chamber.setPlate},
		{chSupply, rig.SupplySet, rig.Volt, rig.Supply, w.supply.set},
		{chDipRail, rig.DipRail, rig.Volt, rig.Supply, w.dipRail.set},
		{chRelayDUT, rig.RelayDUT, rig.Level, rig.Supply, w.rail.setRelay},
		{chRelayDip, rig.RelayDip, rig.Level, rig.Supply, w.rail.setDip},
		{chWake, rig.Wake, rig.Level, rig.Idle, w.dut.setWake},
		{chReset, rig.Reset, rig.Level, rig.Idle, w.dut.setReset},
		{chLoopTest, rig.LoopTest, rig.Level, rig.Idle, w.safety.setTest},
		{chDeadman, rig.Deadman, rig.Level, rig.Idle, w.safety.setDeadman},
	} {
		b.table[out.ch] = rig.Channel{Name: out.name, Dir: rig.Output, Unit: out.unit, Hazard: out.hazard}
		b.ports[out.ch] = port{set: out.set, ask: func() (int64, error) { return b.ports[out.ch].last, nil }}
	}
	b.ports[chSupply].ask = w.supply.ask
	b.ports[chDipRail].ask = w.dipRail.ask
}

func (b *Bench) wireGauges() {
	w := b.w
	for _, g := range []struct {
		ch   rig.ID
		name string
		unit rig.Unit
		ask  func() (int64, error)
	}{
		{chRail, rig.Rail, rig.Volt, w.rail.ask},
		{chDUTCurrent, rig.DUTCurrent, rig.Ampere, w.rail.askCurrent},
		{chDUTEnergy, rig.DUTEnergy, rig.Joule, w.rail.askEnergy},
		{chAirTemp, rig.AirTemp, rig.Kelvin, w.chamber.askAirTemp},
		{chAirRH, rig.AirRH, rig.RelHum, w.chamber.askRH},
		{chPlateTemp, rig.PlateTemp, rig.Kelvin, w.chamber.askPlate},
	} {
		b.table[g.ch] = rig.Channel{Name: g.name, Dir: rig.Gauge, Unit: g.unit}
		b.ports[g.ch].ask = g.ask
	}
}

func (w *world) setAir(v int64) error {
	if err := atMost(v, 1, rig.Level); err != nil {
		return err
	}
	w.film.blow(v == 1)
	return nil
}

// Channels implements rig.Bench.
func (b *Bench) Channels() []rig.Channel { return b.table }

// Now implements rig.Bench.
func (b *Bench) Now() rig.Instant { return b.w.now }

var errClosed = errors.New("the virtual bench is closed")

// Set implements rig.Bench.
func (b *Bench) Set(ctx context.Context, ch rig.ID, v int64) (rig.Instant, error) {
	if err := b.ready(ctx, ch); err != nil {
		return 0, err
	}
	p := &b.ports[ch]
	if p.set == nil {
		return 0, fmt.Errorf("%s is no output", b.table[ch].Name)
	}
	if err := p.set(v); err != nil {
		return 0, fmt.Errorf("set %s: %w", b.table[ch].Name, err)
	}
	p.last = v
	return b.w.now, nil
}

// Ask implements rig.Bench. Beyond gauges it reads the level of an input, what
// an output was set to, and the supplies' own readback.
func (b *Bench) Ask(ctx context.Context, ch rig.ID) (int64, error) {
	if err := b.ready(ctx, ch); err != nil {
		return 0, err
	}
	p := &b.ports[ch]
	if p.ask == nil {
		return 0, fmt.Errorf("%s can't be asked", b.table[ch].Name)
	}
	v, err := p.ask()
	if err != nil {
		return 0, fmt.Errorf("ask %s: %w", b.table[ch].Name, err)
	}
	return v, nil
}

func (b *Bench) ready(ctx context.Context, ch rig.ID) error {
	switch {
	case b.closed:
		return errClosed
	case int(ch) >= len(b.table):
		return fmt.Errorf("the virtual bench has no channel %d", ch)
	}
	return ctx.Err()
}

// Await implements rig.Bench: it lets the world run until the next event for
// the rig.
func (b *Bench) Await(ctx context.Context, until rig.Instant) (rig.Event, bool, error) {
	w := b.w
	for n := 0; ; n++ {
		if b.closed {
			return rig.Event{}, false, errClosed
		}
		const often = 1024
		if n%often == 0 && ctx.Err() != nil {
			return rig.Event{}, false, ctx.Err()
		}
		at := w.next()
		if ev, ok := w.wires.due(min(at, until)); ok {
			w.now = max(w.now, ev.At)
			return ev, true, nil
		}
		switch {
		case at <= until && at != rig.Never:
			w.step()
		case until == rig.Never:
			return rig.Event{}, false, errors.New("the virtual bench is at rest: nothing will happen until something is set")
		default:
			w.now = max(w.now, until)
			return rig.Event{}, false, nil
		}
	}
}

// Next is the instant of the world's next event of its own: before then no line
// changes and Await has nothing to give, unless something is set, which may
// bring it forward. Not every event shows on a line. It is rig.Never while the
// world is at rest.
func (b *Bench) Next() rig.Instant {
	at := b.w.next()
	if p := b.w.wires.pending; len(p) > 0 {
		at = min(at, p[0].At)
	}
	return at
}

// Close ends the bench; it can't be used any more.
func (b *Bench) Close() error {
	b.closed = true
	return nil
}

// atMost refuses a value below 0 or above a limit.
func atMost(v, limit int64, unit rig.Unit) error {
	if v >= 0 && v <= limit {
		return nil
	}
	return outOfRange(v, unit, fmt.Sprintf("0 to %v", rig.Quantity{N: limit, Unit: unit}))
}

func outOfRange(v int64, unit rig.Unit, want string) error {
	return fmt.Errorf("%v is out of range; expected %s", rig.Quantity{N: v, Unit: unit}, want)
}
