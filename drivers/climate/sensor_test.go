package climate

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"testing/synctest"

	"periph.io/x/conn/v3/i2c/i2ctest"
	"periph.io/x/conn/v3/physic"
	"pgregory.net/rapid"
)

var errBus = errors.New("no acknowledge")

// Check values of CRC-8 with polynomial 0x31 started at 0xFF: 0x92 from data
// sheets of such sensors, 0xF7 from the catalogue of parametrised CRC
// algorithms, there CRC-8/NRSC-5 (both from memory).
func TestCRC(t *testing.T) {
	for _, c := range []struct {
		data string
		want byte
	}{
		{"\xbe\xef", 0x92},
		{"123456789", 0xf7},
	} {
		if got := crc8([]byte(c.data)); got != c.want {
			t.Errorf("%q: got %#x, want %#x", c.data, got, c.want)
		}
	}
}

// It finds what a CRC of 8 bits finds: each burst of up to 8 bits.
func TestCRCFindsBursts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		data := rapid.Uint16().Draw(t, "data")
		burst := uint32(rapid.IntRange(1, 255).Draw(t, "burst")) << rapid.IntRange(0, 16).Draw(t, "at")
		sent := uint32(data)<<8 | uint32(crc8([]byte{byte(data >> 8), byte(data)}))
		got := sent ^ burst
		if _, err := word([]byte{byte(got >> 16), byte(got >> 8), byte(got)}); err == nil {
			t.Fatalf("%#06x for %#06x was accepted", got, sent)
		}
	})
}

// measurement is the transaction of a data sheet, with the answer given.
func measurement(answer ...byte) []i2ctest.IO {
	return []i2ctest.IO{{Addr: 0x44, W: []byte{0x24, 0x00}}, {Addr: 0x44, R: answer}}
}

// checked puts its checksum after each pair of bytes.
func checked(words ...uint16) []byte {
	var b []byte
	for _, w := range words {
		pair := []byte{byte(w >> 8), byte(w)}
		b = append(b, pair[0], pair[1], crc8(pair))
	}
	return b
}

func TestAirSensor(t *testing.T) {
	for _, c := range []struct {
		name   string
		answer []byte
		temp   float64 // °C
		rh     float64 // %
		err    string
	}{
		// By the formulas: 0x6666 is 0.4 of 0xFFFF, 0x3333 a fifth.
		{"25 °C, 40 %", checked(0x6666, 0x6666), 25, 40, ""},
		{"-10 °C, 20 %", checked(0x3333, 0x3333), -10, 20, ""},
		{"least", checked(0, 0), -45, 0, ""},
		{"most", checked(0xffff, 0xffff), 130, 100, ""},
		{"the words of the checksum's example", []byte{0xbe, 0xef, 0x92, 0xbe, 0xef, 0x92}, -45 + 175*48879./65535, 100 * 48879. / 65535, ""},
		{"temperature spoilt", []byte{0xbe, 0xee, 0x92, 0xbe, 0xef, 0x92}, 0, 0, "checksum"},
		{"humidity spoilt", []byte{0xbe, 0xef, 0x92, 0xbe, 0xef, 0x93}, 0, 0, "checksum"},
		{"bus held low", make([]byte, 6), 0, 0, "checksum"},
		{"bus held high", []byte{0xff, 0xff, 0xff, 0xff, 0xff, 0xff}, 0, 0, "checksum"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				bus := &i2ctest.Playback{Ops: measurement(c.answer...), DontPanic: true}
				s, err := NewAirSensor(bus, AirConfig{Address: "0x44"})
				if err != nil {
					t.Fatal(err)
				}
				got, err := s.Read(t.Context())
				if (err == nil) != (c.err == "") || err != nil && !strings.Contains(err.Error(), c.err) {
					t.Fatalf("got %v, want %q", err, c.err)
				}
				if err == nil && (math.Abs(got.Temp.Celsius()-c.temp) > 1e-8 || math.Abs(float64(got.RH)/float64(physic.PercentRH)-c.rh) > 1e-5) {
					t.Errorf("got %v, %v; want %v °C, %v %%", got.Temp, got.RH, c.temp, c.rh)
				}
				if err := bus.Close(); err != nil {
					t.Error(err)
				}
			})
		})
	}
}

func TestAirSensorFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for n := range 2 { // with the first transfer, with the second
			bus := &i2ctest.Playback{Ops: measurement()[:n], DontPanic: true}
			s, err := NewAirSensor(bus, AirConfig{Address: "0x44"})
			if err != nil {
				t.Fatal(err)
			}
			if _, err := s.Read(t.Context()); err == nil || !strings.Contains(err.Error(), "at 0x44") {
				t.Errorf("transfer %d: got %v", n, err)
			}
		}
		ended, cancel := context.WithCancel(t.Context())
		cancel()
		s, err := NewAirSensor(&i2ctest.Playback{Ops: measurement(checked(0, 0)...)}, AirConfig{Address: "0x44"})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.Read(ended); !errors.Is(err, context.Canceled) {
			t.Errorf("got %v", err)
		}
	})
}

func TestPlateSensor(t *testing.T) {
	for _, c := range []struct {
		bits int
		raw  uint16
		want float64 // °C
		err  string
	}{
		// Tables of temperatures in data sheets of such sensors (from memory).
		{12, 0x7ff0, 127.9375, ""},
		{12, 0x6400, 100, ""},
		{12, 0x5000, 80, ""},
		{12, 0x4b00, 75, ""},
		{12, 0x3200, 50, ""},
		{12, 0x1900, 25, ""},
		{12, 0x0040, 0.25, ""},
		{12, 0x0000, 0, ""},
		{12, 0xffc0, -0.25, ""},
		{12, 0xe700, -25, ""},
		{12, 0xc900, -55, ""},
		{16, 0x4b00, 150, ""},
		{16, 0x3200, 100, ""},
		{16, 0x0c80, 25, ""},
		{16, 0x0080, 1, ""},
		{16, 0x0001, 0.0078125, ""},
		{16, 0x0000, 0, ""},
		{16, 0xffff, -0.0078125, ""},
		{16, 0xf380, -25, ""},
		{16, 0xe480, -55, ""},
		{12, 0x1901, 0, "no 12-bit temperature"},
		{12, 0xffff, 0, "no 12-bit temperature"},
		{12, 0xc8f0, 0, "can't measure"},
		{16, 0x8000, 0, "no result yet"},
		{16, 0x4b01, 0, "can't measure"},
		{16, 0xe47f, 0, "can't measure"},
	} {
		bus := &i2ctest.Playback{Ops: []i2ctest.IO{{Addr: 0x48, W: []byte{0x00}, R: []byte{byte(c.raw >> 8), byte(c.raw)}}}, DontPanic: true}
		s, err := NewPlateSensor(bus, PlateConfig{Address: "0x48", Bits: c.bits})
		if err != nil {
			t.Fatal(err)
		}
		got, err := s.Read(t.Context())
		if (err == nil) != (c.err == "") || err != nil && !strings.Contains(err.Error(), c.err) {
			t.Errorf("%d bits, %#04x: got %v, want %q", c.bits, c.raw, err, c.err)
		}
		if want := physic.ZeroCelsius + physic.Temperature(c.want*1e9); err == nil && got != want {
			t.Errorf("%d bits, %#04x: got %v, want %v", c.bits, c.raw, got, want)
		}
		if err := bus.Close(); err != nil {
			t.Error(err)
		}
	}
	s, err := NewPlateSensor(&i2ctest.Playback{DontPanic: true}, PlateConfig{Address: "0x48", Bits: 12})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Read(t.Context()); err == nil || !strings.Contains(err.Error(), "at 0x48") {
		t.Errorf("got %v", err)
	}
}

func TestSensorErrors(t *testing.T) {
	for _, bad := range []string{"", "x", "0x07", "0x78", "0x100", "-1"} {
		if _, err := NewAirSensor(nil, AirConfig{Address: bad}); err == nil {
			t.Errorf("air sensor at %q", bad)
		}
		if _, err := NewPlateSensor(nil, PlateConfig{Address: bad, Bits: 12}); err == nil {
			t.Errorf("plate sensor at %q", bad)
		}
	}
	if _, err := NewPlateSensor(nil, PlateConfig{Address: "0x48", Bits: 9}); err == nil {
		t.Error("plate sensor of 9 bits")
	}
}
