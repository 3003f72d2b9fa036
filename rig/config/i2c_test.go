package config

import "testing"

func TestI2CAddress(t *testing.T) {
	for text, want := range map[string]uint16{
		"0x40": 0x40, "64": 64, "0b1000000": 64, "0x08": 0x08, "0x77": 0x77,
		"0x07": 0, "0x78": 0, "0x80": 0, "": 0, "48h": 0, "-1": 0, "0x": 0,
	} {
		if got, err := I2CAddress(text); got != want || (err == nil) != (want != 0) {
			t.Errorf("%q is %#x, %v; want %#x", text, got, err, want)
		}
	}
}
