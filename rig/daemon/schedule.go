package daemon

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"drench/results/store"

	"github.com/robfig/cron/v3"
)

// schedule tells when a night starts.
type schedule struct {
	spec cron.Schedule
	zone *time.Location
}

// starts reads the standard five fields, and @daily and its like.
var starts = cron.NewParser(cron.Minute | cron.Hour | cron.Dom | cron.Month | cron.Dow | cron.Descriptor)

// schedule reads Cron and Zone; nil if the night is only started by hand.
func (n Night) schedule() (*schedule, error) {
	zone, err := zoneOf(n.Zone)
	if err != nil || n.Cron == "" {
		return nil, err
	}
	// The parser has a zone of its own in front of the fields; ours is Zone.
	if strings.Contains(n.Cron, "=") {
		return nil, fmt.Errorf("cron %q has a zone; expected that in the field zone", n.Cron)
	}
	spec, err := starts.Parse(n.Cron)
	if err != nil {
		return nil, fmt.Errorf("cron %q: %w; expected minute, hour, day of month, month and day of week, such as 0 22 * * 1-5, or @daily", n.Cron, err)
	}
	if every, ok := spec.(cron.ConstantDelaySchedule); ok && every.Delay < time.Minute {
		return nil, fmt.Errorf("cron %q starts too often; expected at least a minute between starts", n.Cron)
	}
	s := &schedule{spec, zone}
	if s.next(time.Now()).IsZero() {
		return nil, fmt.Errorf("cron %q names a day that never comes; expected one that does", n.Cron)
	}
	return s, nil
}

func zoneOf(name string) (*time.Location, error) {
	zone, err := time.LoadLocation(name) // "" is UTC
	if err != nil || name == "Local" {
		return nil, fmt.Errorf("zone %q is not known; expected an IANA time zone such as Europe/Berlin, or none for UTC", name)
	}
	return zone, nil
}

// next is the first start after an instant, the zero time if there is none in
// five years. A start that the clocks skip in spring is at the moment that
// they do; one whose time comes twice in autumn is at the first of the two.
func (s *schedule) next(after time.Time) time.Time {
	if every, ok := s.spec.(cron.ConstantDelaySchedule); ok {
		// Counted from a fixed instant, so that looking at it does not put it off.
		return after.Truncate(every.Delay).Add(every.Delay)
	}
	for wall := asWall(after.In(s.zone)); ; {
		if wall = s.spec.Next(wall); wall.IsZero() {
			return wall
		}
		if start := s.instant(wall); start.After(after) {
			return start
		}
	}
}

// asWall is what a clock shows, as if it were UTC, where no hour is missing
// and none comes twice.
func asWall(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month(), t.Day(), t.Hour(), t.Minute(), t.Second(), t.Nanosecond(), time.UTC)
}

// instant is when the zone's clocks first show wall, or first pass it.
func (s *schedule) instant(wall time.Time) time.Time {
	t := time.Date(wall.Year(), wall.Month(), wall.Day(), wall.Hour(), wall.Minute(), wall.Second(), 0, s.zone)
	from, to := t.ZoneBounds()
	switch seen := asWall(t); {
	case seen.After(wall): // skipped, and taken for the time after
		return from
	case seen.Before(wall): // skipped, and taken for the time before
		return to
	}
	if from.IsZero() {
		return t
	}
	_, before := from.Add(-time.Second).Zone()
	earlier := wall.Add(-time.Duration(before) * time.Second).In(s.zone)
	if earlier.Before(t) && asWall(earlier).Equal(wall) {
		return earlier
	}
	return t
}

// NextStart tells when a night's schedule starts it next, if it does.
func (d *Daemon) NextStart(n Night) (time.Time, bool) {
	s, err := n.schedule()
	if err != nil || s == nil || n.Off {
		return time.Time{}, false
	}
	next := s.next(d.Now())
	return next, !next.IsZero()
}

const (
	// attend is how often schedules are looked at: by the wall clock, which may
	// be set or stand still meanwhile.
	attend = 10 * time.Second
	// late is how long after its time a night is still started; after that the
	// start is missed.
	late = 5 * time.Minute
	// schedule is who asks for a night that nobody asked for.
	bySchedule = "schedule"
)

// keepSchedule looks at schedules until ctx ends, and deletes old runs once a
// day.
func (d *Daemon) keepSchedule(ctx context.Context) {
	tick := time.NewTicker(attend)
	defer tick.Stop()
	for {
		if err := d.startDue(ctx, d.Now()); err != nil && ctx.Err() == nil {
			d.Log.Error("schedules can't be looked at; tried again", "err", err)
		}
		d.prune(ctx, d.Now())
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// startDue starts the nights whose time has come since schedules were last
// looked at. What is too late is told and not made up for.
func (d *Daemon) startDue(ctx context.Context, now time.Time) error {
	state, err := d.Ledger.BenchState(ctx, d.Bench)
	if err != nil {
		return err
	}
	since := state.Seen
	if since.IsZero() || since.After(now.Add(24*time.Hour)) { // the first time, or the clock was far ahead then
		since = now
	}
	nights, err := d.nights(ctx)
	if err != nil {
		return err
	}
	for _, n := range nights {
		from := since
		if n.changed.After(from) { // it was not there before
			from = n.changed
		}
		if err := d.startIfDue(ctx, n.Night, from, now); err != nil {
			return err
		}
	}
	if now.After(state.Seen) || since.Equal(now) {
		return d.Ledger.SetSeen(ctx, d.Bench, now)
	}
	return nil
}

// startIfDue starts a night once if a start of it lies after from, not after
// now.
func (d *Daemon) startIfDue(ctx context.Context, n Night, from, now time.Time) error {
	s, err := n.schedule()
	if err != nil || s == nil || n.Off {
		return err
	}
	var last time.Time
	missed := 0
	for t := s.next(from); !t.IsZero() && !t.After(now); t = s.next(t) {
		if last = t; now.Sub(t) > late {
			missed++
		}
	}
	if missed > 0 {
		d.Log.Warn("starts of a night were missed; they are not made up for", "night", n.Name, "starts", missed, "last", last)
		d.metrics.start("missed", missed)
	}
	if last.IsZero() || now.Sub(last) > late {
		return nil
	}
	_, err = d.startNight(ctx, bySchedule, n, last)
	switch {
	case errors.Is(err, store.ErrDone):
	case err == nil:
		d.metrics.start("started", 1)
	case ctx.Err() != nil:
		return err
	default: // told once: the next start is another
		d.Log.Error("a night was not started", "night", n.Name, "err", err)
		d.metrics.start("refused", 1)
	}
	return nil
}
