package power

import (
	"errors"
	"strings"
	"testing"

	"periph.io/x/conn/v3/i2c/i2ctest"
	"periph.io/x/conn/v3/physic"
)

var good = Config{
	Bus: "1", Address: "0x40", Shunt: 100 * physic.MilliOhm,
	MaxCurrent: 400 * physic.MilliAmpere, MaxVoltage: 5 * physic.Volt,
}

// write and read are the transactions of a register.
func write(reg byte, v uint16) i2ctest.IO {
	return i2ctest.IO{Addr: 0x40, W: []byte{reg, byte(v >> 8), byte(v)}}
}

func read(reg byte, v uint16) i2ctest.IO {
	return i2ctest.IO{Addr: 0x40, W: []byte{reg}, R: []byte{byte(v >> 8), byte(v)}}
}

func playback(ops ...i2ctest.IO) *i2ctest.Playback {
	return &i2ctest.Playback{Ops: ops, DontPanic: true}
}

// The register values are composed by hand from the bits that the type's
// comment lists; 0x399f is what such monitors have after a reset (from memory).
func TestSetUp(t *testing.T) {
	for _, c := range []struct {
		name                       string
		cfg                        Config
		configuration, calibration uint16
	}{
		{"0.1 ohm, 400 mA: 40 mV", good, 0x01e7, 33554},
		{"that of a reset", Config{Bus: "1", Address: "0x40", Shunt: 100 * physic.MilliOhm, MaxCurrent: 3200 * physic.MilliAmpere,
			MaxVoltage: 32 * physic.Volt, Average: 1}, 0x399f, 4194},
		// A data sheet's example: 2 mOhm and 1 mA a count give 0x5000 (from
		// memory); 1 mA x 2^15 is 32.768 A.
		{"2 mohm, 32.768 A", Config{Bus: "1", Address: "0x40", Shunt: 2 * physic.MilliOhm, MaxCurrent: 32768 * physic.MilliAmpere,
			MaxVoltage: 16 * physic.Volt, Average: 128}, 0x09ff, 0x5000},
		// 20 uA a count with 0.1 ohm as well (from memory).
		{"0.1 ohm, 655.36 mA", Config{Bus: "1", Address: "0x40", Shunt: 100 * physic.MilliOhm, MaxCurrent: 655360 * physic.MicroAmpere,
			MaxVoltage: 5 * physic.Volt, Average: 2}, 0x09cf, 20480},
		{"so little that the register ends", Config{Bus: "1", Address: "0x40", Shunt: 100 * physic.MilliOhm, MaxCurrent: 10 * physic.MilliAmpere,
			MaxVoltage: 5 * physic.Volt, Average: 64}, 0x01f7, 0xfffe},
	} {
		t.Run(c.name, func(t *testing.T) {
			if p := c.cfg.Check(); p != nil {
				t.Fatal(p)
			}
			bus := playback(write(0, 0x8000), write(0, c.configuration), write(5, c.calibration), read(0, c.configuration))
			m, err := newMonitor(bus, c.cfg)
			if err != nil {
				t.Fatal(err)
			}
			if err := errors.Join(m.setUp(), bus.Close()); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestSetUpErrors(t *testing.T) {
	for _, c := range []struct {
		name string
		ops  []i2ctest.IO
		want string
	}{
		{"nobody there", nil, "write register 0 of the monitor at 0x40"},
		{"gone before the calibration", []i2ctest.IO{write(0, 0x8000), write(0, 0x01e7)}, "write register 5"},
		{"gone before it is read back", []i2ctest.IO{write(0, 0x8000), write(0, 0x01e7), write(5, 33554)}, "read register 0"},
		{"another part", []i2ctest.IO{write(0, 0x8000), write(0, 0x01e7), write(5, 33554), read(0, 0xffff)}, "no such monitor"},
	} {
		m, err := newMonitor(playback(c.ops...), good)
		if err != nil {
			t.Fatal(err)
		}
		if err := m.setUp(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q", c.name, err, c.want)
		}
	}
	if _, err := newMonitor(nil, Config{}); err == nil {
		t.Error("made without an address")
	}
}

func TestMeasure(t *testing.T) {
	big := good // the data sheet's example again
	big.Shunt, big.MaxCurrent, big.MaxVoltage = 2*physic.MilliOhm, 15*physic.Ampere, 16*physic.Volt
	zeroed := good
	zeroed.Zero = 200 * physic.MicroAmpere
	wide := good
	wide.MaxCurrent, wide.MaxVoltage = 3200*physic.MilliAmpere, 32*physic.Volt
	for _, c := range []struct {
		name        string
		cfg         Config
		rail, shunt uint16
		want        reading
	}{
		// 0x5d98 is 11.98 V and 0x07d0 is 20 mV, which is 10 A (from memory).
		{"data sheet's example", big, 0x5d98 | 2, 0x07d0, reading{11980 * physic.MilliVolt, 10 * physic.Ampere, false}},
		{"nothing", good, 0x0002, 0x0000, reading{}},
		{"a count of each", good, 0x000a, 0x0001, reading{4 * physic.MilliVolt, 100 * physic.MicroAmpere, false}},
		{"3.3 V, 20 mA", good, 825<<3 | 2, 200, reading{3300 * physic.MilliVolt, 20 * physic.MilliAmpere, false}},
		{"bit 2 means nothing", good, 825<<3 | 6, 200, reading{3300 * physic.MilliVolt, 20 * physic.MilliAmpere, false}},
		{"back-feed", good, 825<<3 | 2, 0xffff, reading{3300 * physic.MilliVolt, -100 * physic.MicroAmpere, false}},
		{"zero subtracted", zeroed, 825<<3 | 2, 200, reading{3300 * physic.MilliVolt, 19800 * physic.MicroAmpere, false}},
		{"overflow", good, 825<<3 | 3, 200, reading{3300 * physic.MilliVolt, 20 * physic.MilliAmpere, true}},
		{"just in range", good, 825<<3 | 2, 3999, reading{3300 * physic.MilliVolt, 399900 * physic.MicroAmpere, false}},
		{"end of range", good, 825<<3 | 2, 4000, reading{3300 * physic.MilliVolt, 400 * physic.MilliAmpere, true}},
		{"end of range, backwards", good, 825<<3 | 2, 0xf060, reading{3300 * physic.MilliVolt, -400 * physic.MilliAmpere, true}},
		{"end of the rail's range", good, 4000<<3 | 2, 200, reading{16 * physic.Volt, 20 * physic.MilliAmpere, true}},
		{"a wide range", wide, 4000<<3 | 2, 31999, reading{16 * physic.Volt, 3199900 * physic.MicroAmpere, false}},
		{"all bits", wide, 0xfffa, 0x8000, reading{32764 * physic.MilliVolt, -3276800 * physic.MicroAmpere, true}},
	} {
		bus := playback(read(2, c.rail), read(1, c.shunt))
		m, err := newMonitor(bus, c.cfg)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := m.measure(); err != nil || got != c.want {
			t.Errorf("%s: got %+v, %v; want %+v", c.name, got, err, c.want)
		}
		if err := bus.Close(); err != nil {
			t.Error(err)
		}
	}
}

func TestMeasureErrors(t *testing.T) {
	for _, c := range []struct {
		name string
		ops  []i2ctest.IO
		want string
	}{
		{"no result yet", []i2ctest.IO{read(2, 825<<3)}, "no result yet"},
		{"no rail", nil, "register 2"},
		{"no shunt", []i2ctest.IO{read(2, 825<<3|2)}, "register 1"},
	} {
		m, err := newMonitor(playback(c.ops...), good)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := m.measure(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q", c.name, err, c.want)
		}
	}
}

func TestVerify(t *testing.T) {
	for _, c := range []struct {
		name  string
		ops   []i2ctest.IO
		reset bool
		want  string
	}{
		{"as it was", []i2ctest.IO{read(5, 33554)}, false, ""},
		{"reset", []i2ctest.IO{read(5, 0), write(0, 0x8000), write(0, 0x01e7), write(5, 33554), read(0, 0x01e7)}, true, "had been reset"},
		{"reset, and gone", []i2ctest.IO{read(5, 0)}, true, "write register 0"},
		{"gone", nil, false, "read register 5"},
	} {
		bus := playback(c.ops...)
		m, err := newMonitor(bus, good)
		if err != nil {
			t.Fatal(err)
		}
		err = m.verify()
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) || errors.Is(err, errReset) != c.reset {
			t.Errorf("%s: got %v, want %q", c.name, err, c.want)
		}
		if err := bus.Close(); err != nil {
			t.Error(err)
		}
	}
}
