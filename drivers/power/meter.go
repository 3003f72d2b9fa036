// Package power measures what the DUT draws: the voltage of its rail, its
// current, and the energy since a run began, by a monitor on the I2C bus that
// measures over a shunt resistor.
//
// The monitor looks at the current for most of the time (Config.Coverage) and
// at the rail in between. It averages what it sees, and readings are joined by
// straight lines. So the energy of a load that is steady over a reading is as
// good as shunt and converter. One that comes in pulses shorter than a
// conversion, as of a DUT that wakes for a sample, is right in the mean of many
// pulses only: see PulseU. And what a sleeping DUT draws may be below a count
// of the converter: see Config.Resolution.
package power

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// Meter keeps the last reading and the sums. Its methods may be called from
// any goroutine and don't wait for the monitor.
type Meter struct {
	cfg     Config
	monitor *monitor // used by one goroutine at a time: Open, then Run
	now     func() rig.Instant
	checkIn int // readings until the monitor's set-up is looked at

	mu    sync.Mutex
	sum   integrator
	rail  physic.ElectricPotential
	at    rig.Instant // of rail
	peak  physic.ElectricCurrent
	over  bool    // an overload since Current was asked, peak is its current
	asked float64 // C, when Current was asked
	since time.Duration
	err   error // of the last attempt to read
}

// checkEvery is how many readings go by before the monitor's set-up is read
// back: with 16 conversions a reading, about a second.
const checkEvery = 100

// Open sets up the monitor and takes a first reading.
func Open(ctx context.Context, bus i2c.Bus, cfg Config, now func() rig.Instant) (*Meter, error) {
	for _, p := range cfg.Check() {
		return nil, fmt.Errorf("power monitor: %s; expected %s", p.What, p.Want)
	}
	cfg = cfg.withDefaults()
	mon, err := newMonitor(bus, cfg)
	if err == nil {
		err = mon.setUp()
	}
	if err != nil {
		return nil, fmt.Errorf("power monitor: %w", err)
	}
	m := &Meter{cfg: cfg, monitor: mon, now: now, checkIn: checkEvery, sum: integrator{longest: cfg.Stale}}
	select {
	case <-ctx.Done():
		return nil, fmt.Errorf("power monitor: %w", ctx.Err())
	case <-time.After(2 * cfg.Cycle()):
	}
	m.read()
	if m.err != nil {
		return nil, fmt.Errorf("power monitor: %w", m.err)
	}
	return m, nil
}

// Run reads until the context ends.
func (m *Meter) Run(ctx context.Context) {
	t := time.NewTicker(m.cfg.Every)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
			m.read()
		}
	}
}

// read takes a reading.
func (m *Meter) read() {
	var err error
	if m.checkIn--; m.checkIn <= 0 {
		err = m.monitor.verify()
		m.checkIn = checkEvery
	}
	var r reading
	if err == nil {
		r, err = m.monitor.measure()
	}
	at := m.now()
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.err = err; err != nil {
		if errors.Is(err, errReset) {
			m.sum.lose()
		}
		return
	}
	m.sum.add(at, r)
	m.rail, m.at = r.rail, at
	if r.over && (!m.over || r.current > m.peak) {
		m.over, m.peak = true, r.current
	}
}

// fresh returns an error if the last reading no longer counts.
func (m *Meter) fresh() error {
	switch {
	case m.now().Sub(m.at) <= m.cfg.Stale:
		return nil
	case m.err != nil:
		return fmt.Errorf("the power monitor has given nothing for %v: %w", m.cfg.Stale, m.err)
	}
	return fmt.Errorf("the power monitor has given nothing for %v; see that the meter runs", m.cfg.Stale)
}

// Rail is the last reading of the voltage behind the shunt.
func (m *Meter) Rail() (physic.ElectricPotential, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.rail, m.fresh()
}

// Current is the mean current since it was last asked for, or the last reading
// if there was none since. After an overload it is the highest current that
// could still be read, at the time of it: low, but high enough to trip on.
func (m *Meter) Current() (physic.ElectricCurrent, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	current := m.sum.last.current
	if dt := m.sum.sum.Measured - m.since; dt > 0 {
		current = physic.ElectricCurrent((m.sum.coulomb - m.asked) / dt.Seconds() * 1e9)
	}
	if m.over {
		current = max(current, m.peak)
	}
	m.asked, m.since = m.sum.coulomb, m.sum.sum.Measured
	m.over = false
	return current, m.fresh()
}

// Energy is what the DUT has drawn since the last Reset; an error if part of
// it was not measured. Totals has the details.
func (m *Meter) Energy() (physic.Energy, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	t, err := m.sum.totals(m.cfg.MaxCurrent)
	return t.Energy, errors.Join(err, m.fresh())
}

// Totals is what is known about the time since the last Reset.
func (m *Meter) Totals() Totals {
	m.mu.Lock()
	defer m.mu.Unlock()
	t, _ := m.sum.totals(m.cfg.MaxCurrent)
	return t
}

// Reset starts the sums anew, as for a run.
func (m *Meter) Reset() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.sum.reset()
	m.asked, m.since = 0, 0
}
