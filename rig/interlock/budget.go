package interlock

import (
	"fmt"
	"time"

	"drench/rig"
)

// pump is what the books say of one.
type pump struct {
	flow  rig.Flow      // 0 while it is off
	since rig.Instant   // of the command that set this flow
	ran   time.Duration // in this go, up to since
	off   rig.Instant   // of its last stop, Never before the first
}

// running is how long it has run in this go.
func (p *pump) running(now rig.Instant) time.Duration {
	if p.flow == 0 {
		return p.ran
	}
	return p.ran + now.Sub(p.since)
}

// set notes a command; rest is how long a pause must be to end a go.
func (p *pump) set(f rig.Flow, now rig.Instant, rest time.Duration) {
	p.ran = p.running(now)
	switch {
	case p.flow == 0 && f != 0 && (p.off == rig.Never || now.Sub(p.off) >= rest):
		p.ran = 0
	case p.flow != 0 && f == 0:
		p.off = now
	}
	p.flow, p.since = f, now
}

// account keeps the books of what is energised since now.
func (g *Guard) account(ch rig.ID, v int64, now rig.Instant) {
	g.value[ch] = v
	p := g.pumps[ch]
	if p == nil {
		return
	}
	g.used += delivered(p.flow, now.Sub(p.since))
	p.set(rig.Flow(v), now, g.cfg.PumpRest)
	g.next = min(g.next, g.budgetEnd(now))
}

// The product is rounded by itself, or the sums it feeds would differ between
// machines.
func delivered(f rig.Flow, d time.Duration) float64 { return float64(float64(f) * d.Minutes()) }

// spent is the volume delivered by now.
func (g *Guard) spent(now rig.Instant) float64 {
	v := g.used
	for _, p := range g.pumps {
		if p != nil {
			v += delivered(p.flow, now.Sub(p.since))
		}
	}
	return v
}

// budgetEnd is the instant at which a budget runs out if the pumps run on.
func (g *Guard) budgetEnd(now rig.Instant) rig.Instant {
	end := rig.Never
	var flow float64
	for _, p := range g.pumps {
		if p != nil && p.flow != 0 {
			end = min(end, p.since.Add(g.cfg.PumpOn-p.ran))
			flow += float64(p.flow)
		}
	}
	if flow > 0 {
		left := (float64(g.cfg.Volume) - g.spent(now)) / flow * float64(time.Minute)
		if left < float64(rig.Never-now) {
			end = min(end, now.Add(time.Duration(max(left, 0))))
		}
	}
	return end
}

func (g *Guard) overBudget(now rig.Instant) {
	for id, p := range g.pumps {
		if p != nil && p.flow != 0 && p.running(now) >= g.cfg.PumpOn {
			g.tripNow(now, fmt.Sprintf("%s ran for %v, its budget in one go, without a rest of %v", g.table[id].Name, g.cfg.PumpOn, g.cfg.PumpRest))
			return
		}
	}
	g.tripNow(now, fmt.Sprintf("the run's water budget of %v is used up", g.cfg.Volume))
}
