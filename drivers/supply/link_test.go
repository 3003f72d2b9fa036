package supply

import (
	"bufio"
	"context"
	"errors"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"drench/drivers/supply/instrument"

	"github.com/creack/pty"
	"go.bug.st/serial"
	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/physic"
)

func TestParseAddress(t *testing.T) {
	for _, good := range []string{"tcp://supply", "tcp://192.0.2.1:5025", "tcp://[2001:db8::1]:5025", "serial:///dev/ttyUSB0", "serial:///dev/serial/by-id/usb-x-if00?baud=115200&data=7&parity=even&stop=2"} {
		if _, err := parseAddress(good); err != nil {
			t.Errorf("%s: %v", good, err)
		}
	}
	for bad, want := range map[string]string{
		"":                                "expected tcp://host:5025 or serial:///dev/",
		"supply:5025":                     "expected tcp://host",
		"udp://supply":                    "expected tcp://host",
		"tcp://supply/x":                  "expected tcp://host",
		"serial://dev/ttyUSB0":            "expected tcp://host",
		"serial:///":                      "expected tcp://host",
		"tcp://a b":                       "supply address",
		"serial:///dev/ttyS0?baud=fast":   "baud=fast; expected a rate such as 9600",
		"serial:///dev/ttyS0?data=9":      "data=9; expected 7 or 8",
		"serial:///dev/ttyS0?parity=mark": "parity=mark; expected none, even or odd",
		"serial:///dev/ttyS0?stop=1.5":    "stop=1.5; expected 1 or 2",
		"serial:///dev/ttyS0?bauds=9600":  "bauds=9600; expected baud, data, parity or stop",
	} {
		_, err := parseAddress(bad)
		wantText(t, err, want)
	}
	mode, err := parseMode(nil)
	if must(t, err); *mode != (serial.Mode{BaudRate: 9600, DataBits: 8}) {
		t.Errorf("without settings the mode is %+v", mode)
	}
}

// patience bounds tests on real links, generously: only a hang reaches it.
func patience(t *testing.T) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

// serve puts an instrument on a loopback socket.
func serve(t *testing.T, in *instrument.Instrument) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	var served sync.WaitGroup
	served.Go(func() {
		if err := in.Serve(ctx, l); err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(func() { cancel(); served.Wait() })
	return "tcp://" + l.Addr().String()
}

func TestTCP(t *testing.T) {
	in, err := instrument.New(silent())
	must(t, err)
	ctx := patience(t)
	s, err := Dial(ctx, Config{Address: serve(t, in)})
	must(t, err)
	defer s.Close()
	converse(ctx, t, in, s)
	must(t, s.Set(ctx, int64(3*physic.Volt)))
	in.Cut()
	v, err := s.Read(ctx)
	if must(t, err); apart(v, 3e9) > 2e6 {
		t.Errorf("after the link was cut, read %d nV", v)
	}
	in.PowerCycle()
	var e *StateError
	if _, err := s.Read(ctx); !errors.As(err, &e) {
		t.Errorf("after a power cycle: got %v", err)
	}
}

// TestTCPRefused: connections that are accepted and closed at once are not
// taken for a supply; when they are served again, the same Supply goes on.
func TestTCPRefused(t *testing.T) {
	in, err := instrument.New(silent())
	must(t, err)
	ctx := patience(t)
	s, err := Dial(ctx, Config{Address: serve(t, in), Redial: Redial{Attempts: 3, First: time.Millisecond}})
	must(t, err)
	defer s.Close()
	in.Refuse(true)
	in.Cut()
	_, err = s.Voltage(ctx)
	wantError(t, err, ErrLost, "failed 3 times")
	in.Refuse(false)
	_, err = s.Voltage(ctx)
	must(t, err)
}

func TestTCPNobody(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	must(t, l.Close())
	_, err = Dial(patience(t), Config{Address: "tcp://" + l.Addr().String()})
	wantError(t, err, ErrLost, "connection refused")
}

// openPTY returns a pseudo-terminal and a link to its far end, named as a
// serial line of the rig would be.
func openPTY(t *testing.T) (master *os.File, address string) {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		if os.Getenv("DRENCH_REQUIRE") == "all" {
			t.Fatal(err)
		}
		t.Skipf("no pseudo-terminal here: %v", err)
	}
	master = pollable(t, master)
	path := filepath.Join(t.TempDir(), "usb-supply")
	must(t, os.Symlink(slave.Name(), path))
	// Kept open, so that the master reads on when the driver closes its side.
	t.Cleanup(func() { slave.Close(); master.Close() })
	return master, "serial://" + path + "?baud=115200"
}

// pollable returns f as a file whose reads end when it is closed, which those
// of a descriptor in blocking mode do not.
func pollable(t *testing.T, f *os.File) *os.File {
	t.Helper()
	defer f.Close()
	fd, err := unix.Dup(int(f.Fd()))
	must(t, err)
	must(t, unix.SetNonblock(fd, true))
	return os.NewFile(uintptr(fd), f.Name())
}

func TestSerial(t *testing.T) {
	in, err := instrument.New(silent())
	must(t, err)
	master, address := openPTY(t)
	ctx := patience(t)
	var talked sync.WaitGroup
	talked.Go(func() { in.Talk(ctx, master) })
	for range 2 { // closed and opened again, the same line works
		s, err := Dial(ctx, Config{Address: address})
		must(t, err)
		converse(ctx, t, in, s)
		_, err = Dial(ctx, Config{Address: address})
		wantText(t, err, "another program uses the supply")
		must(t, s.Close())
	}
	master.Close()
	talked.Wait()
}

// TestSerialUnplugged: the line goes away in the middle of a message's
// execution, before it is answered.
func TestSerialUnplugged(t *testing.T) {
	in, err := instrument.New(silent())
	must(t, err)
	master, address := openPTY(t)
	ctx := patience(t)
	// The instrument hears what is before the unplugging only.
	heard, tell := io.Pipe()
	link := struct {
		io.Reader
		io.Writer
	}{heard, master}
	go in.Talk(ctx, link)
	var plugged sync.WaitGroup
	plugged.Go(func() {
		defer tell.Close()
		r := bufio.NewReader(master)
		for {
			line, err := r.ReadString('\n')
			if err != nil {
				return
			}
			if strings.HasPrefix(line, "VOLT 5") {
				master.Close()
				return
			}
			io.WriteString(tell, line)
		}
	})
	s, err := Dial(ctx, Config{Address: address, Redial: Redial{Attempts: 2, First: time.Millisecond}})
	must(t, err)
	defer s.Close()
	err = s.SetVoltage(ctx, 5*physic.Volt)
	var doubt *OutcomeError
	if !errors.As(err, &doubt) || doubt.Command != "VOLT 5" {
		t.Fatalf("got %v", err)
	}
	wantError(t, err, ErrLost, "opening it again failed 2 times")
	plugged.Wait()
	if got, err := in.Exec(ctx, "VOLT?"); err != nil || got != "+0.000000E+00" {
		t.Errorf("the instrument is set to %s (%v)", got, err)
	}
}

// TestSerialNoise: a line that sends noise at its full rate is refused.
func TestSerialNoise(t *testing.T) {
	master, address := openPTY(t)
	var sent sync.WaitGroup
	sent.Go(func() {
		b := make([]byte, 4096)
		for i := range b {
			b[i] = byte(i*7 + 3)
		}
		for {
			if _, err := master.Write(b); err != nil {
				return
			}
		}
	})
	_, err := Dial(patience(t), Config{Address: address})
	wantError(t, err, ErrGarbled, "does not stop")
	master.Close()
	sent.Wait()
}

func TestSerialNobody(t *testing.T) {
	_, err := Dial(patience(t), Config{Address: "serial://" + t.TempDir() + "/none"})
	wantError(t, err, os.ErrNotExist, "connect to supply")
	file := filepath.Join(t.TempDir(), "file")
	must(t, os.WriteFile(file, nil, 0o666))
	_, err = Dial(patience(t), Config{Address: "serial://" + file})
	wantError(t, err, ErrLost, "open "+file)
}
