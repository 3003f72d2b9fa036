package virtual

import (
	"drench/rig"
	"drench/rig/physics"
	"drench/rig/portable"

	"periph.io/x/conn/v3/physic"
)

// chamber is the air about the sensor and the plate under it. Each quantity
// relaxes towards what is asked for, or to what it is by itself, with a time
// constant. The plate's temperature is the sensor's too.
type chamber struct {
	w            *world
	cfg          ChamberConfig
	rnd          *portable.Rand
	moistening   bool // the humidifier runs
	cooling      bool // the plate is controlled
	plateSet     float64
	rh           lagged // 0 … 1
	plate        lagged // K
	airTempError float64
	airRHError   float64
	plateError   float64
}

// lagged is a quantity on its way to a target.
type lagged struct {
	from, target, tau float64
	since             rig.Instant
}

func (l lagged) value(now rig.Instant) float64 {
	return physics.Settle(l.from, l.target, physics.Second(seconds(now.Sub(l.since))), physics.Second(l.tau))
}

func (l *lagged) steer(now rig.Instant, target, tau float64) {
	*l = lagged{l.value(now), target, tau, now}
}

func newChamber(w *world) *chamber {
	c := &chamber{w: w, cfg: w.cfg.Chamber, rnd: w.rand("climate gauges")}
	errors := w.rand("climate errors")
	c.airTempError = errors.Normal(0, kelvins(c.cfg.TempError))
	c.plateError = errors.Normal(0, kelvins(c.cfg.TempError))
	c.airRHError = errors.Normal(0, humidity(c.cfg.RHError))
	rh, room := humidity(c.cfg.RoomRH), kelvins(c.cfg.RoomTemp)
	c.rh = lagged{rh, rh, seconds(c.cfg.Vent), 0}
	c.plate = lagged{room, room, seconds(c.cfg.PlateTime), 0}
	return c
}

// setHumidity asks the humidifier for a relative humidity; 0 is off.
func (c *chamber) setHumidity(v int64) error {
	if err := atMost(v, int64(100*physic.PercentRH), rig.RelHum); err != nil {
		return err
	}
	c.w.film.advance()
	c.moistening = v > 0
	if c.moistening {
		c.rh.steer(c.w.now, humidity(physic.RelativeHumidity(v)), seconds(c.cfg.Humidify))
	} else {
		c.rh.steer(c.w.now, humidity(c.cfg.RoomRH), seconds(c.cfg.Vent))
	}
	c.w.film.next()
	return nil
}

// setPlate asks for a temperature of the plate; 0 is off. It can be cooled and
// heated between -5 and 80 °C.
func (c *chamber) setPlate(v int64) error {
	const coldest, hottest = 268.15, 353.15
	t := float64(v) / 1e9
	if v != 0 && (t < coldest || t > hottest) {
		return outOfRange(v, rig.Kelvin, "-5 to 80 °C, or 0 for off")
	}
	c.w.film.advance()
	c.cooling, c.plateSet = v != 0, t
	c.steerPlate(0)
	c.w.film.next()
	return nil
}

// steerPlate sends the plate to its set-point, warmed by the heat of the dew
// that forms on it.
func (c *chamber) steerPlate(flux float64) {
	target := c.plateSet
	if !c.cooling {
		target = kelvins(c.cfg.RoomTemp)
	}
	latent := float64(physics.LatentHeat(physics.Kelvin(target).Celsius()))
	target += float64(max(flux, 0) * latent * c.cfg.PlateWarms)
	if target != c.plate.target {
		c.plate.steer(c.w.now, target, seconds(c.cfg.PlateTime))
	}
}

// mayDew tells whether the plate is so cold, or the air so moist, that the
// sensor has to be watched.
func (c *chamber) mayDew() bool {
	const near = 0.5 // K
	return c.moistening || c.cooling || kelvins(c.cfg.RoomTemp)-c.plate.value(c.w.now) > near
}

// flux returns what a wet square metre gains a second, kg, negative while it
// dries.
func (c *chamber) flux(jet bool) float64 {
	h := c.w.cfg.Film.StillAir
	switch {
	case jet:
		h = c.w.cfg.Film.AirJet
	case c.moistening || c.cooling:
		h = c.cfg.Transfer
	}
	air := physics.Air{T: physics.Kelvin(kelvins(c.cfg.RoomTemp)).Celsius(), RH: physics.RelHumidity(c.rh.value(c.w.now))}
	flux := float64(physics.CondensationFlux(physics.HeatTransfer(h), air, c.celsius()))
	if c.cooling {
		c.steerPlate(flux)
	}
	return flux
}

// celsius is the temperature of plate, sensor and water.
func (c *chamber) celsius() physics.Celsius {
	return physics.Kelvin(c.plate.value(c.w.now)).Celsius()
}

func (c *chamber) askAirTemp() (int64, error) {
	return nano(kelvins(c.cfg.RoomTemp) + c.airTempError + c.rnd.Normal(0, kelvins(c.cfg.TempNoise))), nil
}

func (c *chamber) askPlate() (int64, error) {
	return nano(c.plate.value(c.w.now) + c.plateError + c.rnd.Normal(0, kelvins(c.cfg.TempNoise))), nil
}

func (c *chamber) askRH() (int64, error) {
	rh := c.rh.value(c.w.now) + c.airRHError + c.rnd.Normal(0, humidity(c.cfg.RHNoise))
	return nano(min(max(rh, 0), 1)) / 100, nil
}
