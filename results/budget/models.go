package budget

import (
	"time"

	"drench/results/measure"
	"drench/rig"
	"drench/rig/physics"
)

// Of returns the budgets of what a bench with this calibration measures, in
// the order of the sources that wetting instants come from, best first.
func Of(c rig.Calibration) ([]Budget, error) {
	all := append(latencies(c), startUp(c), dose(c), power(c), supply(c), film(c))
	var list []Budget
	for _, m := range all {
		b := m.Budget
		if err := b.evaluate(m.inputs, m.model); err != nil {
			return nil, err
		}
		list = append(list, b)
	}
	return list, nil
}

// model is a measure with what it is made of.
type model struct {
	Budget
	inputs []Input
	model  func(x []float64) float64
}

func sum(x []float64) (s float64) {
	for _, v := range x {
		s += v
	}
	return s
}

func timed(name string, u time.Duration, from string) Input {
	return Input{Name: name, Unit: rig.Second, U: float64(u), From: from}
}

// latencies are detect edge less wetting instant, by each source.
func latencies(c rig.Calibration) []model {
	detect := timed("stamp of the detect edge", c.Stamp.U, "stamp.u")
	by := func(s measure.Source, formula string, inputs ...Input) model {
		return model{Budget{Measure: measure.Latency, How: string(s), Model: formula, Unit: rig.Second}, append([]Input{detect}, inputs...), sum}
	}
	return []model{
		by(measure.FromWitness, "detect − (witness − lag)",
			timed("stamp of the witness edge", c.Stamp.U, "stamp.u"), timed("lag of the witness electrode", c.Witness.U, "witness.u")),
		by(measure.FromGate, "detect − (gate + fall)",
			timed("stamp of the gate's edge", c.Stamp.U, "stamp.u"), timed("fall from gate to sensor", c.Gate.FallU, "drop_gate.fall_u")),
		by(measure.FromPump, "detect − (command + lag)", timed("lag from command to water", c.Drip.LagU, "drip.lag_u")),
	}
}

// startUp is from good rail to first heartbeat. When the rail was good is known
// to the time between two of its readings, which the run says.
func startUp(c rig.Calibration) model {
	return model{Budget{Measure: measure.StartUp, How: "from the mark that the rail is good", Model: "heartbeat − powered", Unit: rig.Second},
		[]Input{timed("stamp of the heartbeat edge", c.Stamp.U, "stamp.u")}, sum}
}

// dose is what the drip pump gives in a second, told by its rate. Doses counted
// in drops by the gate do not rest on it.
func dose(c rig.Calibration) model {
	rate := float64(c.Drip.Rate)
	return model{Budget{Measure: "dose", How: "a second of the drip pump", Model: "rate × time ± half a drop", Unit: rig.Litre},
		[]Input{
			{"rate of the drip pump", rig.LitreRate, rate, rate * float64(c.Drip.RateU) / 1e9, "drip.rate_u"},
			// The last drop hangs or has fallen: rectangular, a drop wide (JCGM 100 4.3.7).
			{"the drop that hangs", rig.Litre, 0, float64(c.Drip.Drop) / 3.4641016151377544, "drip.drop"},
		}, func(x []float64) float64 { return x[0]/60 + x[1] }}
}

// power is mean or standby power, for a device that draws 100 µW.
func power(c rig.Calibration) model {
	const drawn = 100e3
	return model{Budget{Measure: measure.MeanPower, How: "of 100 µW", Model: "energy ÷ time × gain", Unit: rig.Watt},
		[]Input{{"gain of the energy reading", rig.Proportion, 1e9, float64(c.Power.U), "power.u"}},
		func(x []float64) float64 { return drawn * x[0] / 1e9 }}
}

// supply is a voltage read on the rail. A drop-out or recovery voltage has the
// step between two readings on the ramp beside it, which the run says.
func supply(c rig.Calibration) model {
	return model{Budget{Measure: measure.DropOut, How: "one reading of the rail", Model: "rail", Unit: rig.Volt},
		[]Input{{"rail readback", rig.Volt, 0, float64(c.Supply.RailU), "supply.rail_u"}}, sum}
}

// film is the condensate of ten minutes at 23 °C and 85 %RH on a plate at
// 10 °C.
func film(c rig.Calibration) model {
	const minutes = 10
	return model{Budget{Measure: measure.Film, How: "10 min of air at 23 °C, 85 %RH over a plate at 10 °C", Model: "∫ flux(air, humidity, plate, transfer) dt", Unit: rig.FilmMass},
		[]Input{
			{"air temperature", rig.Kelvin, 296.15e9, float64(c.Chamber.AirTempU), "chamber.air_temp_u"},
			{"air humidity", rig.RelHum, 85e5, float64(c.Chamber.AirRHU), "chamber.air_rh_u"},
			{"plate temperature", rig.Kelvin, 283.15e9, float64(c.Chamber.PlateU), "chamber.plate_u"},
			{"heat transfer over the plate", rig.Proportion, 1e9, float64(c.Chamber.TransferU), "chamber.transfer_u"},
		}, func(x []float64) float64 {
			air := physics.Air{T: physics.Celsius(x[0]/1e9 - 273.15), RH: physics.RelHumidity(x[1] / 1e7)}
			h := physics.HeatTransfer(float64(c.Chamber.Transfer) / 1e3 * x[3] / 1e9)
			flux := float64(physics.CondensationFlux(h, air, physics.Celsius(x[2]/1e9-273.15))) // kg/(m² s)
			return max(0, flux) * minutes * 60 * 1e9                                            // µg/m²
		}}
}
