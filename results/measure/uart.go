package measure

import (
	"fmt"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"drench/rig"
)

// bridgeLag is how late a line may come: USB serial bridges hold bytes for up
// to their latency timer of 16 ms (common practice, no source).
const bridgeLag = 16 * time.Millisecond

// uartLine is one line of the DUT, understood as far as the profile goes.
type uartLine struct {
	at        rig.Instant
	banner    bool
	reading   bool
	diff      float64
	hasDiff   bool
	detect    int64
	hasDetect bool
	settings  bool
	lost      string // first setting that differs from the profile, as a sentence
}

// uart reads the DUT's lines. Their times serve for no latency.
type uart struct {
	device                    rig.DUT
	reading, banner, settings *regexp.Regexp

	wetted bool   // the sensor may have been wet in this run
	dry    spread // difference readings before that, rounded
	last   Point  // difference reading
	read   bool   // there is one
	carry  []Sample

	level   when // last change of the detect line
	waiting []claim
	agree   ratio

	kept ratio // settings lines
}

// ratio counts what went wrong among N.
type ratio struct {
	n, bad int
	trials []int
}

func (r *ratio) add(bad bool, trial int) {
	r.n++
	if bad {
		r.bad++
		if trial != 0 && len(r.trials) < maxNamed {
			r.trials = append(r.trials, trial)
		}
	}
}

func (r *ratio) enter(l ledger, name string) {
	if r.n == 0 {
		return
	}
	m := l.of(name)
	m.N += r.n
	m.Count += r.bad
	for _, t := range r.trials {
		m.blame(t)
	}
}

// claim is a line that contradicts the detect line so far; an edge up to its
// deadline makes it right.
type claim struct {
	until rig.Instant
	trial int
}

// uartScene is what the run looks like when a line comes.
type uartScene struct {
	detect  int64
	compare bool // the DUT is powered and in no supply disturbance
	trial   int
	dry     bool // the sensor is dry for sure
}

func newUART(d rig.DUT) (*uart, error) {
	u := &uart{device: d}
	for _, p := range []struct {
		what, pattern string
		to            **regexp.Regexp
	}{{"reading", d.UART.Reading, &u.reading}, {"banner", d.UART.Banner, &u.banner}, {"settings", d.UART.Settings, &u.settings}} {
		if p.pattern == "" {
			continue
		}
		re, err := regexp.Compile(p.pattern)
		if err != nil {
			return nil, fmt.Errorf("the profile's pattern for the %s line: %w", p.what, err)
		}
		*p.to = re
	}
	return u, nil
}

// parse understands a line.
func (u *uart) parse(at rig.Instant, text string) uartLine {
	l := uartLine{at: at, banner: u.banner != nil && u.banner.MatchString(text)}
	if g := groups(u.reading, text); g != nil {
		l.reading = true
		if v, err := strconv.ParseFloat(g["diff"], 64); err == nil && math.Abs(v) < 1e15 {
			l.diff, l.hasDiff = v, true
		}
		l.detect, l.hasDetect = levelOf(g["detect"])
	}
	if g := groups(u.settings, text); g != nil && len(u.device.Settings) > 0 {
		l.settings = true
		l.lost = u.differs(g)
	}
	return l
}

// groups returns what the named groups matched, nil if the line does not.
func groups(re *regexp.Regexp, text string) map[string]string {
	if re == nil {
		return nil
	}
	m := re.FindStringSubmatch(text)
	if m == nil {
		return nil
	}
	g := make(map[string]string, len(m))
	for i, name := range re.SubexpNames() {
		if name != "" {
			g[name] = m[i]
		}
	}
	return g
}

// levelOf reads what a DUT says about its detect line.
func levelOf(s string) (int64, bool) {
	switch strings.ToLower(s) {
	case "1", "true", "yes", "on", "wet":
		return 1, true
	case "0", "false", "no", "off", "dry":
		return 0, true
	}
	return 0, false
}

// differs compares a settings line with the profile, in the profile's groups.
func (u *uart) differs(g map[string]string) string {
	for _, name := range slices.Sorted(maps.Keys(u.device.Settings)) {
		want := u.device.Settings[name]
		if got, ok := g[name]; ok && strings.TrimSpace(got) != want {
			return fmt.Sprintf("setting %q is %q instead of %q", name, got, want)
		}
	}
	return ""
}

// begin takes the reading that a wet trial begins with, if it is fresh.
func (u *uart) begin(at rig.Instant, trial int) {
	if u.read && float64(at.Sub(u.last.At)) <= pauseFactor*float64(u.device.Sampling.Period) {
		u.carry = append(u.carry, Sample{Value: u.last.Value, Trial: trial})
	}
}

// take counts a line.
func (u *uart) take(l uartLine, s uartScene) {
	if l.settings {
		u.kept.add(l.lost != "", s.trial)
	}
	if l.hasDiff {
		v := int64(math.Round(l.diff))
		u.last, u.read = Point{l.at, v}, true
		u.wetted = u.wetted || !s.dry
		if !u.wetted {
			u.dry.add(v, l.at)
		}
	}
	if l.hasDetect && s.compare {
		u.settle(l.at)
		u.compare(l, s)
	}
}

// compare holds a reading line against the detect line, which must have had
// the level that the line says at some time within a sampling period before
// (and the bridge's lag) or after.
func (u *uart) compare(l uartLine, s uartScene) {
	period := u.device.Sampling.Period
	switch {
	case l.detect == s.detect, u.level.ok && l.at.Sub(u.level.at) <= period+bridgeLag:
		u.agree.add(false, s.trial)
	default:
		u.waiting = append(u.waiting, claim{l.at.Add(period), s.trial})
	}
}

// detectEdge lets the detect line change: claims that still wait were right.
func (u *uart) detectEdge(at rig.Instant) {
	u.settle(at)
	for _, c := range u.waiting {
		u.agree.add(false, c.trial)
	}
	u.waiting = u.waiting[:0]
	u.level = when{at, true}
}

// forget drops claims that can't be decided, as the DUT loses its supply.
func (u *uart) forget() { u.waiting = u.waiting[:0] }

// settle decides claims whose time is over.
func (u *uart) settle(now rig.Instant) {
	n := 0
	for n < len(u.waiting) && u.waiting[n].until < now {
		u.agree.add(true, u.waiting[n].trial)
		n++
	}
	u.waiting = append(u.waiting[:0], u.waiting[n:]...)
}

func (u *uart) enter(l ledger, end rig.Instant) {
	u.settle(end)
	u.agree.enter(l, Disagreement)
	u.kept.enter(l, SettingsLost)
	if u.dry.n == 0 || len(u.carry) == 0 {
		return
	}
	level := int64(math.Round(u.dry.mean))
	m := l.of(CarryOver)
	for _, s := range u.carry {
		s.Value -= level
		m.Samples = append(m.Samples, s)
	}
}
