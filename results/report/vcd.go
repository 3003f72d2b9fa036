package report

import (
	"bufio"
	"container/heap"
	"fmt"
	"io"
	"strconv"
	"strings"

	"drench/rig"
	"drench/rig/timeline"
)

// VCD writes the timeline as waveforms (value change dump, IEEE 1364-2005
// clause 18, four-state) in microseconds of the bench's clock: a wire for each
// line, x where its level isn't known, a real for each reading or setting, and
// an integer that counts trials. Text, marks, notes and trips are comments at
// their time.
//
// The timeline is read twice, since its events may stand slightly out of order
// and VCD's may not: first to see how late an event comes at most, then to
// hold back so much and no more. A damaged tail is told in a last comment.
func VCD(w io.Writer, in Input) error {
	d := &dump{b: bufio.NewWriter(w), channels: in.Header.Channels}
	first, late, err := disorder(in)
	if err != nil {
		return fmt.Errorf("write waveforms: %w", err)
	}
	d.late = late
	d.shift = max(0, -first) // a bench's clock may begin anywhere, VCD's not below zero
	d.header(in)
	d.start(first)
	tail, err := in.events(func(ev rig.Event) error {
		d.add(ev)
		return nil
	})
	if err != nil {
		return fmt.Errorf("write waveforms: %w", err)
	}
	d.finish(tail)
	if err := d.b.Flush(); err != nil {
		return fmt.Errorf("write waveforms: %w", err)
	}
	return nil
}

// reach is the earliest instant that an event speaks of: lost edges were lost
// before.
func reach(ev rig.Event) rig.Instant {
	if ev.Kind == rig.Gap {
		return ev.At - rig.Instant(max(0, ev.Value))
	}
	return ev.At
}

// disorder returns the earliest instant of a timeline and by how much at most
// an event comes after a later one.
func disorder(in Input) (first, late rig.Instant, err error) {
	newest, any := rig.Instant(0), false
	_, err = in.events(func(ev rig.Event) error {
		at := reach(ev)
		if !any {
			first, newest, any = at, ev.At, true
		}
		first, newest = min(first, at), max(newest, ev.At)
		late = max(late, newest-at)
		return nil
	})
	return first, late, err
}

// dump writes changes in the order of their time.
type dump struct {
	b        *bufio.Writer
	channels []rig.Channel
	codes    []string // by channel, "" for text; the trial counter is last
	shown    map[string]string
	shift    rig.Instant
	late     rig.Instant
	newest   rig.Instant
	waiting  changes
	order    int
	stamp    int64 // last time written
}

// change is one line of the dump to come.
type change struct {
	at    rig.Instant
	order int // of equal instants
	code  string
	value string // without the code; or a comment if code is ""
}

// changes is a heap, the earliest on top.
type changes []change

func (c changes) Len() int { return len(c) }
func (c changes) Less(i, j int) bool {
	return c[i].at < c[j].at || c[i].at == c[j].at && c[i].order < c[j].order
}
func (c changes) Swap(i, j int) { c[i], c[j] = c[j], c[i] }

// Push is for package heap.
func (c *changes) Push(x any) { *c = append(*c, x.(change)) }

// Pop is for package heap.
func (c *changes) Pop() any {
	last := len(*c) - 1
	x := (*c)[last]
	*c = (*c)[:last]
	return x
}

// dumpUnit is what a channel's values are written in.
type dumpUnit struct {
	scale, offset float64 // value = nano value / scale - offset
	name          string
}

var dumpUnits = map[rig.Unit]dumpUnit{
	rig.Volt: {1e9, 0, "V"}, rig.Ampere: {1e9, 0, "A"}, rig.Kelvin: {1e9, 273.15, "degC"}, rig.RelHum: {1e5, 0, "%RH"},
	rig.Joule: {1e9, 0, "J"}, rig.Watt: {1e9, 0, "W"}, rig.Litre: {1e6, 0, "ml"}, rig.LitreRate: {1e6, 0, "ml/min"},
	rig.RainRate: {1e6, 0, "mm/min"}, rig.Metre: {1e9, 0, "m"}, rig.Second: {1e9, 0, "s"}, rig.FilmMass: {1e6, 0, "g/m2"},
	rig.SlewRate: {1e9, 0, "V/s"}, rig.Proportion: {1e7, 0, "%"}, rig.Hertz: {1e9, 0, "Hz"}, rig.Area: {1e3, 0, "mm2"},
	rig.Conduct: {1e5, 0, "uS/cm"}, rig.Farad: {1e12, 0, "F"}, rig.Ohm: {1e9, 0, "ohm"}, rig.TempRate: {1e9, 0, "K/min"},
}

// code names variable i in as few characters as there are ('!' to '~').
func code(i int) string {
	const first, count = '!', '~' - '!' + 1
	s := ""
	for {
		s += string(rune(first + i%count))
		if i < count {
			return s
		}
		i = i/count - 1
	}
}

func (d *dump) header(in Input) {
	d.command("$date", in.Run.Started.UTC().Format("2006-01-02T15:04:05Z"))
	d.command("$version", tool(in.Header.Tool))
	d.command("$comment", fmt.Sprintf("run %d of %s on %s; times are microseconds on the bench's clock", in.Run.ID, in.Header.Scenario, in.Run.DUT))
	d.command("$timescale", "1 us")
	d.command("$scope", "module rig")
	names, units := map[string]bool{}, []string{}
	for i, c := range d.channels {
		if c.Dir == rig.Text {
			d.codes = append(d.codes, "")
			continue
		}
		d.codes = append(d.codes, code(i))
		name := identifier(c.Name, names)
		if c.Unit == rig.Level {
			d.command("$var", fmt.Sprintf("wire 1 %s %s", d.codes[i], name))
			continue
		}
		d.command("$var", fmt.Sprintf("real 64 %s %s", d.codes[i], name))
		units = append(units, name+" in "+dumpUnits[c.Unit].name)
	}
	trial := code(len(d.channels))
	d.codes = append(d.codes, trial)
	d.command("$var", fmt.Sprintf("integer 32 %s %s", trial, identifier("trial", names)))
	d.command("$upscope", "")
	if len(units) > 0 {
		d.command("$comment", strings.Join(units, ", "))
	}
	d.command("$enddefinitions", "")
}

func (d *dump) command(keyword, text string) {
	if text = harmless(text); text != "" {
		text += " "
	}
	fmt.Fprintf(d.b, "%s %s$end\n", keyword, text)
}

// harmless keeps text from ending a comment or a file's readability: printable
// ASCII, no $end.
func harmless(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return '?'
		}
		return r
	}, s)
	return strings.TrimSpace(strings.ReplaceAll(s, "$end", "$ end"))
}

// identifier makes a simple identifier of a name (IEEE 1364-2005 3.7) that is
// not taken.
func identifier(s string, taken map[string]bool) string {
	name := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '_':
			return r
		}
		return '_'
	}, s)
	if name == "" || name[0] >= '0' && name[0] <= '9' {
		name = "_" + name
	}
	for taken[name] {
		name += "_"
	}
	taken[name] = true
	return name
}

// start writes the values before the first event. A real has no way to be
// unknown, so it has none before its first.
func (d *dump) start(first rig.Instant) {
	d.newest, d.stamp = first, d.micros(first)
	d.shown = map[string]string{}
	fmt.Fprintf(d.b, "#%d\n$dumpvars\n", d.stamp)
	for i, c := range d.channels {
		if c.Dir != rig.Text && c.Unit == rig.Level {
			d.show(d.codes[i], "x")
		}
	}
	d.show(d.codes[len(d.channels)], "b0 ")
	fmt.Fprintln(d.b, "$end")
}

func (d *dump) micros(t rig.Instant) int64 { return int64(t+d.shift) / 1e3 }

func (d *dump) show(code, value string) {
	d.shown[code] = value
	fmt.Fprintf(d.b, "%s%s\n", value, code)
}

// add takes an event and writes what can no longer be preceded.
func (d *dump) add(ev rig.Event) {
	switch ev.Kind {
	case rig.Edge, rig.Command, rig.Reading:
		if int(ev.Channel) < len(d.channels) && d.codes[ev.Channel] != "" {
			d.push(ev.At, d.codes[ev.Channel], value(ev.Value, d.channels[ev.Channel].Unit))
		}
	case rig.Gap:
		d.gap(ev)
	case rig.TrialBegin:
		d.push(ev.At, d.codes[len(d.channels)], "b"+strconv.FormatUint(uint64(uint32(ev.Value)), 2)+" ")
	case rig.TrialEnd:
		d.push(ev.At, d.codes[len(d.channels)], "b0 ")
	case rig.Line:
		if int(ev.Channel) < len(d.channels) {
			d.push(ev.At, "", d.channels[ev.Channel].Name+": "+ev.Text)
		}
	default:
		d.push(ev.At, "", strings.TrimSuffix(ev.Kind.String()+": "+ev.Text, ": "))
	}
	d.newest = max(d.newest, ev.At)
	d.write(d.newest - d.late)
}

// gap makes a line unknown from where its edges may have been lost until its
// next edge, those within the gap not being the whole truth.
func (d *dump) gap(ev rig.Event) {
	if int(ev.Channel) >= len(d.channels) {
		return
	}
	if c := d.channels[ev.Channel]; c.Dir != rig.Text && c.Unit == rig.Level {
		d.push(reach(ev), d.codes[ev.Channel], "x")
		d.push(ev.At, d.codes[ev.Channel], "x")
	}
	d.push(ev.At, "", "edges of "+d.channels[ev.Channel].Name+" were lost")
}

func (d *dump) push(at rig.Instant, code, value string) {
	heap.Push(&d.waiting, change{at, d.order, code, value})
	d.order++
}

// write writes what is waiting up to an instant.
func (d *dump) write(until rig.Instant) {
	for len(d.waiting) > 0 && d.waiting[0].at <= until {
		c := heap.Pop(&d.waiting).(change)
		if c.code != "" && d.shown[c.code] == c.value {
			continue
		}
		if t := d.micros(c.at); t > d.stamp {
			d.stamp = t
			fmt.Fprintf(d.b, "#%d\n", t)
		}
		if c.code == "" {
			d.command("$comment", c.value)
		} else {
			d.show(c.code, c.value)
		}
	}
}

func (d *dump) finish(tail *timeline.TailError) {
	d.write(rig.Never)
	// A viewer's time ends at the last stamp.
	if t := d.micros(d.newest); t > d.stamp {
		fmt.Fprintf(d.b, "#%d\n", t)
	}
	if tail != nil {
		d.command("$comment", tail.Error())
	}
}

// value writes a value without its variable's code.
func value(n int64, u rig.Unit) string {
	if u == rig.Level {
		if n == 0 {
			return "0"
		}
		return "1"
	}
	unit, ok := dumpUnits[u]
	if !ok {
		unit.scale = 1
	}
	return "r" + strconv.FormatFloat(float64(n)/unit.scale-unit.offset, 'g', 16, 64) + " "
}
