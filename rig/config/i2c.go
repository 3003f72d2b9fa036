package config

import (
	"fmt"
	"strconv"
)

// WantI2C says what an I2C address in a rig file is to look like.
const WantI2C = `a 7-bit address in quotes, such as "0x40"`

// I2CAddress reads an I2C address. Those below 0x08 and above 0x77 are reserved
// (I2C-bus specification, table "Reserved addresses"; from memory).
func I2CAddress(s string) (uint16, error) {
	a, err := strconv.ParseUint(s, 0, 7)
	if err != nil || a < 0x08 || a > 0x77 {
		return 0, fmt.Errorf("I2C address is %q; expected %s", s, WantI2C)
	}
	return uint16(a), nil
}
