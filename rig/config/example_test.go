package config_test

import (
	"fmt"
	"time"

	"drench/rig"
	"drench/rig/config"
)

type pump struct {
	Rate rig.Flow      `yaml:"rate"`
	Lag  time.Duration `yaml:"lag"`
}

// Check has config.Decode refuse a pump that is none.
func (p pump) Check() []config.Problem {
	if p.Rate > 0 {
		return nil
	}
	return []config.Problem{{Path: []string{"rate"}, What: "rate is not above 0", Want: `a flow such as "30 ml/min"`}}
}

func ExampleDecode() {
	p := pump{Lag: 40 * time.Millisecond} // the default
	fmt.Println(config.Decode("pump.yaml", []byte("rate: 30 ml/min\n"), &p))
	fmt.Println(p.Rate, p.Lag)
	fmt.Println(config.Decode("pump.yaml", []byte("rate: 0 ml/min\nlag: 40\n"), &p))
	// Output:
	// <nil>
	// 30 ml/min 40ms
	// pump.yaml:1:1: rate is not above 0; expected a flow such as "30 ml/min"
	// pump.yaml:2:6: lag is "40" without a unit; expected a value with its unit, such as "2 s"
}
