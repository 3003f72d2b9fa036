package climate

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"drench/rig/config"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/mmr"
	"periph.io/x/conn/v3/physic"
)

// Air is a reading of the chamber's air.
type Air struct {
	Temp physic.Temperature
	RH   physic.RelativeHumidity
}

// AirSensor is a digital humidity and temperature sensor of the kind that
// takes 16-bit commands and answers in 16-bit words, each with a checksum.
//
// The transaction (from memory of such data sheets):
//
//	write 0x24 0x00           one measurement, high repeatability, no clock stretching
//	wait 15.5 ms              it does not acknowledge a read before
//	read  TT TT CC HH HH CC   temperature, CRC, humidity, CRC; high byte first
//
//	T  = -45 °C + 175 K x TTTT / 65535
//	RH = 100 %  x HHHH / 65535
//
// The CRC is 8 bits wide, polynomial 0x31, started with 0xFF: 0x92 for 0xBEEF.
type AirSensor struct{ dev i2c.Dev }

const measureTime = 20 * time.Millisecond

// NewAirSensor does not talk to the sensor yet.
func NewAirSensor(bus i2c.Bus, cfg AirConfig) (*AirSensor, error) {
	a, err := config.I2CAddress(cfg.Address)
	if err != nil {
		return nil, fmt.Errorf("air sensor: %w", err)
	}
	return &AirSensor{i2c.Dev{Bus: bus, Addr: a}}, nil
}

// Read takes a measurement, which lasts 20 ms.
func (s *AirSensor) Read(ctx context.Context) (Air, error) {
	if err := s.dev.Tx([]byte{0x24, 0x00}, nil); err != nil {
		return Air{}, fmt.Errorf("start the air sensor at %#02x: %w", s.dev.Addr, err)
	}
	t := time.NewTimer(measureTime)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return Air{}, fmt.Errorf("wait for the air sensor: %w", ctx.Err())
	case <-t.C:
	}
	var b [6]byte
	if err := s.dev.Tx(nil, b[:]); err != nil {
		return Air{}, fmt.Errorf("read the air sensor at %#02x: %w", s.dev.Addr, err)
	}
	temp, err1 := word(b[:3])
	rh, err2 := word(b[3:])
	if err := errors.Join(err1, err2); err != nil {
		return Air{}, fmt.Errorf("read the air sensor at %#02x: %w", s.dev.Addr, err)
	}
	return Air{
		Temp: physic.ZeroCelsius - 45*physic.Kelvin + physic.Temperature(rounded(int64(175*physic.Kelvin), temp)),
		RH:   physic.RelativeHumidity(rounded(int64(100*physic.PercentRH), rh)),
	}, nil
}

// rounded returns full x raw / 65535.
func rounded(full int64, raw uint16) int64 { return (full*int64(raw) + 32767) / 65535 }

// word checks two bytes by the third.
func word(b []byte) (uint16, error) {
	if want := crc8(b[:2]); b[2] != want {
		return 0, fmt.Errorf("% x came with checksum %#02x instead of %#02x; shorten the cable, or use stronger pull-ups", b[:2], b[2], want)
	}
	return binary.BigEndian.Uint16(b), nil
}

func crc8(data []byte) byte {
	crc := byte(0xff)
	for _, b := range data {
		crc ^= b
		for range 8 {
			carry := crc&0x80 != 0
			crc <<= 1
			if carry {
				crc ^= 0x31
			}
		}
	}
	return crc
}

// PlateSensor is a digital temperature sensor that measures by itself and has
// the last result in its register 0, two bytes, high byte first, two's
// complement (from memory of such data sheets):
//
//	write 0x00, read TT TT
//
//	12 bits: the temperature in the upper 12, 62.5 mK a step, the lower four 0
//	16 bits: 7.8125 mK a step; 0x8000 until the first result is there
type PlateSensor struct {
	reg  mmr.Dev8
	addr uint16
	bits int
}

// scale is what a count of the 16-bit register is worth.
var scale = map[int]physic.Temperature{12: 62_500 * physic.MicroKelvin / 16, 16: 7_812_500 * physic.NanoKelvin}

// Such sensors measure from -55 to 150 °C.
const coldest, hottest = physic.ZeroCelsius - 55*physic.Kelvin, physic.ZeroCelsius + 150*physic.Kelvin

// NewPlateSensor does not talk to the sensor yet.
func NewPlateSensor(bus i2c.Bus, cfg PlateConfig) (*PlateSensor, error) {
	a, err := config.I2CAddress(cfg.Address)
	if err != nil {
		return nil, fmt.Errorf("plate sensor: %w", err)
	}
	if scale[cfg.Bits] == 0 {
		return nil, fmt.Errorf("plate sensor: bits is %d; expected 12 or 16, from the sensor's data sheet", cfg.Bits)
	}
	return &PlateSensor{mmr.Dev8{Conn: &i2c.Dev{Bus: bus, Addr: a}, Order: binary.BigEndian}, a, cfg.Bits}, nil
}

// Read returns the sensor's last result.
func (s *PlateSensor) Read(context.Context) (physic.Temperature, error) {
	raw, err := s.reg.ReadUint16(0)
	if err != nil {
		return 0, fmt.Errorf("read the plate sensor at %#02x: %w", s.addr, err)
	}
	t := physic.ZeroCelsius + physic.Temperature(int16(raw))*scale[s.bits]
	switch {
	case s.bits == 16 && raw == 0x8000:
		err = errors.New("it has no result yet")
	case s.bits == 12 && raw&0x000f != 0:
		err = fmt.Errorf("%#04x is no 12-bit temperature: correct bits in the rig file, or check the wiring", raw)
	case t < coldest || t > hottest:
		err = fmt.Errorf("%#04x is a temperature of %v, which it can't measure: correct bits in the rig file, or check the wiring", raw, t)
	}
	if err != nil {
		return 0, fmt.Errorf("read the plate sensor at %#02x: %w", s.addr, err)
	}
	return t, nil
}
