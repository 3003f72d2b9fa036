package report

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"drench/results/measure"
	"drench/rig"
)

// columns is how finely a trace is drawn; what happens within one column is
// drawn as a stroke from the lowest to the highest.
const columns = 1000

// column of a trace.
type columnSeen struct {
	lo, hi, last int64
	any          bool
}

// scope follows one channel through a window.
type scope struct {
	channel rig.Channel
	before  int64 // value when the window opens
	known   bool
	columns [columns]columnSeen
	changed bool
	lost    []float64 // shares of the window at which edges were lost
}

// window is a stretch of the timeline, by channel.
type window struct {
	from, to rig.Instant
	scopes   []*scope
	table    *table
	more     int // events that the table has no room for
}

const mostEvents = 300 // in the table

// windowAround opens a window on a trial with a margin on both sides.
func windowAround(t measure.Trial) window {
	pad := max(t.End.Sub(t.Begin)/10, 50*time.Millisecond)
	return window{from: t.Begin.Add(-pad), to: t.End.Add(pad),
		table: &table{Caption: "Events around the trial", Head: []column{{"s after the trial began", true}, {"channel", false}, {"event", false}, {"value", false}}}}
}

// slack is how much later than in order an event may stand in a timeline:
// lines of text and edges are stamped before they are read.
const slack = 5 * time.Second

// look fills the window from the timeline.
func (w *window) look(in Input, began rig.Instant) error {
	for _, c := range in.Header.Channels {
		w.scopes = append(w.scopes, &scope{channel: c})
	}
	_, err := in.events(func(ev rig.Event) error {
		if ev.At > w.to.Add(slack) {
			return errEnough
		}
		w.event(ev, began)
		return nil
	})
	if errors.Is(err, errEnough) {
		return nil
	}
	return err
}

func (w *window) event(ev rig.Event, began rig.Instant) {
	if ev.At > w.to {
		return
	}
	onChannel := ev.Kind == rig.Edge || ev.Kind == rig.Command || ev.Kind == rig.Reading || ev.Kind == rig.Line || ev.Kind == rig.Gap
	if onChannel && int(ev.Channel) >= len(w.scopes) {
		return
	}
	inside := ev.At >= w.from
	if onChannel && ev.Kind != rig.Line {
		w.scopes[ev.Channel].see(ev, w.share(ev.At), inside)
	}
	if inside && (!onChannel || w.scopes[ev.Channel].channel.Name != rig.Deadman) {
		w.tabulate(ev, began, onChannel)
	}
}

// share is where an instant lies in the window.
func (w *window) share(t rig.Instant) float64 { return float64(t-w.from) / float64(w.to-w.from) }

func (s *scope) see(ev rig.Event, share float64, inside bool) {
	if ev.Kind == rig.Gap {
		if inside {
			s.lost = append(s.lost, share)
		}
		return
	}
	if !inside {
		s.before, s.known = ev.Value, true
		return
	}
	c := &s.columns[min(columns-1, int(share*columns))]
	if !c.any {
		c.lo, c.hi = ev.Value, ev.Value
	}
	c.lo, c.hi, c.last, c.any = min(c.lo, ev.Value), max(c.hi, ev.Value), ev.Value, true
	s.changed = true
}

func (w *window) tabulate(ev rig.Event, began rig.Instant, onChannel bool) {
	if len(w.table.Rows) == mostEvents {
		w.more++
		return
	}
	name, value := "", ev.Text
	if onChannel {
		c := w.scopes[ev.Channel].channel
		name = c.Name
		switch ev.Kind {
		case rig.Gap:
			value = "edges lost in the " + span(time.Duration(ev.Value)) + " before"
		case rig.Line:
		default:
			value = quantity(float64(ev.Value), c.Unit)
		}
	} else if ev.Kind == rig.TrialBegin || ev.Kind == rig.TrialEnd {
		value = fmt.Sprint(ev.Value)
	}
	w.table.add(decimal(int64(ev.At.Sub(began))/1e3, 6), name, ev.Kind.String(), value)
}

// firstTraces are the channels that tell the story of a trial, in its order;
// others follow if anything happened on them.
var firstTraces = []string{rig.PumpDrip, rig.PumpSpray, rig.Plate, rig.Humidity, rig.DropGate, rig.Witness, rig.Detect, rig.Heartbeat,
	rig.RelayDUT, rig.RelayDip, rig.Rail}

// mostTraces is how many traces fit.
const mostTraces = 14

// worthDrawing orders the scopes that show something.
func (w *window) worthDrawing() []*scope {
	var list []*scope
	for _, s := range w.scopes {
		if s.channel.Dir == rig.Text || s.channel.Name == rig.Deadman {
			continue
		}
		if s.changed || s.known && slices.Contains(firstTraces, s.channel.Name) {
			list = append(list, s)
		}
	}
	order := func(s *scope) int {
		if i := slices.Index(firstTraces, s.channel.Name); i >= 0 {
			return i
		}
		return len(firstTraces)
	}
	slices.SortStableFunc(list, func(a, b *scope) int { return order(a) - order(b) })
	return list[:min(len(list), mostTraces)]
}

const (
	nameHeight  = 17 // pixels over a trace for its name
	levelHeight = 16
	valueHeight = 44
)

func (s *scope) height() float64 {
	if s.channel.Unit == rig.Level {
		return levelHeight
	}
	return valueHeight
}

// bounds are the lowest and the highest value in the window.
func (s *scope) bounds() (lo, hi int64) {
	lo, hi = math.MaxInt64, math.MinInt64
	if s.known {
		lo, hi = s.before, s.before
	}
	for _, c := range s.columns {
		if c.any {
			lo, hi = min(lo, c.lo), max(hi, c.hi)
		}
	}
	return lo, hi
}

// span is what the trace's height stands for. A steady reading must not look
// wild, so it is at least a tenth of the value.
func (s *scope) span() (lo, hi int64) {
	if s.channel.Unit == rig.Level {
		return 0, 1
	}
	lo, hi = s.bounds()
	if missing := max(lo, hi, -lo, -hi)/10 - (hi - lo); missing > 0 {
		return lo - missing/2, hi + missing/2
	}
	return lo, hi
}

// path draws the scope as steps between two heights (shares of the plot).
func (s *scope) path(height, base, top float64) string {
	lo, hi := s.span()
	at := func(v int64) float64 {
		if hi == lo {
			return base
		}
		return base + (top-base)*float64(v-lo)/float64(hi-lo)
	}
	p := pen{height: height}
	drawing := s.known
	if drawing {
		p.move(0, at(s.before))
	}
	for i, c := range s.columns {
		if !c.any {
			continue
		}
		x := (float64(i) + 0.5) / columns
		if !drawing {
			p.move(x, at(c.lo))
			drawing = true
		}
		p.h(x)
		for _, v := range []int64{c.lo, c.hi, c.last} {
			p.v(at(v))
		}
	}
	if drawing {
		p.h(1)
	}
	return p.path()
}

// name is the channel's, with what its trace spans.
func (s *scope) name() string {
	if s.channel.Unit == rig.Level {
		return s.channel.Name
	}
	lo, hi := s.bounds()
	if lo == hi {
		return fmt.Sprintf("%s: %s", s.channel.Name, quantity(float64(lo), s.channel.Unit))
	}
	return fmt.Sprintf("%s: %s to %s", s.channel.Name, quantity(float64(lo), s.channel.Unit), quantity(float64(hi), s.channel.Unit))
}

// draw stacks the scopes in one plot over the trial's time.
func (w *window) draw(scopes []*scope, t measure.Trial) plot {
	p := plot{Head: 1}
	for _, s := range scopes {
		p.Height += nameHeight + s.height()
	}
	p.Height += 6
	w.ticks(&p, t.Begin)
	y := 0.0
	for _, s := range scopes {
		y += nameHeight
		p.Labels = append(p.Labels, guide{X: "0", Y: num(p.Top() + y - 4), Text: s.name(), Class: "name"})
		class := "lead"
		if s.channel.Unit != rig.Level {
			class = "data"
		}
		p.Traces = append(p.Traces, trace{s.path(p.Height, 1-(y+s.height())/p.Height, 1-y/p.Height), class})
		for _, lost := range s.lost {
			p.Marks = append(p.Marks, mark{X: pct(lost), Y: num(p.Top() + y + s.height()/2), Symbol: "inconc",
				Text: "edges of " + s.channel.Name + " were lost before this"})
		}
		y += s.height()
	}
	w.events(&p, t)
	return p
}

// ticks marks time from the trial's beginning.
func (w *window) ticks(p *plot, began rig.Instant) {
	before := float64(began - w.from)
	a := timeAxis(float64(w.to-began), 5)
	p.XName = a.named("time since the trial began")
	for _, t := range a.ticks() {
		at := (before + t.At*float64(w.to-began)) / float64(w.to-w.from)
		p.X = append(p.X, guide{X: pct(at), Text: t.Text, Anchor: anchor(at)})
	}
}

// events draws the water's arrival, with its uncertainty, and the answer.
func (w *window) events(p *plot, t measure.Trial) {
	if t.Wetting != nil {
		at := w.share(t.Wetting.At)
		u := float64(2*t.Wetting.U) / float64(w.to-w.from)
		p.Bands = append(p.Bands, band{pct(at - u), pct(math.Max(2*u, 0.002)), "unsure"})
		p.upright(at, "water", "water")
	}
	if t.Detected {
		p.upright(w.share(t.DetectAt), "answer", "limit")
	}
}
