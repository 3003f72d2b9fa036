package scenarios

import (
	"fmt"
	"regexp"

	"drench/rig"
)

// A heart is in step while its beats come at no less than early and no more
// than late times the DUT's interval. The numbers are those that the measures
// read a timeline with; a test holds one against the other.
const (
	early = 0.75
	late  = 1.5
)

// life tells whether the DUT ran through a supply disturbance: it did not if
// its heart got out of step or its banner was printed.
type life struct {
	heart    rig.ID
	hasHeart bool
	interval float64 // ns
	banner   *regexp.Regexp

	last  rig.Instant
	known bool // last is a beat of a heart that was not disturbed since
	beats int
	// broken tells that the DUT stopped or started since watch.
	broken bool
}

func (l *life) begin(d rig.DUT, table []rig.Channel) error {
	l.heart, l.hasHeart = rig.Find(table, rig.Heartbeat)
	l.interval = float64(d.Heartbeat)
	if d.UART.Banner == "" {
		return nil
	}
	var err error
	if l.banner, err = regexp.Compile(d.UART.Banner); err != nil {
		return fmt.Errorf("the DUT's banner pattern: %w", err)
	}
	return nil
}

// watch begins anew.
func (l *life) watch() { l.beats, l.broken = 0, false }

func (l *life) event(ev rig.Event) {
	switch {
	case ev.Kind == rig.Line && l.banner != nil && l.banner.MatchString(ev.Text):
		l.broken = true
	case l.hasHeart && ev.Kind == rig.Edge && ev.Channel == l.heart:
		gap := float64(ev.At.Sub(l.last))
		if l.known && l.interval > 0 && (gap > late*l.interval || gap < early*l.interval) {
			l.broken = true
		}
		l.last, l.known = ev.At, true
		l.beats++
	}
}
