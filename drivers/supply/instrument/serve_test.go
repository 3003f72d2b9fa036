package instrument

import (
	"bufio"
	"context"
	"io"
	"net"
	"strings"
	"testing"
	"time"
)

// dial serves the instrument on a loopback socket and connects to it.
func dial(t *testing.T, in *Instrument) (connect func() (net.Conn, *bufio.Reader)) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- in.Serve(ctx, l) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("serve: %v", err)
		}
	})
	return func() (net.Conn, *bufio.Reader) {
		c, err := net.Dial("tcp", l.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
		return c, bufio.NewReader(c)
	}
}

// talk sends a message and reads the answer.
func talk(t *testing.T, c net.Conn, r *bufio.Reader, message string) string {
	t.Helper()
	if _, err := io.WriteString(c, message); err != nil {
		t.Fatal(err)
	}
	answer, err := r.ReadString('\n')
	if err != nil {
		t.Fatalf("%q: %v", message, err)
	}
	return answer
}

// TestTerminator: NL ends a message, CR before it is white space, an answer
// ends with NL (N1911A manual p. 72). A message may come in pieces, and several
// at once.
func TestTerminator(t *testing.T) {
	cfg, _ := quiet()
	connect := dial(t, start(t, cfg))
	c, r := connect()
	if got := talk(t, c, r, "VOLT?\r\n"); got != "+0.000000E+00\n" {
		t.Errorf("got %q", got)
	}
	if _, err := io.WriteString(c, "VO"); err != nil {
		t.Fatal(err)
	}
	if got := talk(t, c, r, "LT 5\nVOLT?\n*ESE?\n"); got != "+5.000000E+00\n" {
		t.Errorf("got %q", got)
	}
	if got := talk(t, c, r, ""); got != "0\n" {
		t.Errorf("second answer is %q", got)
	}
}

// TestOverrun: a message longer than the input buffer is let go and gives
// -363; the next is read.
func TestOverrun(t *testing.T) {
	cfg, _ := quiet()
	connect := dial(t, start(t, cfg))
	c, r := connect()
	if got := talk(t, c, r, "VOLT "+strings.Repeat("1", 5000)+"\nSYST:ERR?\n"); got != `-363,"Input buffer overrun"`+"\n" {
		t.Errorf("got %q", got)
	}
	if got := talk(t, c, r, "SYST:ERR?\n"); got != noError+"\n" {
		t.Errorf("got %q", got)
	}
}

// TestUnfinished: what was sent without terminator before the link went down
// is not executed, and another link is not disturbed.
func TestUnfinished(t *testing.T) {
	cfg, _ := quiet()
	connect := dial(t, start(t, cfg))
	c, _ := connect()
	other, r := connect()
	if _, err := io.WriteString(c, "VOLT 12"); err != nil {
		t.Fatal(err)
	}
	c.Close()
	if got := talk(t, other, r, "VOLT?;:SYST:ERR?\n"); got != "+0.000000E+00;"+noError+"\n" {
		t.Errorf("got %q", got)
	}
}

// TestPlainLink: a link that can't be closed is served until its end.
func TestPlainLink(t *testing.T) {
	cfg, _ := quiet()
	var out strings.Builder
	rw := struct {
		io.Reader
		io.Writer
	}{strings.NewReader("VOLT 3\nVOLT?\nCURR?"), &out}
	if err := start(t, cfg).Talk(context.Background(), rw); err != nil {
		t.Fatal(err)
	}
	if out.String() != "+3.000000E+00\n" {
		t.Errorf("got %q", out.String())
	}
}

func TestFaults(t *testing.T) {
	const whole = "+0.000000E+00\n"
	for name, x := range map[string]struct {
		fault    Fault
		want     string // what VOLT 5;VOLT? is answered with, then the end of the link or *ESE?'s answer
		executed bool
	}{
		"ignore":     {Fault{Kind: Ignore}, "0\n", false},
		"reject":     {Fault{Kind: Reject}, "0\n", false},
		"mute":       {Fault{Kind: Mute}, "0\n", true},
		"late":       {Fault{Kind: Late, Delay: time.Hour}, "+5.000000E+00\n0\n", true},
		"partial":    {Fault{Kind: Partial}, "+5.0000\n", true},
		"cut before": {Fault{Kind: CutBefore}, "", false},
		"cut after":  {Fault{Kind: CutAfter}, "", true},
	} {
		t.Run(name, func(t *testing.T) {
			cfg, _ := quiet()
			in := start(t, cfg)
			x.fault.Match, x.fault.Times, x.fault.Skip = "volt 5", 1, 1
			in.Inject(x.fault)
			connect := dial(t, in)
			c, r := connect()
			if got := talk(t, c, r, "VOLT 5;VOLT?\n*RST\nVOLT?\n"); got != "+5.000000E+00\n" {
				t.Fatalf("the fault strikes the message that it is to skip: %q", got)
			}
			if got := talk(t, c, r, ""); got != whole {
				t.Fatalf("got %q", got)
			}
			if _, err := io.WriteString(c, "VOLT 5;VOLT?\n*ESE?\n"); err != nil {
				t.Fatal(err)
			}
			if err := c.(*net.TCPConn).CloseWrite(); err != nil && x.want != "" {
				t.Fatal(err)
			}
			got, err := io.ReadAll(r)
			if err != nil && x.want != "" || string(got) != x.want {
				t.Errorf("got %q (%v), want %q", got, err, x.want)
			}
			if set := exec(t, in, "VOLT?") == "+5.000000E+00"; set != x.executed {
				t.Errorf("executed: %v, want %v", set, x.executed)
			}
			if name == "reject" {
				if got := exec(t, in, "SYST:ERR?"); got != `-200,"Execution error"` {
					t.Errorf("got %s", got)
				}
			}
		})
	}
}

// TestNoiseFaults: garbled answers are as long as the true ones, a flood as
// long as asked for; after mending all is well.
func TestNoiseFaults(t *testing.T) {
	cfg, _ := quiet()
	in := start(t, cfg)
	in.Inject(Fault{Kind: Flood, Match: "CURR?", Bytes: 100_000})
	in.Inject(Fault{Kind: Garble})
	connect := dial(t, in)
	c, r := connect()
	if _, err := io.WriteString(c, "VOLT?\n"); err != nil {
		t.Fatal(err)
	}
	noise := make([]byte, 14)
	if _, err := io.ReadFull(r, noise); err != nil || strings.HasPrefix(string(noise), "+0.0") || noise[13] != '\n' {
		t.Errorf("got %q (%v) for a garbled answer", noise, err)
	}
	if _, err := io.WriteString(c, "CURR?\n"); err != nil {
		t.Fatal(err)
	}
	if n, err := io.CopyN(io.Discard, r, 100_000); err != nil {
		t.Errorf("a flood of %d bytes: %v", n, err)
	}
	in.Mend()
	if got := talk(t, c, r, "VOLT?\n"); got != "+0.000000E+00\n" {
		t.Errorf("got %q", got)
	}
}

// TestRefuse: new connections are closed, those that are open go on; Cut
// closes them.
func TestRefuse(t *testing.T) {
	cfg, _ := quiet()
	in := start(t, cfg)
	connect := dial(t, in)
	c, r := connect()
	if got := talk(t, c, r, "*ESE?\n"); got != "0\n" {
		t.Fatalf("got %q", got)
	}
	in.Refuse(true)
	_, refused := connect()
	if b, err := refused.ReadByte(); err == nil {
		t.Errorf("a refused connection answers %q", b)
	}
	if got := talk(t, c, r, "*ESE?\n"); got != "0\n" {
		t.Errorf("got %q", got)
	}
	in.Cut()
	if b, err := r.ReadByte(); err == nil {
		t.Errorf("a cut connection answers %q", b)
	}
}

// TestSharedState: two links see one instrument, and a link that waits for the
// output does not keep the other from talking.
func TestSharedState(t *testing.T) {
	cfg, _ := quiet()
	cfg.Clock = nil // the machine's
	cfg.SlewUp = cfg.SlewUp / 5000
	in := start(t, cfg)
	connect := dial(t, in)
	slow, _ := connect()
	c, r := connect()
	if _, err := io.WriteString(slow, "VOLT 30;:OUTP ON;*OPC?\n"); err != nil { // 300 s
		t.Fatal(err)
	}
	for talk(t, c, r, "OUTP?\n") != "1\n" {
	}
	if got := talk(t, c, r, "VOLT?\n"); got != "+3.000000E+01\n" {
		t.Errorf("got %q", got)
	}
}
