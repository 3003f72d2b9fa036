package measure

import (
	"drench/rig"
)

// watcher follows one trial. The instants of edges that it gets are less the
// stamp's bias.
type watcher interface {
	edge(r role, at rig.Instant, level int64)
	command(r role, at rig.Instant, v int64)
	reading(r role, at rig.Instant, v int64)
	line(l uartLine)
	mark(name string, at rig.Instant)
	// dry tells whether the sensor is dry for sure.
	dry() bool
	// finish sets the trial's verdict and what it saw.
	finish(t *Trial) []finding
}

// deaf is a watcher that hears nothing; others build on it.
type deaf struct{}

func (deaf) edge(role, rig.Instant, int64)    {}
func (deaf) command(role, rig.Instant, int64) {}
func (deaf) reading(role, rig.Instant, int64) {}
func (deaf) line(uartLine)                    {}
func (deaf) mark(string, rig.Instant)         {}
func (deaf) dry() bool                        { return false }

// scene is what a watcher knows about the run when its trial begins.
type scene struct {
	spec   rig.Trial
	begin  rig.Instant
	cal    *rig.Calibration
	device *rig.DUT
	has    has
	detect int64 // level of the detect line
	wet    int64 // level of the witness
	isDry  bool  // the sensor is dry for sure
	before when  // last heartbeat edge
	feed   feed
	letGo  bool // the DUT's UART is
}

// watch returns the watcher for a trial, or false if the kind is unknown.
func watch(s scene) (watcher, bool) {
	switch {
	case s.spec.Kind == rig.Wet && s.spec.Film > 0:
		return &filmWatch{scene: s, film: newFilm(s.cal.Chamber)}, true
	case s.spec.Kind == rig.Wet:
		return &wetWatch{scene: s}, true
	case s.spec.Kind == rig.Probe:
		return &probeWatch{wetWatch{scene: s}}, true
	case s.spec.Kind == rig.Dry, s.spec.Kind == rig.Decoy:
		return &quietWatch{scene: s}, true
	case s.spec.Kind == rig.Release:
		return &releaseWatch{scene: s}, true
	case s.spec.Kind == rig.Dip:
		return watchDip(s), true
	}
	return nil, false
}

// touches tells whether lost edges of a channel matter to a trial of a kind.
func touches(r role, k rig.TrialKind) bool {
	switch r {
	case detectLine:
		return true
	case heartLine:
		return k == rig.Dip
	case witnessLine, gateLine:
		return k == rig.Wet || k == rig.Probe
	}
	return false
}
