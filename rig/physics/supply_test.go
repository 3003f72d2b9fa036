package physics

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// t = C ΔU/I, computed elsewhere; ms.
func TestDischargeTime(t *testing.T) {
	printed(t, "470 µF, 3.30 to 1.32 V, 10 mA", DischargeTime(470e-6, 3.30, 1.32, 10e-3)*1000, "93.06")
	printed(t, "47 µF, 3.3 to 2.0 V, 12 mA", DischargeTime(47e-6, 3.3, 2.0, 12e-3)*1000, "5.092")
	if never := DischargeTime(47e-6, 3.3, 2, 0); !math.IsInf(float64(never), 1) {
		t.Errorf("without a current it takes %v", never)
	}
}

// Mean current and life of 0.22 Ah (a CR2032, IEC 60086, from memory), computed
// elsewhere; µA and years of 8766 h.
func TestDuty(t *testing.T) {
	tests := []struct {
		duty       Duty
		mean, life string
	}{
		{Duty{1.2e-3, 0.9e-6, 4e-3, 2}, "3.2982", "7.609"},
		{Duty{8e-3, 2e-6, 15e-3, 10}, "13.997", "1.793"},
		{Duty{3e-3, 1.1e-6, 5e-3, 1}, "16.0945", "1.559"},
	}
	for _, test := range tests {
		mean := test.duty.Mean()
		printed(t, fmt.Sprintf("mean of %+v", test.duty), mean*1e6, test.mean)
		printed(t, fmt.Sprintf("life of %+v", test.duty), BatteryLife(0.22*AmpereHour, mean)/Year, test.life)
	}
	printed(t, "2.5 Ah at 13.997 µA", BatteryLife(2.5*AmpereHour, 13.997e-6)/Year, "20.4")
}

func TestSupplyProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		start := rapid.Float64Range(-10, 10).Draw(t, "start")
		target := rapid.Float64Range(-10, 10).Draw(t, "target")
		tau := Second(rapid.Float64Range(1e-3, 10).Draw(t, "tau"))
		if v := Settle(start, target, 0, tau); math.Abs(v-start) > 1e-14 {
			t.Fatalf("starts at %v, not %v", v, start)
		}
		tolerance := rapid.Float64Range(1e-3, 1).Draw(t, "tolerance")
		at := SettlingTime(target-start, tolerance, tau)
		if left := math.Abs(Settle(start, target, at, tau) - target); left > tolerance*(1+1e-9) {
			t.Fatalf("%v away at the settling time, want %v", left, tolerance)
		}
		if early := math.Abs(Settle(start, target, at/2, tau) - target); at > 0 && early <= tolerance {
			t.Fatalf("settled at half the settling time already")
		}
		d := Duty{Active: Ampere(rapid.Float64Range(1e-4, 0.1).Draw(t, "active")), Sleep: 1e-6, Period: 2}
		d.On = d.Period * Second(rapid.Float64Range(0, 1).Draw(t, "share"))
		if m := d.Mean(); m < d.Sleep*(1-1e-12) || m > d.Active*(1+1e-12) {
			t.Fatalf("mean %v of %+v lies outside", m, d)
		}
	})
}
