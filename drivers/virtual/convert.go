package virtual

import (
	"math"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// Inside the world quantities are float64 in these units: s, V, A, Ω, F, K,
// and for water mm, mm² and µl (which is mm³).

func seconds(d time.Duration) float64 { return float64(d) / 1e9 }

// after returns a time of s seconds to the nearest nanosecond, at most some 29
// years.
func after(s float64) time.Duration { return time.Duration(math.Round(min(s, 9e8) * 1e9)) }

func share(s rig.Share) float64                     { return float64(s) / 1e9 }
func microlitres(v rig.Volume) float64              { return float64(v) / 1e3 }
func microlitresPerSecond(f rig.Flow) float64       { return float64(f) / 60e3 }
func millimetres(d physic.Distance) float64         { return float64(d) / 1e6 }
func squareMillimetres(s rig.Surface) float64       { return float64(s) / 1e3 }
func volts(v physic.ElectricPotential) float64      { return float64(v) / 1e9 }
func amperes(i physic.ElectricCurrent) float64      { return float64(i) / 1e9 }
func ohms(r physic.ElectricResistance) float64      { return float64(r) / 1e9 }
func farads(c physic.ElectricalCapacitance) float64 { return float64(c) / 1e12 }
func kelvins(t physic.Temperature) float64          { return float64(t) / 1e9 }
func humidity(h physic.RelativeHumidity) float64    { return float64(h) / 1e7 }
func perSecond(r rig.Rate) float64                  { return float64(r) / 1e9 }

// nano returns v in units of 1e-9 to the nearest.
func nano(v float64) int64 { return int64(math.Round(v * 1e9)) }
