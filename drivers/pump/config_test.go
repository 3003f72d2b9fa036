package pump

import (
	"strings"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/config"
)

const pumps = `
pumps:
  pump_drip:
    stepper: {step: gpio_1, dir: gpio_2, enable: gpio_3, steps_per_turn: 3200, volume_per_turn: 0.12 ml, max_rate: 400 Hz, pulse: 10 us}
  pump_spray:
    relay: {line: relay_1, flow: 300 ml/min, tolerance: 5 %}
  pump_rinse:
    pwm:
      chip: pwmchip0
      channel: 1
      period: 50 us
      points:
        - {duty: 20 %, flow: 10 ml/min}
        - {duty: 100 %, flow: 60 ml/min}
`

func TestRigFile(t *testing.T) {
	var got struct {
		Pumps map[string]Config `yaml:"pumps"`
	}
	if err := config.Decode("rig.yaml", []byte(pumps), &got); err != nil {
		t.Fatal(err)
	}
	if s := got.Pumps["pump_drip"].Stepper; s == nil || s.StepsPerTurn != 3200 || s.VolumePerTurn != 120*rig.Microlitre || s.MaxRate != 400*hertz || s.Pulse != 10*time.Microsecond {
		t.Errorf("stepper: %+v", s)
	}
	if r := got.Pumps["pump_spray"].Relay; r == nil || r.Flow != 300*rig.MlPerMin || r.Tolerance != whole/20 {
		t.Errorf("relay: %+v", r)
	}
	if p := got.Pumps["pump_rinse"].PWM; p == nil || len(p.Points) != 2 || p.Points[0] != (PWMPoint{whole / 5, 10 * rig.MlPerMin}) {
		t.Errorf("pwm: %+v", p)
	}
}

func TestRigFileErrors(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{"line: relay_1, ", "", "rig.yaml:6:5: line is missing"},
		{"flow: 300 ml/min", "flow: 0 ml/min", "rig.yaml:6:28: flow is missing or not above 0"},
		{"tolerance: 5 %", "tolerance: 60 %", "rig.yaml:6:46: tolerance is 60 %"},
		{"    relay:", "    relay: {line: a, flow: 1 ml/min}\n    pwm: {chip: pwmchip0, period: 1 ms, points: [{duty: 1 %, flow: 1 ml/min}]}\n    stepper:", "3 drives are given"},
		{"chip: pwmchip0", "chip: ../x", `chip is "../x"`},
		{"channel: 1", "channel: -1", "channel is -1"},
		{"period: 50 us", "period: 2 s", "period is 2s"},
		{"duty: 100 %, flow: 60", "duty: 101 %, flow: 60", "rig.yaml:14:12: duty is 101 %"},
		{"duty: 100 %, flow: 60", "duty: 10 %, flow: 60", "rig.yaml:14:11: duty 10 % and flow 60 ml/min are not both above 20 % and 10 ml/min"},
		{"flow: 60 ml/min", "flow: 10 ml/min", "are not both above 20 % and 10 ml/min"},
		{"duty: 20 %", "duty: 0 %", "are not both above"},
		{"step: gpio_1, ", "", "step is missing"},
		{"steps_per_turn: 3200", "steps_per_turn: 0", "steps_per_turn is missing"},
		{"volume_per_turn: 0.12 ml", "volume_per_turn: 0 ml", "volume_per_turn is missing"},
		{"max_rate: 400 Hz", "max_rate: 501 Hz", "max_rate is 501 Hz"},
		{"pulse: 10 us", "pulse: 2 ms", "pulse is 2ms"},
	} {
		var got struct {
			Pumps map[string]Config `yaml:"pumps"`
		}
		text := strings.Replace(pumps, c.old, c.new, 1)
		if text == pumps {
			t.Fatalf("%q is not in the text", c.old)
		}
		if err := config.Decode("rig.yaml", []byte(text), &got); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q", c.new, err, c.want)
		}
	}
}
