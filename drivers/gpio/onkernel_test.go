package gpio

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	"unsafe"

	"drench/rig"

	"golang.org/x/sys/unix"
	periph "periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpioreg"
	"periph.io/x/conn/v3/pin"
)

// The tests in this file run inside the kernel bench. They never say how soon
// an edge must come: the simulated chip tells it by the timer's tick.

func TestOnKernelNamesAndLabels(t *testing.T) {
	c := onKernel(t)
	if c.info(t, 0).Used {
		t.Fatal("line 0 is in use before it was opened")
	}
	b := openOn(t,
		Line{Channel: "detect", Name: "DETECT", Bias: periph.PullUp},
		Line{Channel: "heartbeat", Name: "HEARTBEAT", ActiveLow: true},
		Line{Channel: "pump_drip", Name: "PUMP_DRIP", Dir: rig.Output},
		Line{Channel: "witness", Chip: "drench-bench", Offset: 20},
	)
	want := []Resolved{
		{"detect", "gpiochip0", "drench-bench", 0, "DETECT"},
		{"heartbeat", "gpiochip0", "drench-bench", 1, "HEARTBEAT"},
		{"pump_drip", "gpiochip0", "drench-bench", 9, "PUMP_DRIP"},
		{"witness", "gpiochip0", "drench-bench", 20, ""},
	}
	if got := b.Resolved(); !slices.Equal(got, want) {
		t.Errorf("resolved %+v, want %+v", got, want)
	}
	const inputs = "drench:detect,heartbeat,witness"
	for line, want := range map[int]LineInfo{
		0:  {Name: "DETECT", Used: true, Consumer: inputs, Rising: true, Falling: true, Bias: periph.PullUp},
		1:  {Name: "HEARTBEAT", Used: true, Consumer: inputs, ActiveLow: true, Rising: true, Falling: true},
		9:  {Name: "PUMP_DRIP", Used: true, Consumer: "drench:pump_drip", Output: true},
		20: {Used: true, Consumer: inputs, Rising: true, Falling: true},
		2:  {Name: "WAKE"},
	} {
		if got := c.info(t, line); got != want {
			t.Errorf("line %d is %+v, want %+v", line, got, want)
		}
	}
}

// TestOnKernelStartLevel: an output goes to its start level in one step. The
// stock way, a request first and the direction afterwards, drives 0 in between,
// which shows that the trace would tell.
func TestOnKernelStartLevel(t *testing.T) {
	c := onKernel(t)
	for _, o := range []struct {
		activeLow bool
		initial   periph.Level
		wire      int
	}{{false, false, 0}, {false, true, 1}, {true, false, 1}, {true, true, 0}} {
		var b *Bank
		got := traced(t, func() {
			b = openOn(t, Line{Channel: "relay_dut", Name: "RELAY_DUT", Dir: rig.Output, ActiveLow: o.activeLow, Initial: o.initial})
		})
		if want := []string{fmt.Sprintf("value %d", o.wire), "direction out"}; !slices.Equal(got, want) {
			t.Errorf("%+v: the kernel did %v, want %v", o, got, want)
		}
		if v := c.value(t, 12); v != o.wire {
			t.Errorf("%+v: the wire is %d", o, v)
		}
		if l, err := b.Level(0); err != nil || l != o.initial {
			t.Errorf("%+v: level %v, %v", o, l, err)
		}
		b.Close()
	}
	if got := traced(t, func() { twoSteps(t, 12) }); !slices.Contains(got, "value 0") || !slices.Contains(got, "value 1") {
		t.Errorf("two steps should have pulsed, but the kernel did %v", got)
	}
}

// twoSteps makes line an output at 1 in the way that pulses.
func twoSteps(t *testing.T, line uint32) {
	chip, err := openChip("/dev/gpiochip0")
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(chip)
	r := unix.GPIOV2LineRequest{Num_lines: 1, Offsets: [64]uint32{line}}
	fd, err := getLine(chip, &r)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(fd)
	const setConfig = 0xc110b40d // GPIO_V2_LINE_SET_CONFIG_IOCTL
	config := unix.GPIOV2LineConfig{Flags: flagOutput}
	if err := ioctl(uintptr(fd), setConfig, unsafe.Pointer(&config)); err != nil {
		t.Fatal(err)
	}
	v := unix.GPIOV2LineValues{Bits: 1, Mask: 1}
	if err := ioctl(uintptr(fd), unix.GPIO_V2_LINE_SET_VALUES_IOCTL, unsafe.Pointer(&v)); err != nil {
		t.Fatal(err)
	}
}

func TestOnKernelReadingKeepsAnOutput(t *testing.T) {
	c := onKernel(t)
	b := openOn(t, Line{Channel: "pump_spray", Name: "PUMP_SPRAY", Dir: rig.Output, Initial: true, Bias: periph.PullDown})
	p := gpioreg.ByName("pump_spray")
	done := traced(t, func() {
		for range 3 {
			if l, err := b.Level(0); err != nil || !bool(l) {
				t.Errorf("level %v, %v", l, err)
			}
			if p.Read() != periph.High || p.(pin.PinFunc).Func() != periph.OUT {
				t.Errorf("the pin reads %v, its function is %s", p.Read(), p.(pin.PinFunc).Func())
			}
		}
	})
	if len(done) != 0 || c.value(t, 10) != 1 || !c.info(t, 10).Output {
		t.Errorf("reading did %v; the wire is %d, the line %+v", done, c.value(t, 10), c.info(t, 10))
	}
}

func TestOnKernelSet(t *testing.T) {
	c := onKernel(t)
	b := openOn(t,
		Line{Channel: "valve_air", Name: "VALVE_AIR", Dir: rig.Output},
		Line{Channel: "relay_dip", Name: "RELAY_DIP", Dir: rig.Output, ActiveLow: true},
	)
	for i := range 4 {
		level := periph.Level(i%2 == 0)
		before := Now()
		for id := range rig.ID(2) {
			s, err := b.Set(id, level)
			if err != nil || s.Before < before || s.After < s.Before || s.After > Now() {
				t.Errorf("stamp %+v, %v", s, err)
			}
			if got, err := b.Level(id); err != nil || got != level {
				t.Errorf("channel %d: level %v, %v, want %v", id, got, err, level)
			}
		}
		if high, low := c.value(t, 11), c.value(t, 13); high != 1-i%2 || low != i%2 {
			t.Errorf("set %v: the wires are %d and, active low, %d", level, high, low)
		}
	}
	if err := gpioreg.ByName("relay_dip").Out(periph.High); err != nil || c.value(t, 13) != 0 {
		t.Errorf("the pin's Out: %v, wire %d", err, c.value(t, 13))
	}
}

// TestOnKernelEdges: edges of both polarities, of a plain and of an active-low
// line, come stamped and in order.
func TestOnKernelEdges(t *testing.T) {
	c := onKernel(t)
	c.drive(t, 1, 1)
	b := openOn(t, Line{Channel: "detect", Name: "DETECT"}, Line{Channel: "heartbeat", Name: "HEARTBEAT", ActiveLow: true})
	if l, err := b.Level(1); err != nil || bool(l) {
		t.Errorf("active-low line with 1 on its wire: level %v, %v", l, err)
	}
	var active [2]int // by line
	last := Now()
	for i := range 60 {
		line := i % 3 % 2 // 0, 1, 0, 0, 1, 0, ...
		active[line] = 1 - active[line]
		before := Now()
		c.drive(t, line, active[line]^line)
		ev := within(t, b)
		want := rig.Event{At: ev.At, Kind: rig.Edge, Channel: rig.ID(line), Value: int64(active[line])}
		if ev != want || ev.At < before || ev.At < last || ev.At > Now() {
			t.Fatalf("edge %d is %+v, want %+v between %d and %d", i, ev, want, before, Now())
		}
		if l, err := b.Level(ev.Channel); err != nil || bool(l) != (active[line] == 1) {
			t.Errorf("level %v, %v after %+v", l, err, ev)
		}
		last = ev.At
	}
	if more := rest(t, b); len(more) != 0 {
		t.Errorf("more events: %+v", more)
	}
}

func TestOnKernelPinSeesEdges(t *testing.T) {
	c := onKernel(t)
	openOn(t, Line{Channel: "tray", Name: "TRAY"}, Line{Channel: "lid", Name: "LID"})
	tray, lid := gpioreg.ByName("TRAY"), gpioreg.ByName("lid")
	if err := tray.In(periph.PullNoChange, periph.RisingEdge); err != nil {
		t.Fatal(err)
	}
	c.drive(t, 7, 1)
	if !tray.WaitForEdge(-1) || tray.Read() != periph.High || lid.WaitForEdge(0) {
		t.Errorf("tray reads %v, or lid saw its edge", tray.Read())
	}
}

// storm drives the lines to and fro, all of them once a pace.
func storm(t *testing.T, c simChip, lines []int, rounds int, pace time.Duration) {
	for i := range rounds {
		for _, l := range lines {
			c.drive(t, l, 1-i%2)
		}
		time.Sleep(pace)
	}
}

// TestOnKernelOverflow: edges that the kernel's queue could not hold are told
// as gaps, on every line that lost some.
func TestOnKernelOverflow(t *testing.T) {
	c := onKernel(t)
	lines := make([]Line, 16)
	offsets := make([]int, len(lines))
	for i := range lines {
		lines[i] = Line{ID: rig.ID(i), Channel: fmt.Sprintf("in%d", i), Chip: c.name, Offset: i}
		offsets[i] = i
	}
	b, err := open(t.Context(), lines) // nobody reads yet
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	const rounds = eventBuffer/16 + 16
	storm(t, c, offsets, rounds, 2*tick)
	b.start()
	var told, gaps [16]int
	total := 0
	for _, ev := range rest(t, b) {
		if ev.Kind == rig.Gap {
			gaps[ev.Channel]++
		} else {
			told[ev.Channel]++
			total++
		}
	}
	if total != eventBuffer {
		t.Errorf("the queue gave %d edges, want %d", total, eventBuffer)
	}
	for i := range told {
		if told[i] < rounds && gaps[i] == 0 {
			t.Errorf("line %d: %d of %d edges and no gap", i, told[i], rounds)
		}
	}
	t.Logf("%d of %d edges told, gaps by line %v", total, rounds*16, gaps)
}

// TestOnKernelMerging: a pulse shorter than the kernel can resolve gives both
// its edges, or a gap; never silence.
func TestOnKernelMerging(t *testing.T) {
	c := onKernel(t)
	b := openOn(t, Line{Channel: "detect", Name: "DETECT"}, Line{Channel: "heartbeat", Name: "HEARTBEAT"})
	merged := 0
	for i := range 30 {
		c.drive(t, 0, 1)
		c.drive(t, 0, 0)
		var values []int64
		gap := false
		for _, ev := range append([]rig.Event{within(t, b)}, rest(t, b)...) {
			switch {
			case ev.Channel != 0:
				t.Errorf("pulse %d gave %+v on the other line", i, ev)
			case ev.Kind == rig.Gap:
				gap = true
			default:
				values = append(values, ev.Value)
			}
		}
		if !gap && !slices.Equal(values, []int64{1, 0}) {
			t.Errorf("pulse %d gave edges to %v without a gap", i, values)
		}
		if gap {
			merged++
		}
	}
	t.Logf("%d of 30 pulses merged", merged)
	if merged == 0 {
		t.Error("no pulse merged, so nothing was tested")
	}
}

func TestOnKernelBusy(t *testing.T) {
	c := onKernel(t)
	first := openOn(t, Line{Channel: "detect", Name: "DETECT"}, Line{Channel: "lid", Name: "LID"},
		Line{Channel: "pump_drip", Name: "PUMP_DRIP", Dir: rig.Output, Initial: true})
	for name, second := range map[string]struct {
		line Line
		want BusyError
	}{
		"input":  {Line{Channel: "mine", Name: "LID"}, BusyError{"mine", "gpiochip0 [drench-bench]", 8, "drench:detect,lid"}},
		"output": {Line{Channel: "mine", Name: "PUMP_DRIP", Dir: rig.Output}, BusyError{"mine", "gpiochip0 [drench-bench]", 9, "drench:pump_drip"}},
	} {
		lines := []Line{{ID: 1, Channel: "other", Name: "TRAY"}, {ID: 2, Channel: "reset", Name: "RESET", Dir: rig.Output}, second.line}
		_, err := Open(t.Context(), lines)
		var busy *BusyError
		if !errors.As(err, &busy) || *busy != second.want || !errors.Is(err, unix.EBUSY) {
			t.Errorf("%s: %v, want %+v", name, err, second.want)
		}
		if c.info(t, 7).Used || c.info(t, 3).Used || gpioreg.ByName("other") != nil {
			t.Errorf("%s: a refused bank left lines behind", name)
		}
	}
	if c.value(t, 9) != 1 {
		t.Error("the refused request moved the output")
	}
	if err := first.Close(); err != nil {
		t.Error(err)
	}
	openOn(t, Line{Channel: "mine", Name: "LID"})
}

func TestOnKernelCloseReleases(t *testing.T) {
	c := onKernel(t)
	for range 3 {
		b := openOn(t, Line{Channel: "detect", Name: "DETECT"}, Line{Channel: "wake", Name: "WAKE", Dir: rig.Output, Initial: true})
		if !c.info(t, 0).Used || !c.info(t, 2).Used || c.value(t, 2) != 1 {
			t.Error("the lines are not held")
		}
		waiting := make(chan error)
		go func() {
			_, _, err := b.Next(t.Context(), rig.Never-1)
			waiting <- err
		}()
		if err := b.Close(); err != nil {
			t.Error(err)
		}
		if err := <-waiting; !errors.Is(err, os.ErrClosed) {
			t.Errorf("Next returned %v", err)
		}
		if c.info(t, 0).Used || c.info(t, 2).Used {
			t.Error("the lines are held after Close")
		}
		if _, err := b.Set(1, periph.High); !errors.Is(err, os.ErrClosed) {
			t.Errorf("Set after Close: %v", err)
		}
	}
}

func TestOnKernelSecondChip(t *testing.T) {
	onKernel(t)
	second, _ := newChip(t, "second", 4, map[int]string{0: "DETECT", 1: "OTHER"})
	_, err := Open(t.Context(), []Line{{Channel: "detect", Name: "DETECT"}})
	want := "line 0 of gpiochip0 [drench-bench] (DETECT) and line 0 of " + second.name + " [second] (DETECT)"
	if err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("an ambiguous name gave %v", err)
	}
	b := openOn(t, Line{Channel: "detect", Name: "DETECT", Chip: "second"}, Line{Channel: "lid", Name: "LID"}, Line{Channel: "tray", Name: "TRAY"})
	second.drive(t, 0, 1)
	if ev := within(t, b); ev.Channel != 0 || ev.Value != 1 {
		t.Errorf("got %+v", ev)
	}
	// The lone input has a spare beside it, which was left as it was.
	if got := second.info(t, 3); got != (LineInfo{Used: true, Consumer: "drench:detect"}) {
		t.Errorf("line 3 is %+v, want a spare", got)
	}
}

func TestOnKernelChipGone(t *testing.T) {
	onKernel(t)
	c, remove := newChip(t, "shaky", 4, nil)
	b := openOn(t, Line{Channel: "in", Chip: "shaky", Offset: 0}, Line{Channel: "out", Chip: "shaky", Offset: 1, Dir: rig.Output})
	c.drive(t, 0, 1)
	if ev := within(t, b); ev.Kind != rig.Edge {
		t.Errorf("got %+v", ev)
	}
	remove()
	if _, err := b.Set(1, periph.High); !errors.Is(err, unix.ENODEV) {
		t.Errorf("Set: %v, want ENODEV", err)
	}
	if _, err := b.Level(0); !errors.Is(err, unix.ENODEV) {
		t.Errorf("Level: %v, want ENODEV", err)
	}
	if _, ok, err := b.Next(t.Context(), Now().Add(5*time.Second)); ok || !errors.Is(err, unix.ENODEV) {
		t.Errorf("Next: %v, %v, want ENODEV", ok, err)
	}
}

// TestOnKernelLoopBack has a goroutine for a wire from LOOP_OUT to LOOP_IN.
func TestOnKernelLoopBack(t *testing.T) {
	c := onKernel(t)
	b := openOn(t, Line{Channel: "loop_out", Name: "LOOP_OUT", Dir: rig.Output}, Line{Channel: "loop_in", Name: "LOOP_IN"})
	cut, gone := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(gone)
		for level := 0; ; {
			select {
			case <-cut:
				return
			case <-time.After(time.Millisecond):
			}
			if v := c.value(t, 15); v != level {
				level = v
				c.drive(t, 16, level)
			}
		}
	}()
	const n = 21
	l, err := b.LoopBack(t.Context(), 0, 1, n, 2*tick)
	close(cut)
	<-gone
	if err != nil {
		t.Fatal(err)
	}
	before, after := l.SinceBefore(), l.SinceAfter()
	t.Logf("since before %+v, since after %+v, wide %d", before, after, l.Wide)
	if before.N+l.Wide != n || l.Missed != 0 || l.Gaps != 0 {
		t.Errorf("%d samples, %d wide, %d missed, %d gaps of %d", before.N, l.Wide, l.Missed, l.Gaps, n)
	}
	if before.Min < 0 || after.Min > before.Min {
		t.Errorf("an edge came before its cause: %+v, %+v", before, after)
	}
	if cal, err := l.Calibration(); (err == nil) != (before.N >= 10) || err == nil && (cal.U <= 0 || cal.Lag < after.Min || cal.Lag > before.Max) {
		t.Errorf("calibration of %d samples: %+v, %v", before.N, cal, err)
	}
	if level, err := b.Level(0); err != nil || bool(level) {
		t.Errorf("the output was left at %v, %v", level, err)
	}
}

// TestOnKernelBesideGpiomon has Debian's gpiomon capture half of a chip's lines
// while a Bank captures the other half, under one storm of edges.
func TestOnKernelBesideGpiomon(t *testing.T) {
	onKernel(t)
	gpiomon := need(t, "gpiomon")
	c, _ := newChip(t, "storm", 32, nil)
	args := []string{"--line-buffered", "--format=%o", c.name}
	var lines []Line
	var all []int
	for i := range 16 {
		lines = append(lines, Line{Channel: fmt.Sprintf("in%d", i), Chip: c.name, Offset: 2 * i})
		args = append(args, strconv.Itoa(2*i+1))
		all = append(all, 2*i, 2*i+1)
	}
	var output bytes.Buffer
	other := exec.Command(gpiomon, args...)
	other.Stdout, other.Stderr = &output, os.Stderr
	if err := other.Start(); err != nil {
		t.Fatal(err)
	}
	stop := func() { _ = other.Process.Signal(os.Interrupt); _ = other.Wait() }
	defer stop()
	for !c.info(t, 31).Used {
		time.Sleep(tick)
	}
	var busy *BusyError
	if _, err := Open(t.Context(), []Line{{Channel: "theirs", Chip: c.name, Offset: 5}}); !errors.As(err, &busy) || busy.Holder != "gpiomon" || busy.Offset != 5 {
		t.Errorf("a line of gpiomon's: %v", err)
	}
	b := openOn(t, lines...)
	const rounds = 100
	storm(t, c, all, rounds, 2*tick) // which nobody calls Next in
	ours, gaps := 0, 0
	for _, ev := range rest(t, b) {
		if ev.Kind == rig.Gap {
			gaps++
		} else {
			ours++
		}
	}
	stop()
	theirs := bytes.Count(output.Bytes(), []byte("\n"))
	t.Logf("of %d edges each: ours %d and %d gaps, gpiomon %d, ratio %.4f", rounds*16, ours, gaps, theirs, float64(ours)/float64(theirs))
	if ours < rounds*16 && gaps == 0 {
		t.Errorf("%d edges are missing without a gap", rounds*16-ours)
	}
	if float64(ours) < 0.99*float64(theirs) {
		t.Errorf("%d edges, where gpiomon had %d", ours, theirs)
	}
}
