package physics

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math"
	"testing"

	"drench/rig/portable"
)

// TestBits holds the very bits of every formula. They were the same when this
// test ran as an amd64, an arm64 and an arm (v7) program. A change here changes
// the timeline of every stored virtual run with a seed.
func TestBits(t *testing.T) {
	air := func(r *portable.Rand) Air {
		return Air{Celsius(r.Uniform(-20, 60)), RelHumidity(r.Uniform(0.05, 1))}
	}
	temperature := func(r *portable.Rand) Celsius { return Celsius(r.Uniform(0, 40)) }
	length := func(r *portable.Rand) Metre { return Metre(r.Uniform(0.1, 300)) * Millimetre }
	volume := func(r *portable.Rand) CubicMetre { return CubicMetre(r.Uniform(5, 80)) * Microlitre }
	tests := []struct {
		name, want string
		f          func(r *portable.Rand) float64
	}{
		{"SaturationPressure", "69f17f6bbcbdf331", func(r *portable.Rand) float64 { return float64(SaturationPressure(air(r).T)) }},
		{"DewPoint", "01027ae88a40a9fe", func(r *portable.Rand) float64 { dew, _ := air(r).DewPoint(); return float64(dew) }},
		{"Magnus", "03586ebee0f32ac9", func(r *portable.Rand) float64 {
			a := air(r)
			dew, _ := MagnusWMO.DewPoint(a.T, a.RH)
			return float64(dew) * float64(MagnusWMOIce.SaturationPressure(a.T)) * MoistAirFactor(StandardPressure)
		}},
		{"WetBulb", "87ca0dd15f30b49a", func(r *portable.Rand) float64 { return float64(air(r).WetBulb(StandardPressure)) }},
		{"CondensationFlux", "92b10fb5d04d0b66", func(r *portable.Rand) float64 {
			return float64(CondensationFlux(8, air(r), temperature(r)))
		}},
		{"Z", "be22566eee8b9bda", func(r *portable.Rand) float64 { return air(r).Z(StandardPressure) }},
		{"Water", "f5bd6a53182f4d93", func(r *portable.Rand) float64 {
			t := temperature(r)
			return float64(DryingTime(length(r), t, -1e-4)) * float64(WaterTension(t)) *
				float64(WaterPermittivity(t)) * float64(LatentHeat(t))
		}},
		{"PendantDrop", "af99191670ae211e", func(r *portable.Rand) float64 {
			return float64(PendantDrop(1.5*Millimetre, temperature(r)).Volume)
		}},
		{"Fall", "c8f1020ed22401eb", func(r *portable.Rand) float64 {
			h := length(r)
			return float64(TransitTime(h/3, h)) * float64(FallTimeInAir(h, volume(r))) * float64(FallSpeed(h))
		}},
		{"Liquid", "3b49b4eac3959b13", func(r *portable.Rand) float64 {
			l := liquids[r.IntN(len(liquids))]
			t := temperature(r)
			return float64(l.Conductivity(t)) * float64(l.Permittivity(t))
		}},
		{"Sensors", "979cb74093acf625", func(r *portable.Rand) float64 {
			c := Comb{3 + r.IntN(40), length(r), length(r), length(r)}
			film := length(r) / 100
			return float64(c.Capacitance(80)) * c.FilmShare(film) * float64(c.Cover(3.5, film)) *
				float64(Gaps{c.N, c.Gap, c.Length}.Resistance(0.05, film))
		}},
		{"Supply", "c2f08fc5f7ae1a5e", func(r *portable.Rand) float64 {
			v := Settle(3.3, r.Uniform(0, 3), Second(r.Uniform(0, 0.1)), 0.02)
			d := Duty{Ampere(r.Uniform(0, 0.1)), 1e-6, 5e-3, Second(r.Uniform(0.1, 10))}
			return v * float64(SettlingTime(v, 1e-3, 0.02)) * float64(d.Mean()) * float64(DischargeTime(47e-6, 3.3, Volt(v), 0.01))
		}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			r := portable.NewRand(42).Split(test.name)
			hash := sha256.New()
			for range 300 {
				x := test.f(r)
				if math.IsNaN(x) {
					t.Fatal("NaN")
				}
				hash.Write(binary.BigEndian.AppendUint64(nil, math.Float64bits(x)))
			}
			if got := fmt.Sprintf("%x", hash.Sum(nil)[:8]); got != test.want {
				t.Errorf("hash of 300 values %s, want %s", got, test.want)
			}
		})
	}
}
