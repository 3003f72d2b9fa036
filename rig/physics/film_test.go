package physics

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// grams per square metre and hour
func perHour(m MassFlux) float64 { return float64(m) * 3.6e6 }

// The analogy of Chilton and Colburn, computed elsewhere from the same
// constants (h 10 W/(m² K), ρ 1.2, c_p 1006, Le 0.85, vapour by Hyland and
// Wexler).
func TestCondensationFlux(t *testing.T) {
	same(t, "mass transfer coefficient", MassTransfer(10), 0.00923155417676)
	cold := CondensationFlux(10, Air{25, 0.80}, 10)
	printed(t, "flux on a plate of 10 °C in air of 25 °C, 80 %", cold, "8.33448587e-5")
	printed(t, "the same", perHour(cold), "300.041")
	difference := Air{25, 0.80}.VapourDensity() - Air{10, 1}.VapourDensity()
	printed(t, "difference of the vapour densities", difference, "0.009028258634")
	printed(t, "flux on a plate of 5 °C in air of 23 °C, 50 %", perHour(CondensationFlux(10, Air{23, 0.50}, 5)), "115.804")

	growth := FilmGrowth(cold, 10)
	printed(t, "ml/min on 25 cm²", Rainfall(growth).Over(25*SquareCentimetre)/MillilitrePerMinute, "0.0125")
	printed(t, "minutes to a film of 100 µm", 100e-6/float64(growth)/60, "20.0")
	// "About 205 W/m²" was found with a rounded latent heat.
	within(t, "latent load", float64(cold)*float64(LatentHeat(10)), 205, 2)
}

func TestDrying(t *testing.T) {
	air := Air{25, 0.50}
	warm := CondensationFlux(10, air, 25)
	printed(t, "flux from a film of 25 °C in air of 25 °C, 50 %", -warm, "1.06308e-4")
	printed(t, "the same", -perHour(warm), "382.709")
	printed(t, "drying time of 50 µm, kept warm", DryingTime(50*Micrometre, 25, warm), "468.9")
	wet := Celsius(17.8894) // its wet bulb, as computed with psychrolib 1.1.1
	// The reference took the density of water at 25 °C in both cases.
	printed(t, "drying time of 50 µm at its wet bulb", DryingTime(50*Micrometre, 25, CondensationFlux(10, air, wet)), "1441.6")
	still := DryingTime(50*Micrometre, 25, CondensationFlux(4, air, 25))
	same(t, "still air against a fan", still/DryingTime(50*Micrometre, 25, warm), 2.5)
	if never := DryingTime(50*Micrometre, 10, CondensationFlux(10, Air{25, 0.8}, 10)); !math.IsInf(float64(never), 1) {
		t.Errorf("a film that grows dries in %v", never)
	}
}

func TestFluxAndDewPoint(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		air := drawAir(t)
		dew, err := air.DewPoint()
		if err != nil {
			t.Fatal(err)
		}
		plate := Celsius(rapid.Float64Range(-30, 70).Draw(t, "plate"))
		flux := CondensationFlux(10, air, plate)
		if plate > dew+1e-6 && flux > 0 {
			t.Fatalf("condenses (%v) on a plate of %v above the dew point %v", flux, plate, dew)
		}
		if plate < dew-0.08*(air.T-dew)-1e-4 && flux < 0 {
			t.Fatalf("evaporates (%v) from a plate of %v well below the dew point %v", flux, plate, dew)
		}
		if colder := CondensationFlux(10, air, plate-0.1); colder <= flux {
			t.Fatalf("a colder plate gains %v, not more than %v", colder, flux)
		}
		if windier := CondensationFlux(20, air, plate); math.Abs(float64(windier-2*flux)) > 1e-15 {
			t.Fatalf("twice the transfer moves %v, not twice %v", windier, flux)
		}
	})
}
