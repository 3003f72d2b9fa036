package power

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"drench/rig/config"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/mmr"
	"periph.io/x/conn/v3/physic"
)

// monitor is a shunt and bus voltage converter with 16-bit registers, high
// byte first (from memory of such data sheets):
//
//	0 configuration  bit 15 reset; 13 rail range; 12-11 shunt range;
//	                 10-7 rail conversion; 6-3 shunt conversion; 2-0 mode,
//	                 7 = shunt and rail in turn, for ever
//	1 shunt voltage  10 uV a count, two's complement
//	2 rail voltage   bits 15-3, 4 mV a count; bit 1 a result is there;
//	                 bit 0 the monitor's own arithmetic overflowed
//	5 calibration    scales that arithmetic; bit 0 is always 0; 0 after a reset
//
// The current is worked out here, from the shunt voltage: the monitor's own
// current register adds a rounding, and reads 0 after a reset without a word.
// Its arithmetic is still set up, so that the overflow bit stands for more than
// MaxCurrent, and the calibration register shows a reset.
type monitor struct {
	reg           mmr.Dev8
	configuration uint16
	calibration   uint16
	shunt, rail   span
	cfg           Config
}

const (
	regConfiguration = 0
	regShunt         = 1
	regRail          = 2
	regCalibration   = 5

	resetBit    = 0x8000
	forEver     = 0x0007
	readyBit    = 0x0002
	overflowBit = 0x0001
)

var (
	errNotReady = errors.New("the monitor has no result yet")
	errReset    = errors.New("the monitor had been reset; see that its own supply does not dip with the DUT's")
)

func newMonitor(bus i2c.Bus, cfg Config) (*monitor, error) {
	addr, err := config.I2CAddress(cfg.Address)
	if err != nil {
		return nil, err
	}
	m := &monitor{reg: mmr.Dev8{Conn: &i2c.Dev{Bus: bus, Addr: addr}, Order: binary.BigEndian}, cfg: cfg}
	m.shunt, _ = fit(shuntSpans, shuntCount, cfg.drop(cfg.MaxCurrent))
	m.rail, _ = fit(railSpans, railCount, cfg.MaxVoltage)
	v, _ := cfg.conversion()
	m.configuration = m.rail.code | m.shunt.code | conversions[0].code<<7 | v.code<<3 | forEver
	m.calibration = calibration(cfg)
	return m, nil
}

// calibration makes the monitor's current register overflow at MaxCurrent:
// 0.04096 V / (MaxCurrent / 2^15 x shunt), cut to the register.
func calibration(cfg Config) uint16 {
	const scale = 0.04096 * (1 << 15)
	return uint16(min(scale/(float64(cfg.drop(cfg.MaxCurrent))/1e9), math.MaxUint16)) &^ 1
}

// setUp resets and configures the monitor.
func (m *monitor) setUp() error {
	for _, w := range []struct {
		reg   uint8
		value uint16
	}{{regConfiguration, resetBit}, {regConfiguration, m.configuration}, {regCalibration, m.calibration}} {
		if err := m.reg.WriteUint16(w.reg, w.value); err != nil {
			return fmt.Errorf("write register %d of the monitor at %s: %w", w.reg, m.cfg.Address, err)
		}
	}
	got, err := m.read(regConfiguration)
	if err == nil && got != m.configuration {
		err = fmt.Errorf("the part at %s keeps %#04x as its configuration instead of %#04x; it is no such monitor, correct address in the rig file", m.cfg.Address, got, m.configuration)
	}
	return err
}

func (m *monitor) read(reg uint8) (uint16, error) {
	v, err := m.reg.ReadUint16(reg)
	if err != nil {
		return 0, fmt.Errorf("read register %d of the monitor at %s: %w", reg, m.cfg.Address, err)
	}
	return v, nil
}

// reading is what the monitor measured.
type reading struct {
	rail    physic.ElectricPotential
	current physic.ElectricCurrent
	// over says that current or rail are at least that, or that the current is
	// more than it was ever meant to be.
	over bool
}

// measure fetches the last result.
func (m *monitor) measure() (reading, error) {
	rail, err := m.read(regRail)
	if err != nil {
		return reading{}, err
	}
	if rail&readyBit == 0 {
		return reading{}, errNotReady
	}
	raw, err := m.read(regShunt)
	if err != nil {
		return reading{}, err
	}
	volts, shunt := int32(rail>>3), int32(int16(raw))
	return reading{
		rail: physic.ElectricPotential(volts) * railCount,
		// nV / nOhm = A; the largest product is 3.3e17.
		current: physic.ElectricCurrent(int64(shunt)*int64(shuntCount)*1e9/int64(m.cfg.Shunt)) - m.cfg.Zero,
		over:    rail&overflowBit != 0 || max(shunt, -shunt) >= m.shunt.counts || volts >= m.rail.counts,
	}, nil
}

// verify sets the monitor up again if it has been reset, which is an errReset.
func (m *monitor) verify() error {
	got, err := m.read(regCalibration)
	if err != nil || got == m.calibration {
		return err
	}
	return errors.Join(errReset, m.setUp())
}
