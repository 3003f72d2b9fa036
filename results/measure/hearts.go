package measure

import (
	"math"
	"time"

	"drench/rig"
)

// hearts supervises the heartbeat by the time between edges, not by level: a
// line that is stuck high is as dead as one that is stuck low.
//
// Supervision begins with the first beat after the rail is good, or when the
// start-up time that the profile allows has passed without one. It ends when
// the DUT is switched off, a trip, or the end of the run; dip trials are left
// out. A stretch that is bounded by a beat on one side only (a heart that
// stopped, or one that did not start) counts for the greatest gap and the
// missing beats, but not for mean, minimum and standard deviation.
type hearts struct {
	interval, startUp time.Duration
	u                 time.Duration // of a stamp
	always            bool          // the bench can't switch the DUT's supply

	line    line
	powered when // since when the DUT is powered
	trial   int  // in which it was powered
	beating bool // a beat has come since
	unsure  bool // edges were lost before it came: it may not have been the first
	paused  bool // in a dip trial

	last  rig.Instant // where the open stretch began
	whole bool        // it began with a beat

	gaps       spread
	missing    int
	supervised time.Duration
	interrupts int // reports of lost edges
	starts     []Sample
	startsLost int // whose first beat is in doubt
	plot       thin
}

// power starts supervision: the rail is good at that instant.
func (h *hearts) power(at rig.Instant, trial int) {
	h.end(at)
	h.powered, h.trial = when{at, true}, trial
	h.beating, h.whole, h.unsure = false, false, false
	h.last = at.Add(h.startUp)
}

// beat takes an edge of the line.
func (h *hearts) beat(at rig.Instant) {
	if h.always && !h.powered.ok {
		h.powered, h.beating, h.last = when{at, true}, true, at
	}
	if !h.powered.ok {
		return
	}
	if !h.beating {
		h.beating = true
		h.started(at, false)
	}
	if h.paused {
		return
	}
	h.settle(at, h.whole)
	h.last, h.whole = at, true
}

// started notes how long the first beat took, or how long it has not come.
// Where edges were lost, the first beat may have been among them.
func (h *hearts) started(at rig.Instant, censored bool) {
	if h.unsure {
		h.startsLost++
		return
	}
	h.starts = append(h.starts, Sample{Value: int64(at.Sub(h.powered.at)), U: int64(h.u), Censored: censored, Trial: h.trial})
}

// settle counts the stretch that ends at an instant; whole tells whether a beat
// bounds it on both sides.
func (h *hearts) settle(at rig.Instant, whole bool) {
	gap := at.Sub(h.last)
	if gap <= 0 {
		return
	}
	if whole {
		h.gaps.add(int64(gap), at)
	} else {
		h.gaps.reach(int64(gap), at)
	}
	h.plot.add(at, int64(gap))
	h.supervised += gap
	if h.interval > 0 {
		h.missing += max(0, int(math.Round(float64(gap)/float64(h.interval)))-1)
	}
}

// pause leaves out what follows until resume.
func (h *hearts) pause(at rig.Instant) {
	if h.powered.ok {
		h.settle(at, false)
	}
	h.paused = true
}

func (h *hearts) resume(at rig.Instant) {
	h.paused = false
	h.last, h.whole = at, false
	if !h.beating {
		h.last = max(at, h.powered.at.Add(h.startUp))
	}
}

// lost takes a report that edges were lost.
func (h *hearts) lost(from, to rig.Instant) {
	h.interrupts++
	h.line.unsure = true
	if h.powered.ok && !h.beating && to > h.powered.at {
		h.unsure = true
	}
	if h.powered.ok && !h.paused {
		h.settle(from, false)
		h.last, h.whole = max(h.last, to), false
	}
}

// end ends supervision.
func (h *hearts) end(at rig.Instant) {
	if !h.powered.ok {
		return
	}
	if waited := at.Sub(h.powered.at); !h.beating && waited > 0 && waited >= h.startUp {
		h.started(at, true)
	}
	if !h.paused {
		h.settle(at, false)
	}
	h.powered.ok = false
}

const beatsLost = "heartbeat edges were lost"

func (h *hearts) enter(l ledger, has has) {
	if !has[heartLine] {
		return
	}
	if len(h.starts)+h.startsLost > 0 {
		start := l.of(StartUp)
		start.Samples = h.starts
		for range h.startsLost {
			start.doubt(beatsLost)
		}
	}
	if !h.gaps.any {
		return
	}
	gap := l.of(BeatGap)
	gap.Exposure = h.supervised
	gap.Summary = h.gaps.summary(int64(both(h.u, h.u)))
	if h.gaps.n > 1 {
		sd := h.gaps.sd()
		u := sd / math.Sqrt(float64(2*(h.gaps.n-1))) // JCGM 100, E.4.3
		jitter := l.of(BeatJitter)
		jitter.N = h.gaps.n
		jitter.Samples = []Sample{{Value: int64(math.Round(sd)), U: both(int64(math.Round(u)), int64(h.u))}}
	}
	if h.interval > 0 {
		missing := l.of(BeatsMissing)
		missing.Count, missing.N, missing.Exposure = h.missing, h.gaps.n, h.supervised
	}
	for range h.interrupts {
		for _, name := range []string{BeatGap, BeatJitter, BeatsMissing} {
			if m, ok := l[name]; ok {
				m.doubt(beatsLost)
			}
		}
	}
}
