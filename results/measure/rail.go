package measure

import (
	"fmt"
	"math"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// railTrack follows the voltage at the DUT's pins through a disturbance.
type railTrack struct {
	mid    float64 // nV: halfway between the two levels
	last   Point
	known  bool
	lowest int64
	below  time.Duration // time under mid
	up     when          // last time it came up through mid
	upU    time.Duration // standard uncertainty of that
}

// reading takes a reading and tells whether the rail came up through mid just
// before.
func (r *railTrack) reading(at rig.Instant, v int64) (rose bool) {
	if !r.known || v < r.lowest {
		r.lowest = v
	}
	if r.known && at > r.last.At {
		rose = r.segment(r.last, Point{at, v})
	}
	r.last, r.known = Point{at, v}, true
	return rose
}

// segment takes the rail as straight between two readings.
func (r *railTrack) segment(a, b Point) (rose bool) {
	before, after := float64(a.Value) < r.mid, float64(b.Value) < r.mid
	dt := b.At.Sub(a.At)
	if before == after {
		if before {
			r.below += dt
		}
		return false
	}
	share := (r.mid - float64(a.Value)) / (float64(b.Value) - float64(a.Value))
	cross := time.Duration(math.Round(share * float64(dt)))
	if after {
		r.below += dt - cross
		return false
	}
	r.below += cross
	// The crossing lies somewhere between two readings: rectangular.
	r.up, r.upU = when{a.At.Add(cross), true}, time.Duration(float64(dt)/math.Sqrt(12))
	return true
}

func (r *railTrack) seen(restarted bool) *DipSeen {
	return &DipSeen{Lowest: rig.Millivolt(math.Round(float64(r.lowest) / 1e6)), Width: r.below, Restarted: restarted}
}

// nanovolt is a level as readings state it.
func nanovolt(v rig.Millivolt) float64 { return float64(int64(v) * 1e6) }

// volts prints a reading of the rail.
func volts(nV float64) string {
	return rig.Of(physic.ElectricPotential(math.Round(nV))).String()
}

// doubt says why the DUT did not get the disturbance, or nothing. The rail must
// come within 5 % of the level before, or three standard uncertainties of the
// readback, of what was asked for. While a source of high impedance is
// interrupted, the DUT lives on its own capacitors, and the rail falls as it
// will: there it must fall by as much, or have been seen to be down with the
// supply open, so that nothing else feeds it.
func (w *supplyWatch) doubt() string {
	r, spec := &w.rail, w.spec.Dip
	tolerance := max(nanovolt(spec.From)/20, 3*float64(w.cal.Supply.RailU))
	lowest := float64(r.lowest)
	switch {
	case w.backfed:
		return "the rail is fed from elsewhere: it did not fall with the DUT's supply open"
	case !r.known:
		return "the rail was not read"
	case spec.Source == rig.HighImpedance && lowest > nanovolt(spec.From)-tolerance && !w.feed.unfed:
		return fmt.Sprintf("the rail did not fall from %v, and was never seen to be down with the supply open: its lowest was %v",
			volts(nanovolt(spec.From)), volts(lowest))
	case spec.Source != rig.HighImpedance && lowest > nanovolt(spec.Level)+tolerance:
		return fmt.Sprintf("the rail did not reach %v: its lowest was %v", volts(nanovolt(spec.Level)), volts(lowest))
	}
	return ""
}

// feed looks for another source that feeds the rail: with its supply lines open
// it is down, or it is fed.
type feed struct {
	supply, dip bool // the relays are closed
	backfed     bool // the runtime found that it stayed up
	unfed       bool // it was seen to be down
}

func (f *feed) command(r role, v int64) {
	switch r {
	case supplyRelay:
		f.supply = v != 0
	case dipRelay:
		f.dip = v != 0
	}
}

// reading takes the rail on a bench that can open the DUT's supply, of nominal
// voltage nV.
func (f *feed) reading(v, nominal int64) {
	if !f.supply && !f.dip && v < nominal/10 {
		f.unfed = true
	}
}
