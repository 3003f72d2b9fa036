package closedloop

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"strconv"
	"strings"
	"sync"

	"drench/drivers/supply/instrument"
	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// rail is one of the world's supplies behind a simulated instrument. What the
// instrument is set to goes into the world, which has slew and load of its own.
type rail struct {
	loop   *Loop
	name   string
	inst   *instrument.Instrument
	listen net.Listener
	served sync.WaitGroup
	set    int64 // nV, what the world was told
}

func newRail(ctx context.Context, l *Loop, name string) (*rail, error) {
	cfg := instrument.Bench()
	cfg.Identity = [4]string{"drench", "closed loop", name, "1.0"}
	cfg.SlewUp, cfg.SlewDown = l.cfg.World.Supply.SlewUp, l.cfg.World.Supply.SlewDown
	inst, err := instrument.New(cfg)
	if err != nil {
		return nil, err
	}
	r := &rail{loop: l, name: name, inst: inst}
	if r.listen, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		return nil, err
	}
	r.served.Go(func() { _ = inst.Serve(ctx, tapped{r.listen, l.nudge}) }) // how a link ends is the client's affair
	return r, nil
}

// tapped is a listener that tells when a message has been dealt with: when the
// next one is waited for.
type tapped struct {
	net.Listener
	dealt func()
}

func (t tapped) Accept() (net.Conn, error) {
	c, err := t.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return tappedConn{c, t.dealt}, nil
}

type tappedConn struct {
	net.Conn
	dealt func()
}

func (c tappedConn) Read(b []byte) (int, error) {
	c.dealt()
	return c.Conn.Read(b)
}

// follow tells the world what the instrument is set to.
func (r *rail) follow(ctx context.Context) error {
	answer, err := r.inst.Exec(ctx, "OUTP?;:VOLT?")
	if err != nil {
		return err
	}
	on, level, _ := strings.Cut(answer, ";")
	volts, err := strconv.ParseFloat(level, 64)
	if err != nil {
		return fmt.Errorf("%s answers %q: %w", r.name, answer, err)
	}
	v := int64(volts * 1e9)
	if _, _, mode := r.inst.Output(); on != "1" || mode == instrument.Tripped {
		v = 0
	}
	if v == r.set {
		return nil
	}
	r.set = v
	return r.loop.set(ctx, r.name, v)
}

func (r *rail) close() {
	r.listen.Close()
	r.inst.Cut()
	r.served.Wait()
}

// Supply is the instrument behind the supply, or the dip rail, for a test to
// make it misbehave.
func (l *Loop) Supply(name string) *instrument.Instrument {
	for _, r := range l.supplies {
		if r.name == name {
			return r.inst
		}
	}
	return nil
}

// Address is where a supply answers, or for any other name the meters.
func (l *Loop) Address(name string) string {
	for _, r := range l.supplies {
		if r.name == name {
			return "tcp://" + r.listen.Addr().String()
		}
	}
	return "tcp://" + l.meters.listen.Addr().String()
}

// meters answers for the gauges: *IDN?, and READ:channel? in volt, ampere,
// joule, °C or % of relative humidity.
type meters struct {
	loop   *Loop
	listen net.Listener
	served sync.WaitGroup
	ctx    context.Context
}

func newMeters(ctx context.Context, l *Loop) (*meters, error) {
	listen, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	m := &meters{loop: l, listen: listen, ctx: ctx}
	m.served.Go(func() {
		for {
			conn, err := listen.Accept()
			if err != nil {
				return
			}
			m.served.Go(func() { m.talk(conn) })
		}
	})
	return m, nil
}

func (m *meters) talk(conn net.Conn) {
	defer conn.Close()
	defer context.AfterFunc(m.ctx, func() { conn.Close() })()
	for in := bufio.NewScanner(conn); in.Scan(); {
		if _, err := io.WriteString(conn, m.answer(strings.ToLower(strings.TrimSpace(in.Text())))+"\n"); err != nil {
			return
		}
	}
}

func (m *meters) answer(question string) string {
	if question == "*idn?" {
		return "drench,closed loop meters,0,1.0"
	}
	name := strings.TrimSuffix(strings.TrimPrefix(question, "read:"), "?")
	id, ok := m.loop.ids[name]
	if !ok {
		return "no such gauge"
	}
	v, err := m.loop.ask(m.ctx, name)
	if err != nil {
		return "error"
	}
	switch m.loop.world.Channels()[id].Unit {
	case rig.Kelvin:
		return decimal(float64(v-int64(physic.ZeroCelsius)) / 1e9)
	case rig.RelHum:
		return decimal(float64(v) / float64(physic.PercentRH))
	}
	return decimal(float64(v) / 1e9)
}

func decimal(v float64) string { return strconv.FormatFloat(v, 'f', 9, 64) }

func (m *meters) close() {
	m.listen.Close()
	m.served.Wait()
}
