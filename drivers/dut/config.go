package dut

import (
	"cmp"
	"fmt"
	"time"

	"drench/rig/config"
)

// Config is the part of a rig file that describes the DUT's serial line. The
// line is 8 data bits, no parity, one stop bit, no flow control.
type Config struct {
	// Port is the device. Its name under /dev/serial/by-id/ is best: the number
	// of a ttyUSB can be another one after the bridge has been away.
	Port string `yaml:"port"`
	// Baud is the rate; 0 in a rig file means that of the DUT's profile, which
	// whoever calls Open fills in.
	Baud int `yaml:"baud"`
	// MaxLine is the longest line in bytes, 0 for 512. The rest of a longer
	// line is dropped.
	MaxLine int `yaml:"max_line"`
	// Queue is how many events wait for whoever reads them, 0 for 1024.
	Queue int `yaml:"queue"`
	// Retry is the longest pause between attempts to open the port again after
	// it was lost, 0 for 2 s.
	Retry time.Duration `yaml:"retry"`
}

// Bounds of what a rig file may ask for.
const (
	leastLine, mostLine = 16, 64 << 10
	mostQueue           = 1 << 16
	firstRetry          = 50 * time.Millisecond
)

// withDefaults fills in what the file left out.
func (c Config) withDefaults() Config {
	c.MaxLine = cmp.Or(c.MaxLine, 512)
	c.Queue = cmp.Or(c.Queue, 1024)
	c.Retry = cmp.Or(c.Retry, 2*time.Second)
	return c
}

// Check reports values that can't be right.
func (c Config) Check() []config.Problem {
	var found []config.Problem
	refuse := func(bad bool, key, what, want string) {
		if bad {
			found = append(found, config.Problem{Path: []string{key}, What: what, Want: want})
		}
	}
	d := c.withDefaults()
	refuse(c.Port == "", "port", "port is missing", "the serial device, such as /dev/serial/by-id/…")
	refuse(c.Baud < 0, "baud", fmt.Sprintf("baud is %d", c.Baud), "a rate such as 115200, or 0 for the profile's")
	refuse(d.MaxLine < leastLine || d.MaxLine > mostLine, "max_line", fmt.Sprintf("max_line is %d", c.MaxLine),
		fmt.Sprintf("%d to %d bytes", leastLine, mostLine))
	refuse(d.Queue < 1 || d.Queue > mostQueue, "queue", fmt.Sprintf("queue is %d", c.Queue), fmt.Sprintf("1 to %d events", mostQueue))
	refuse(d.Retry < firstRetry, "retry", fmt.Sprintf("retry is %v", c.Retry), fmt.Sprintf("%v or more", firstRetry))
	return found
}
