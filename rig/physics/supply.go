package physics

import (
	"math"

	"drench/rig/portable"
)

// DischargeTime returns how long a constant current takes to lower a capacitor
// from one voltage to another, C ΔU/I; +Inf without a current.
func DischargeTime(c Farad, from, to Volt, i Ampere) Second {
	return Second(float64(c) * float64(from-to) / float64(i))
}

// Settle returns where a quantity is, time t after it left start for target,
// with time constant tau: target + (start - target) e^(-t/tau).
func Settle(start, target float64, t, tau Second) float64 {
	return target + float64((start-target)*portable.Exp(float64(-t/tau)))
}

// SettlingTime returns when Settle has come within tolerance of its target,
// from a step away: tau ln(|step|/tolerance), 0 if it is there already.
func SettlingTime(step, tolerance float64, tau Second) Second {
	ratio := math.Abs(step) / tolerance
	if !(ratio > 1) {
		return 0
	}
	return Second(float64(tau) * portable.Log(ratio))
}

// Duty is a load that is active for a while in every period and else sleeps.
type Duty struct {
	Active, Sleep Ampere
	On, Period    Second
}

// Mean returns the mean current (I_a t_a + I_s (T - t_a))/T.
func (d Duty) Mean() Ampere {
	charge := float64(float64(d.Active)*float64(d.On)) + float64(float64(d.Sleep)*float64(d.Period-d.On))
	return Ampere(charge / float64(d.Period))
}

// BatteryLife returns how long a charge lasts at a mean current. Self-discharge
// (1 to 3 % a year, from memory) and ageing, which it leaves out, rule beyond
// some ten years.
func BatteryLife(charge Coulomb, mean Ampere) Second {
	return Second(float64(charge) / float64(mean))
}
