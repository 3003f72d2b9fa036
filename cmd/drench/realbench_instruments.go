package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"drench/drivers/dut"
	"drench/drivers/supply"
	"drench/rig"
	"drench/rig/assembly"

	"periph.io/x/conn/v3/physic"
)

// answerWithin is how long a reading of a supply may take, settingWithin how
// long a setting may. The run loop waits for neither; a reading older than
// answerOld is none.
const (
	answerWithin  = 500 * time.Millisecond
	answerOld     = time.Second
	settingWithin = 5 * time.Second
)

func (o *opener) openSupplies(ctx context.Context) error {
	for _, s := range []struct {
		channel string
		cfg     supplySection
	}{{rig.SupplySet, o.cfg.Supply}, {rig.DipRail, o.cfg.DipSupply}} {
		if !given(&s.cfg) {
			continue
		}
		if err := o.openSupply(ctx, s.channel, s.cfg); err != nil {
			return fmt.Errorf("%s: %w", s.channel, err)
		}
	}
	return nil
}

func (o *opener) openSupply(ctx context.Context, channel string, cfg supplySection) error {
	d, err := cfg.dialect(o.rig)
	if err != nil {
		return err
	}
	s, err := supply.Dial(ctx, supply.Config{Address: cfg.Address, Dialect: d})
	if err != nil {
		return err
	}
	o.opened = append(o.opened, s)
	id, err := s.Identify(ctx)
	if err != nil {
		return err
	}
	o.notes = append(o.notes, fmt.Sprintf("wiring: %s is %v at %s", channel, id, cfg.Address))
	if err := errors.Join(s.Set(ctx, 0), s.SetCurrent(ctx, cfg.Current)); err != nil {
		return err
	}
	if cfg.OverVoltage > 0 {
		if err := s.SetProtection(ctx, supply.Protection{OverVoltage: cfg.OverVoltage}); err != nil {
			return err
		}
	}
	o.wire[channel] = answerOld
	o.set[channel] = obeyed(func(ctx context.Context, v int64) error {
		if v > int64(cfg.Most) {
			return fmt.Errorf("more than this bench allows; expected up to %v, which is most in the rig file", rig.Of(cfg.Most))
		}
		ctx, cancel := context.WithTimeout(ctx, settingWithin)
		defer cancel()
		return s.Set(ctx, v)
	})
	o.read[channel] = assembly.ReaderFunc(func(ctx context.Context) (int64, error) {
		ctx, cancel := context.WithTimeout(ctx, answerWithin)
		defer cancel()
		return s.Read(ctx)
	})
	return nil
}

// meterAnswer is how long a meter may take to answer, meterWithin with the
// time to get back in step after it took longer, once, and meterOld the age at
// which a reading is none.
const (
	meterAnswer = 200 * time.Millisecond
	meterWithin = 2 * time.Second
	meterOld    = meterWithin + meterAnswer
)

// openMeters opens the instruments that measure. They are spoken to as to a
// supply with few commands, none of which set anything.
func (o *opener) openMeters(ctx context.Context) error {
	d, err := supply.LoadDialect("minimal", "")
	if err != nil {
		return err
	}
	d.Pause, d.Answer = 0, meterAnswer
	for name, cfg := range o.cfg.Meters.channels() {
		if cfg == nil {
			continue
		}
		d.Commands.MeasureVoltage = cfg.Query
		s, err := supply.Dial(ctx, supply.Config{Address: cfg.Address, Dialect: d})
		if err != nil {
			return fmt.Errorf("meter of %s: %w", name, err)
		}
		o.opened = append(o.opened, s)
		r, _ := role(name)
		o.wire[name] = meterOld
		o.read[name] = assembly.ReaderFunc(func(ctx context.Context) (int64, error) {
			ctx, cancel := context.WithTimeout(ctx, meterWithin)
			defer cancel()
			v, err := s.Voltage(ctx)
			return measured(int64(v), r.Unit), err
		})
	}
	return nil
}

// measured turns the nano units of what a meter answers into a channel's.
func measured(nano int64, u rig.Unit) int64 {
	switch u {
	case rig.Kelvin: // from °C
		return nano + int64(physic.ZeroCelsius)
	case rig.RelHum: // from %
		return nano/1e9*int64(physic.PercentRH) + nano%1e9*int64(physic.PercentRH)/1e9
	}
	return nano
}

func (o *opener) openUART(ctx context.Context) error {
	if !given(&o.cfg.UART) {
		return nil
	}
	cfg := dut.Config(o.cfg.UART)
	if cfg.Baud == 0 {
		cfg.Baud = o.device.UART.Baud
	}
	p, err := dut.Open(ctx, cfg)
	if err != nil {
		return err
	}
	o.opened = append(o.opened, p)
	o.wire[rig.UARTLink] = settingWithin // the port is looked after every 25 ms
	o.set[rig.UARTLink] = obeyed(func(ctx context.Context, v int64) error { return hold(ctx, p, v != 0) })
	o.notes = append(o.notes, fmt.Sprintf("wiring: %s is %s at %d baud", rig.UART, cfg.Port, cfg.Baud))
	o.sources = append(o.sources, assembly.NamedSource{Name: "the DUT's UART", Source: &uartSource{port: p, id: o.id(rig.UART)}})
	return nil
}

// hold takes the DUT's UART or lets go of it. A port that is lost is opened again
// when it is back, and told of by its events: without it a run goes on.
func hold(ctx context.Context, p *dut.Port, on bool) error {
	if !on {
		return p.Release(ctx)
	}
	err := p.Reacquire(ctx)
	if err == nil || ctx.Err() != nil || errors.Is(err, dut.ErrClosed) {
		return err
	}
	return nil
}

// uartSource gives the DUT's lines as events, and what happens to its port as
// notes.
type uartSource struct {
	port *dut.Port
	id   rig.ID
	seen uint64
	next *dut.Event // after a note about those before it
}

func (c *uartSource) Next(ctx context.Context, _ rig.Instant) (rig.Event, bool, error) {
	if ev := c.next; ev != nil {
		c.next = nil
		return c.event(*ev), true, nil
	}
	select {
	case ev, ok := <-c.port.Events():
		if !ok {
			return rig.Event{}, false, dut.ErrClosed
		}
		lost := ev.Seq - c.seen - 1
		c.seen = ev.Seq
		if lost > 0 {
			c.next = &ev
			return rig.Event{At: ev.At, Kind: rig.Note, Text: fmt.Sprintf("UART: %d lines were dropped, as they came faster than they could be recorded", lost)}, true, nil
		}
		return c.event(ev), true, nil
	case <-ctx.Done():
		return rig.Event{}, false, ctx.Err()
	}
}

func (c *uartSource) event(ev dut.Event) rig.Event {
	if ev.Kind == dut.Line {
		return rig.Event{At: ev.At, Kind: rig.Line, Channel: c.id, Text: ev.Text}
	}
	return rig.Event{At: ev.At, Kind: rig.Note, Text: ev.String()}
}
