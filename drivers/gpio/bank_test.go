package gpio

import (
	"context"
	"errors"
	"io"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"drench/rig"

	"golang.org/x/sys/unix"
	periph "periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpioreg"
	"periph.io/x/conn/v3/pin"
)

// Channels of the tests' bank.
const (
	idDetect rig.ID = iota
	idLid
	idPump
)

var bankLines = []Line{
	{ID: idDetect, Channel: "detect", Name: "GPIO1", Bias: periph.PullUp},
	{ID: idLid, Channel: "lid", Name: "GPIO4"},
	{ID: idPump, Channel: "pump_drip", Name: "GPIO0", Dir: rig.Output},
}

// pipeBank is a bank that reads its events from a pipe, as from a request's
// file, and the pipe's other end.
func pipeBank(t *testing.T) (*Bank, io.WriteCloser) {
	t.Helper()
	at, err := resolve(someChips(), bankLines)
	if err != nil {
		t.Fatal(err)
	}
	b := newBank(at)
	var fds [2]int
	if err := unix.Pipe2(fds[:], unix.O_NONBLOCK|unix.O_CLOEXEC); err != nil {
		t.Fatal(err)
	}
	r := &request{file: os.NewFile(uintptr(fds[0]), "events"), plan: plan{chip: someChips()[0]}}
	if r.raw, err = r.file.SyscallConn(); err != nil {
		t.Fatal(err)
	}
	for i, l := range bankLines {
		n := newPin(l, at[i], r, i, b.closed)
		r.pins = append(r.pins, n)
		b.pins[l.ID] = n
	}
	r.tracker = newTracker([]trackedLine{{offset: 1, id: idDetect}, {offset: 4, id: idLid}}, 0, 0, b.queue.push)
	b.queue.follow(r.tracker)
	b.requests = []*request{r}
	if err := b.register(); err != nil {
		t.Fatal(err)
	}
	b.start()
	t.Cleanup(func() { b.Close() })
	w := os.NewFile(uintptr(fds[1]), "edges")
	t.Cleanup(func() { w.Close() })
	return b, w
}

// feed writes events as the kernel would give them.
func feed(t *testing.T, w io.Writer, records ...record) {
	t.Helper()
	if _, err := w.Write(encode(records...)); err != nil {
		t.Fatal(err)
	}
}

// next waits for an event, and fails if there is none for a long time.
func next(t *testing.T, b *Bank) rig.Event {
	t.Helper()
	ev, ok, err := b.Next(t.Context(), Now().Add(time.Minute))
	if !ok || err != nil {
		t.Fatalf("no event: %v", err)
	}
	return ev
}

func TestNext(t *testing.T) {
	b, w := pipeBank(t)
	now := Now()
	feed(t, w, record{now + 1, 1, 1, 1, 1}, record{now + 3, 1, 3, 2, 0}, record{now + 2, 4, 2, 1, 1}, record{now + 4, 1, 4, 3, 0})
	want := []rig.Event{
		{At: now + 1, Kind: rig.Edge, Channel: idDetect, Value: 1},
		{At: now + 2, Kind: rig.Edge, Channel: idLid, Value: 1},
		{At: now + 3, Kind: rig.Edge, Channel: idDetect, Value: 0},
		{At: now + 4, Kind: rig.Gap, Channel: idDetect, Value: 1},
		{At: now + 4, Kind: rig.Edge, Channel: idDetect, Value: 0},
	}
	for _, ev := range want {
		if got := next(t, b); got != ev {
			t.Errorf("got %+v, want %+v", got, ev)
		}
	}
	until := Now().Add(time.Millisecond)
	if ev, ok, err := b.Next(t.Context(), until); ok || err != nil || Now() < until {
		t.Errorf("got %+v, %v, %v before the deadline", ev, ok, err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, _, err := b.Next(ctx, rig.Never-1); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// TestStalledConsumer: a consumer that takes nothing for a while finds
// all events, as the reader never waits for it.
func TestStalledConsumer(t *testing.T) {
	b, w := pipeBank(t)
	const n = 5000 // more than the pipe holds
	start := Now()
	done := make(chan struct{})
	go func() {
		defer close(done)
		for i := uint32(1); i <= n; i++ {
			if _, err := w.Write(encode(record{start + rig.Instant(i), 1, i, i, int64(i % 2)})); err != nil {
				t.Error(err)
				return
			}
		}
	}()
	<-done // no event was taken so far
	for i := int64(1); i <= n; i++ {
		if ev := next(t, b); ev.Kind != rig.Edge || ev.Value != i%2 {
			t.Fatalf("event %d is %+v", i, ev)
		}
	}
}

func TestCloseWakes(t *testing.T) {
	b, _ := pipeBank(t)
	woken := make(chan error)
	go func() {
		_, _, err := b.Next(context.Background(), rig.Never-1)
		woken <- err
	}()
	edge := make(chan bool)
	go func() { edge <- b.pins[idDetect].WaitForEdge(-1) }()
	if err := b.Close(); err != nil {
		t.Error(err)
	}
	if err := <-woken; !errors.Is(err, os.ErrClosed) {
		t.Errorf("Next returned %v, want os.ErrClosed", err)
	}
	if <-edge {
		t.Error("WaitForEdge reported an edge")
	}
	if err := b.Close(); err != nil {
		t.Errorf("second Close: %v", err)
	}
	if _, err := b.Set(idPump, periph.High); !errors.Is(err, os.ErrClosed) {
		t.Errorf("Set after Close: %v", err)
	}
	if _, err := b.Level(idDetect); !errors.Is(err, os.ErrClosed) {
		t.Errorf("Level after Close: %v", err)
	}
	if p := gpioreg.ByName("detect"); p != nil {
		t.Errorf("periph still knows %v", p)
	}
}

// failing is a file that fails.
type failing struct{ err error }

func (f failing) Read([]byte) (int, error) { return 0, f.err }

func TestReadFailures(t *testing.T) {
	q := newQueue(16)
	tr := newTracker([]trackedLine{{offset: 1}}, 0, 0, q.push)
	for _, c := range []struct {
		name string
		file io.Reader
		want string
	}{
		{"chip gone", failing{&os.PathError{Op: "read", Path: "x", Err: unix.ENODEV}}, "the chip went away: read x: no such device"},
		{"end", strings.NewReader(""), "EOF"},
		{"torn event", strings.NewReader("torn"), "4 bytes of line events; expected a multiple of 48"},
		{"a line that was not requested", strings.NewReader(string(encode(record{at: 1, offset: 7}))), "event of line 7, which was not requested"},
	} {
		if err := read(c.file, tr, q, func(record) {}); err == nil || err.Error() != c.want {
			t.Errorf("%s: %v, want %s", c.name, err, c.want)
		}
	}
}

func TestReaderFailureReachesNext(t *testing.T) {
	b, w := pipeBank(t)
	feed(t, w, record{Now(), 1, 1, 1, 1})
	w.Close()
	if ev := next(t, b); ev.Kind != rig.Edge {
		t.Errorf("got %+v, want the edge from before the failure", ev)
	}
	_, _, err := b.Next(t.Context(), rig.Never-1)
	if !errors.Is(err, io.EOF) || !strings.Contains(err.Error(), "capture edges of gpiochip0 [pinctrl]") {
		t.Errorf("error is %v", err)
	}
}

func TestWrongUse(t *testing.T) {
	b, _ := pipeBank(t)
	for name, c := range map[string]struct {
		err  error
		want string
	}{
		"set an input":       {second(b.Set(idDetect, periph.High)), "set detect, line 1 of gpiochip0 [pinctrl] (GPIO1): it is an input; expected an output"},
		"set nothing":        {second(b.Set(9, periph.High)), "no GPIO line has the channel ID 9"},
		"read nothing":       {second(b.Level(9)), "no GPIO line has the channel ID 9"},
		"kernel refuses set": {second(b.Set(idPump, periph.High)), "set pump_drip, line 0 of gpiochip0 [pinctrl] (GPIO0): inappropriate ioctl for device"},
		"kernel won't read":  {second(b.Level(idPump)), "read pump_drip, line 0 of gpiochip0 [pinctrl] (GPIO0): inappropriate ioctl for device"},
	} {
		if c.err == nil || c.err.Error() != c.want {
			t.Errorf("%s: %v, want %s", name, c.err, c.want)
		}
	}
}

func second[T any](_ T, err error) error { return err }

func TestResolvedIsACopy(t *testing.T) {
	b, _ := pipeBank(t)
	at := b.Resolved()
	if len(at) != 3 || at[2].Channel != "pump_drip" || at[2].Offset != 0 || at[2].Chip != "gpiochip0" {
		t.Errorf("resolved %+v", at)
	}
	at[0] = Resolved{}
	if b.Resolved()[0] == at[0] {
		t.Error("a caller can change the bank's own")
	}
}

func TestPin(t *testing.T) {
	b, w := pipeBank(t)
	in, out := gpioreg.ByName("detect"), gpioreg.ByName("pump_drip")
	if in == nil || out == nil {
		t.Fatal("periph doesn't know the pins")
	}
	if alias, ok := gpioreg.ByName("GPIO1").(periph.RealPin); !ok || alias.Real() != in {
		t.Errorf("GPIO1 is %v, want an alias of detect", gpioreg.ByName("GPIO1"))
	}
	if in.String() != "detect(gpiochip0/1)" || in.Number() != 1 || in.Pull() != periph.PullUp || in.DefaultPull() != periph.PullNoChange {
		t.Errorf("%v: number %d, pull %v, default %v", in, in.Number(), in.Pull(), in.DefaultPull())
	}
	if f := in.(pin.PinFunc).Func(); f != periph.IN || in.(pin.PinFunc).SetFunc(periph.IN) != nil || in.(pin.PinFunc).SetFunc(periph.OUT) == nil {
		t.Errorf("function is %s", f)
	}
	if f := out.(pin.PinFunc).Func(); f != periph.OUT || !slices.Equal(out.(pin.PinFunc).SupportedFuncs(), []pin.Func{periph.OUT}) {
		t.Errorf("function is %s", f)
	}
	for name, err := range map[string]error{
		"an output as input": out.In(periph.PullNoChange, periph.BothEdges),
		"another bias":       in.In(periph.PullDown, periph.BothEdges),
		"an input as output": in.Out(periph.Low),
		"PWM":                out.PWM(periph.DutyHalf, 0),
	} {
		if err == nil {
			t.Errorf("%s was accepted", name)
		}
	}

	now := Now()
	if in.WaitForEdge(0) {
		t.Error("an edge before any")
	}
	feed(t, w, record{now + 1, 1, 1, 1, 1})
	if !in.WaitForEdge(-1) || in.WaitForEdge(0) {
		t.Error("one edge was not seen once")
	}
	if err := in.In(periph.PullUp, periph.FallingEdge); err != nil {
		t.Error(err)
	}
	feed(t, w, record{now + 2, 1, 2, 2, 0}, record{now + 3, 1, 3, 3, 1})
	if !in.WaitForEdge(time.Minute) {
		t.Error("the falling edge was not seen")
	}
	feed(t, w, record{now + 4, 1, 4, 4, 0})
	for range 4 { // Bank.Next has them all the same
		if ev := next(t, b); ev.Channel != idDetect {
			t.Errorf("got %+v", ev)
		}
	}
	if err := in.In(periph.PullNoChange, periph.FallingEdge); err != nil {
		t.Error(err)
	}
	if in.WaitForEdge(0) {
		t.Error("In left a stale edge")
	}
}

func TestHaltEndsAWait(t *testing.T) {
	b, _ := pipeBank(t)
	p := b.pins[idDetect]
	waited := make(chan bool)
	go func() { waited <- p.WaitForEdge(-1) }()
	for {
		if err := p.Halt(); err != nil { // does nothing until the wait has begun
			t.Fatal(err)
		}
		select {
		case got := <-waited:
			if got {
				t.Error("Halt passed for an edge")
			}
			if p.WaitForEdge(time.Millisecond) {
				t.Error("a wait after Halt saw an edge")
			}
			return
		case <-time.After(time.Millisecond):
		}
	}
}

func TestChannelNamesAreUnique(t *testing.T) {
	b, _ := pipeBank(t)
	second := newBank(nil)
	second.pins[0] = b.pins[idLid]
	if err := second.register(); err == nil || !strings.Contains(err.Error(), "channel lid: ") {
		t.Errorf("a second bank with the same channel gave %v", err)
	}
	second.Close()
	if gpioreg.ByName("lid") == nil {
		t.Error("the second bank's Close took the first one's pin away")
	}
}
