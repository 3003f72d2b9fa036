package measure

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"drench/results/verdict"
	"drench/rig"
)

// A Boundary lies between what the DUT held and what it did not, over all
// trials of one kind: levels of a hold, a rise or a dip of one width, or widths
// of an interruption. It rests on what was seen at the DUT's pins.
type Boundary struct {
	Of     string        `json:"of"`              // measure that it belongs to
	Width  time.Duration `json:"width,omitempty"` // of dips
	Source rig.Impedance `json:"source,omitempty"`
	// Held is the value nearest to the boundary at which the DUT held, Failed at
	// which it did not, in nV or ns; Has… tell whether there is one. Where trials
	// contradict each other they have changed sides.
	Held      int64 `json:"held"`
	Failed    int64 `json:"failed"`
	HasHeld   bool  `json:"has_held"`
	HasFailed bool  `json:"has_failed"`
	N         int   `json:"n"`     // trials
	Trial     int   `json:"trial"` // the last
}

// Lower and Upper bracket the boundary.
func (b Boundary) Lower() int64 { return min(b.Held, b.Failed) }

// Upper is the other end of the bracket.
func (b Boundary) Upper() int64 { return max(b.Held, b.Failed) }

// Sure tells whether no trials contradict each other.
func (b Boundary) Sure() bool {
	return !b.HasHeld || !b.HasFailed || (b.Held < b.Failed) == b.shorter()
}

// shorter tells whether less is easier to hold: of widths, not of levels.
func (b Boundary) shorter() bool { return b.Of == RideThrough }

// add takes a trial.
func (b *Boundary) add(v int64, held bool, trial int) {
	b.N, b.Trial = b.N+1, trial
	closer := func(old int64, has bool, smaller bool) int64 {
		if has && (old < v) == smaller {
			return old
		}
		return v
	}
	if held {
		b.Held, b.HasHeld = closer(b.Held, b.HasHeld, !b.shorter()), true
		return
	}
	b.Failed, b.HasFailed = closer(b.Failed, b.HasFailed, b.shorter()), true
}

// boundaries sorts the trials by what they look for.
func boundaries(trials []Trial) []Boundary {
	var list []Boundary
	for _, t := range trials {
		b, v, held, ok := side(t)
		if !ok || t.Verdict == verdict.Inconc {
			continue
		}
		i := slices.IndexFunc(list, func(o Boundary) bool { return o.Of == b.Of && o.Width == b.Width && o.Source == b.Source })
		if i < 0 {
			i, list = len(list), append(list, b)
		}
		list[i].add(v, held, t.N)
	}
	slices.SortFunc(list, func(a, b Boundary) int {
		return cmp.Or(cmp.Compare(a.Of, b.Of), cmp.Compare(a.Source, b.Source), cmp.Compare(a.Width, b.Width))
	})
	return list
}

// side says which boundary a trial is about, where on its scale the trial was,
// and on which side of the boundary.
func side(t Trial) (b Boundary, v int64, held, ok bool) {
	d, seen := t.Spec.Dip, t.Dip
	if d == nil {
		return b, 0, false, false
	}
	if seen == nil {
		seen = &DipSeen{} // the trial is inconclusive
	}
	rail := int64(seen.Lowest) * 1e6
	switch {
	case d.Shape == rig.Hold:
		return Boundary{Of: DropOut}, rail, !seen.Restarted, true
	case d.Shape == rig.Rise:
		return Boundary{Of: Recovery}, int64(seen.Level) * 1e6, seen.Started, true
	case d.Shape == rig.Interruption && d.Source == rig.HighImpedance:
		return Boundary{Of: RideThrough, Source: d.Source}, int64(d.Width), !seen.Restarted, true
	case d.Shape == rig.VoltageDip, d.Shape == rig.Interruption:
		return Boundary{Of: Immunity, Width: d.Width}, rail, !seen.Restarted, true
	}
	return b, 0, false, false
}

// boundaries books each boundary as a sample: the middle of its bracket, with
// the uncertainty of a rectangular distribution over it (JCGM 100, 4.3.7), and
// that of the rail's readback. One that was held throughout is censored.
func (l ledger) boundaries(list []Boundary, railU int64) {
	for _, b := range list {
		m := l.of(b.Of)
		u := railU
		if b.Of == RideThrough {
			u = 0
		}
		switch {
		case b.HasHeld && b.HasFailed:
			half := float64(b.Upper()-b.Lower()) / 2
			m.Samples = append(m.Samples, Sample{Value: b.Lower() + (b.Upper()-b.Lower())/2,
				U: both(int64(math.Round(half/math.Sqrt(3))), u), Trial: b.Trial})
		case b.HasHeld:
			m.Samples = append(m.Samples, Sample{Value: b.Held, U: u, Censored: true, Trial: b.Trial})
		default:
			m.doubt(fmt.Sprintf("the device held nothing that was tried%s, up to the easiest", b.where()))
		}
	}
}

// unproven books the trials that should have told something about a boundary
// but can't.
func (l ledger) unproven(trials []Trial) {
	for _, t := range trials {
		if b, _, _, ok := side(t); ok && t.Verdict == verdict.Inconc {
			l.of(b.Of).doubt(t.Reason)
		}
	}
}

// where names the condition of a boundary.
func (b Boundary) where() string {
	if b.Width > 0 {
		return " at " + rig.Of(b.Width).String()
	}
	return ""
}
