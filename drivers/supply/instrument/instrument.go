// Package instrument is a programmable supply made of software: it speaks
// SCPI-1999 over IEEE 488.2 as those standards have it, has an output that
// slews, settles, limits its current and trips, and can be told to misbehave
// on the line. It stands in for a supply where there is none.
//
// It is written to the standards and not to any client of this project, so
// that a client tested against it is tested against them. Clauses are given
// where they are known; "from memory" marks what was not looked up.
//
// All links to an instrument share its state, status registers and error
// queue, as several links to one real instrument do.
package instrument

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"strings"
	"sync"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// Load is what hangs on the output: the current that flows at a voltage. It
// must not fall as the voltage rises. It is called with the instrument locked.
type Load func(physic.ElectricPotential) physic.ElectricCurrent

// Volts is what a voltage may be set to.
type Volts struct{ Min, Max, Reset, Step physic.ElectricPotential }

// Amperes is what a current may be set to.
type Amperes struct{ Min, Max, Reset, Step physic.ElectricCurrent }

// Config describes an instrument. Start from [Bench].
type Config struct {
	// Identity is the answer to *IDN?: maker, model, serial number, firmware.
	Identity [4]string

	Voltage     Volts // Reset is the value after *RST
	Current     Amperes
	OverVoltage Volts // protection; armed after *RST
	OverCurrent Amperes

	SlewUp, SlewDown rig.Slew
	// Settle is the time constant with which the output nears its level once
	// the slew no longer limits it.
	Settle time.Duration
	// Band is how near the level the output is when an operation is complete.
	Band physic.ElectricPotential

	// NoiseV and NoiseA are the standard deviations of a reading.
	NoiseV physic.ElectricPotential
	NoiseA physic.ElectricCurrent
	Seed   uint64

	Queue int // entries of the error queue, 2 or more
	Input int // bytes of the input buffer, 64 or more

	Load  Load  // nil: nothing is connected
	Clock Clock // nil: the machine's
}

// Bench returns a supply of 30 V and 3 A such as a laboratory has, with
// nothing connected to it.
func Bench() Config {
	return Config{
		Identity:    [4]string{"drench", "simulated supply", "0", "1.0"},
		Voltage:     Volts{Max: 30 * physic.Volt, Step: physic.MilliVolt},
		Current:     Amperes{Max: 3 * physic.Ampere, Reset: 3 * physic.Ampere, Step: physic.MilliAmpere},
		OverVoltage: Volts{Min: physic.Volt, Max: 33 * physic.Volt, Reset: 33 * physic.Volt, Step: 10 * physic.MilliVolt},
		OverCurrent: Amperes{Max: 3300 * physic.MilliAmpere, Reset: 3300 * physic.MilliAmpere, Step: physic.MilliAmpere},
		SlewUp:      500 * rig.VoltPerSec,
		SlewDown:    100 * rig.VoltPerSec,
		Settle:      2 * time.Millisecond,
		Band:        physic.MilliVolt,
		NoiseV:      200 * physic.MicroVolt,
		NoiseA:      20 * physic.MicroAmpere,
		Queue:       16,
		Input:       1024,
	}
}

// Instrument is a simulated supply. Its methods may be called at once from
// several goroutines.
type Instrument struct {
	cfg      Config
	clock    Clock
	commands []command
	faults   faults
	links    links

	mu      sync.Mutex // never held while the clock is awaited
	noise   *rand.Rand
	out     output
	status  status
	display string
}

// New returns an instrument as it is after power-up: output off, the power-on
// bit set in the event status register.
func New(cfg Config) (*Instrument, error) {
	if err := cfg.check(); err != nil {
		return nil, fmt.Errorf("make a simulated supply: %w", err)
	}
	in := &Instrument{cfg: cfg, clock: cfg.Clock, commands: table()}
	if in.clock == nil {
		in.clock = machine{}
	}
	in.noise = rand.New(rand.NewPCG(cfg.Seed, 0))
	in.faults.noise = rand.New(rand.NewPCG(cfg.Seed, 1))
	in.out = newOutput(cfg, in.clock.Now())
	in.status.powerUp()
	in.observe()
	return in, nil
}

func (c Config) check() error {
	rules := []struct {
		ok   bool
		what string
	}{
		{c.Voltage.ok(), "Voltage: Min ≤ Reset ≤ Max and a Step over 0"},
		{c.Current.ok(), "Current: Min ≤ Reset ≤ Max and a Step over 0"},
		{c.OverVoltage.ok(), "OverVoltage: Min ≤ Reset ≤ Max and a Step over 0"},
		{c.OverCurrent.ok(), "OverCurrent: Min ≤ Reset ≤ Max and a Step over 0"},
		{c.SlewUp > 0 && c.SlewDown > 0, "SlewUp and SlewDown over 0"},
		{c.Settle >= 0 && c.Band > 0, "Settle of 0 or more and a Band over 0"},
		{c.NoiseV >= 0 && c.NoiseA >= 0, "NoiseV and NoiseA of 0 or more"},
		{c.Queue >= 2, "a Queue of 2 or more"},
		{c.Input >= 64, "an Input of 64 or more"},
		{plainFields(c.Identity), "an Identity of four texts without control characters, commas and semicolons"},
	}
	for _, r := range rules {
		if !r.ok {
			return fmt.Errorf("expected %s", r.what)
		}
	}
	return nil
}

func (v Volts) ok() bool   { return v.Min <= v.Reset && v.Reset <= v.Max && v.Step > 0 }
func (a Amperes) ok() bool { return a.Min <= a.Reset && a.Reset <= a.Max && a.Step > 0 }

// plainFields tells whether each text may be a field of the answer to *IDN?,
// which is ASCII without comma and semicolon (IEEE 488.2, 10.14.3, from memory).
func plainFields(fields [4]string) bool {
	for _, f := range fields {
		if f == "" || strings.ContainsFunc(f, func(r rune) bool { return r < ' ' || r > '~' || r == ',' || r == ';' }) {
			return false
		}
	}
	return true
}

// Exec executes one program message, without its terminator, and returns the
// response message, without its terminator, or "". It waits on the clock where
// the message does (*OPC?, *WAI).
func (in *Instrument) Exec(ctx context.Context, message string) (string, error) {
	return in.execute(ctx, []byte(message))
}

// Mode says what the output regulates.
type Mode uint8

// Modes of the output.
const (
	Off             Mode = iota // not on, or tripped
	ConstantVoltage             // at its level, or on the way to it
	ConstantCurrent             // the current limit holds the voltage down
	Tripped                     // a protection has switched it off
)

// Output returns what is at the terminals now, without the error of a reading.
func (in *Instrument) Output() (physic.ElectricPotential, physic.ElectricCurrent, Mode) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.observe()
	v, i, limited := in.out.terminals()
	mode := ConstantVoltage
	switch {
	case in.out.tripped():
		mode = Tripped
	case !in.out.on:
		mode = Off
	case limited:
		mode = ConstantCurrent
	}
	return potential(v), current(i), mode
}

// Connect puts another load on the output; nil takes it away.
func (in *Instrument) Connect(l Load) {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.observe()
	in.out.connect(l)
	in.observe()
}

// PowerCycle switches the instrument off and on again: every link is cut and
// all state is as after power-up. The output falls as fast as it can.
func (in *Instrument) PowerCycle() {
	in.mu.Lock()
	in.observe()
	in.out.reset()
	in.status = status{}
	in.status.powerUp()
	in.display = ""
	in.observe()
	in.mu.Unlock()
	in.Cut()
}

// observe brings output and condition registers up to now. Callers hold mu.
func (in *Instrument) observe() {
	now := in.clock.Now()
	in.out.advance(now)
	in.status.condition(&in.out)
	if in.out.settled(now) {
		in.status.complete()
	}
}

// await waits until no operation is pending. Callers hold mu, which is let go
// meanwhile.
func (in *Instrument) await(ctx context.Context) error {
	for {
		in.observe()
		d := in.out.due.Sub(in.clock.Now())
		if d <= 0 {
			return nil
		}
		in.mu.Unlock()
		err := in.clock.Sleep(ctx, d)
		in.mu.Lock()
		if err != nil {
			return fmt.Errorf("wait for pending operations: %w", err)
		}
	}
}

// report puts an error into queue and event status register. Callers hold mu.
func (in *Instrument) report(e *event) { in.status.report(e, in.cfg.Queue) }

// Cut closes every link that can be closed, as pulling the cables does.
func (in *Instrument) Cut() { in.links.cut() }

// links are the open links.
type links struct {
	mu   sync.Mutex
	open map[*io.Closer]struct{}
}

func (l *links) add(c io.Closer) (remove func()) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.open == nil {
		l.open = map[*io.Closer]struct{}{}
	}
	l.open[&c] = struct{}{}
	return func() {
		l.mu.Lock()
		defer l.mu.Unlock()
		delete(l.open, &c)
	}
}

func (l *links) cut() {
	l.mu.Lock()
	defer l.mu.Unlock()
	for c := range l.open {
		(*c).Close() // a link that is closed already is cut as well
	}
}
