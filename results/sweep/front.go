package sweep

import (
	"errors"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// Front marks the settings that no other beats (the Pareto front). One beats
// another if it costs no more on any axis and less on one for sure: there the
// confidence intervals don't meet. Settings that chance alone could have
// ordered therefore stay side by side. What is unknown can neither beat nor be
// beaten on that axis.
func Front(points []Point) {
	for i := range points {
		points[i].Front, points[i].BeatBy = true, 0
		for j := range points {
			if i != j && beats(points[j], points[i]) {
				points[i].Front, points[i].BeatBy = false, j+1
				break
			}
		}
	}
}

func beats(a, b Point) bool {
	surely := false
	for k := range Costs {
		x, y := a.Values[k], b.Values[k]
		switch {
		case x.Known && y.Known && x.Value > y.Value, !x.Known && y.Known:
			return false
		case x.Known && y.Known && x.High < y.Low:
			surely = true
		}
	}
	return surely
}

// Battery is what a device lives on.
type Battery struct {
	Energy physic.Energy // when full
	Usable rig.Share     // of it, at the device's end voltage and temperature; self-discharge off
}

// Life is how long the battery lasts at a mean power. It says nothing of
// ageing, of cold, or of what the radio or buzzer of a real alarm takes beyond
// what the run measured.
func (b Battery) Life(power physic.Power) (time.Duration, error) {
	if b.Energy <= 0 || b.Usable <= 0 || power <= 0 {
		return 0, errors.New("battery life: energy, usable share and power must be above 0")
	}
	seconds := float64(b.Energy) * float64(b.Usable) / 1e9 / float64(power)
	const most = float64(1<<63-1) / float64(time.Second)
	return time.Duration(min(seconds, most*0.999) * float64(time.Second)), nil
}
