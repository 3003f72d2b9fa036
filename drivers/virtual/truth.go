package virtual

import (
	"math"
	"slices"

	"drench/rig"
)

// Wetting is a true instant at which water first reached a dry sensor. The
// sensor counts as dry again when its witness does.
type Wetting struct {
	At rig.Instant
	// Volume is all that landed or condensed until the next wetting, or now.
	Volume rig.Volume
}

// truth is what really happened.
type truth struct {
	wettings []Wetting
	before   float64 // µl caught before the last of them
}

// Truth returns the wettings, which no rig can know so exactly: for tests.
func (b *Bench) Truth() []Wetting {
	b.w.film.advance()
	b.w.measureWetting()
	return slices.Clone(b.w.truth.wettings)
}

// wetted notes that water has reached a dry sensor, and how much has by now.
func (w *world) wetted(arrived float64) {
	w.measureWetting()
	w.truth.before = w.film.caught() - arrived
	w.truth.wettings = append(w.truth.wettings, Wetting{At: w.now})
	w.witness.touch()
}

// measureWetting brings the volume of the last wetting up to date.
func (w *world) measureWetting() {
	if n := len(w.truth.wettings); n > 0 {
		v := (w.film.caught() - w.truth.before) * 1e3
		w.truth.wettings[n-1].Volume = rig.Volume(math.Round(v))
	}
}
