package gpio

import (
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"drench/rig"

	periph "periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpioreg"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/conn/v3/pin"
)

// linePin is a line of a Bank as a periph pin. Its levels are the channel's:
// High is active, whichever way the wire goes. Direction and bias stay what
// they were when the Bank was opened; a method that would change them fails.
type linePin struct {
	line    Line
	at      Resolved
	request *request
	mask    uint64        // of the line in its request
	wants   atomic.Int32  // the periph.Edge that WaitForEdge waits for
	edges   chan struct{} // has a value if such an edge came
	woken   chan struct{} // ends a wait that is going on
	closed  chan struct{} // of the bank
}

var (
	_ periph.PinIO = (*linePin)(nil)
	_ pin.PinFunc  = (*linePin)(nil)
)

func newPin(l Line, at Resolved, r *request, index int, closed chan struct{}) *linePin {
	p := &linePin{line: l, at: at, request: r, mask: 1 << index, closed: closed,
		edges: make(chan struct{}, 1), woken: make(chan struct{})}
	p.wants.Store(int32(periph.BothEdges))
	return p
}

// fault says on which channel and line something went wrong.
func (p *linePin) fault(doing string, err error) error {
	return fmt.Errorf("%s %s, %v: %w", doing, p.line.Channel, p.at, err)
}

func (p *linePin) set(level periph.Level) (Stamp, error) {
	if p.line.Dir != rig.Output {
		return Stamp{}, p.fault("set", errors.New("it is an input; expected an output"))
	}
	var bits uint64
	if level {
		bits = p.mask
	}
	s, err := setLevels(p.request.raw, bits, p.mask)
	if err != nil {
		return s, p.fault("set", err)
	}
	return s, nil
}

func (p *linePin) level() (periph.Level, error) {
	bits, err := getLevels(p.request.raw, p.mask)
	if err != nil {
		return periph.Low, p.fault("read", err)
	}
	return bits&p.mask != 0, nil
}

// notify marks an edge for WaitForEdge.
func (p *linePin) notify(level int64) {
	kind := periph.FallingEdge
	if level == 1 {
		kind = periph.RisingEdge
	}
	if periph.Edge(p.wants.Load())&kind == 0 {
		return
	}
	select {
	case p.edges <- struct{}{}:
	default:
	}
}

// String names the channel and the line.
func (p *linePin) String() string {
	return fmt.Sprintf("%s(%s/%d)", p.line.Channel, p.at.Chip, p.at.Offset)
}

// Name is the channel's.
func (p *linePin) Name() string { return p.line.Channel }

// Number is the line's offset on its chip.
func (p *linePin) Number() int { return p.at.Offset }

// Function is Func as text.
func (p *linePin) Function() string { return string(p.Func()) }

// Func is IN or OUT.
func (p *linePin) Func() pin.Func {
	if p.line.Dir == rig.Output {
		return periph.OUT
	}
	return periph.IN
}

// SupportedFuncs has only the present one.
func (p *linePin) SupportedFuncs() []pin.Func { return []pin.Func{p.Func()} }

// SetFunc fails unless f is the present function.
func (p *linePin) SetFunc(f pin.Func) error {
	if f != p.Func() {
		return p.fault("set the function of", fmt.Errorf("it stays %s while the bank is open", p.Func()))
	}
	return nil
}

// Halt ends a wait for an edge that is going on; an output keeps its level.
func (p *linePin) Halt() error {
	select {
	case p.woken <- struct{}{}:
	default:
	}
	return nil
}

// In selects the edges that WaitForEdge waits for, forgets those that came, and
// ends a wait that is going on. On an output, or with another bias than the
// line was opened with, it fails.
func (p *linePin) In(pull periph.Pull, edge periph.Edge) error {
	if p.line.Dir != rig.Input {
		return p.fault("make an input of", errors.New("it stays an output while the bank is open"))
	}
	if pull != periph.PullNoChange && pull != p.line.Bias {
		return p.fault("change the bias of", fmt.Errorf("it stays %v while the bank is open", p.line.Bias))
	}
	p.wants.Store(int32(edge))
	select {
	case <-p.edges:
	default:
	}
	return p.Halt()
}

// Read returns the level; as periph has it, a line that can't be read is Low.
// An output stays one.
func (p *linePin) Read() periph.Level {
	level, _ := p.level()
	return level
}

// WaitForEdge waits for an edge, for ever if the timeout is negative. It takes
// nothing from Bank.Next, and is not for timing: it has no stamp.
func (p *linePin) WaitForEdge(timeout time.Duration) bool {
	var over <-chan time.Time
	if timeout >= 0 {
		timer := time.NewTimer(timeout)
		defer timer.Stop()
		over = timer.C
	}
	select {
	case <-p.edges:
		return true
	default:
	}
	select {
	case <-p.edges:
		return true
	case <-over:
	case <-p.woken:
	case <-p.closed:
	}
	return false
}

// Pull returns the bias that the line was opened with.
func (p *linePin) Pull() periph.Pull { return p.line.Bias }

// DefaultPull is not known.
func (p *linePin) DefaultPull() periph.Pull { return periph.PullNoChange }

// Out drives an output; on an input it fails.
func (p *linePin) Out(l periph.Level) error {
	_, err := p.set(l)
	return err
}

// PWM fails: a character device's line has none.
func (p *linePin) PWM(periph.Duty, physic.Frequency) error {
	return p.fault("modulate", errors.ErrUnsupported)
}

// register makes the pins known to periph: by channel, and by the kernel's name
// for the line unless that means something else already.
func (b *Bank) register() error {
	for _, p := range b.pins {
		if err := gpioreg.Register(p); err != nil {
			return fmt.Errorf("channel %s: %w; is another bank open?", p.line.Channel, err)
		}
		b.names = append(b.names, p.Name())
	}
	for _, p := range b.pins {
		alias := p.at.LineName
		if alias == "" || gpioreg.ByName(alias) != nil {
			continue
		}
		if err := gpioreg.RegisterAlias(alias, p.Name()); err == nil {
			b.names = append(b.names, alias)
		}
	}
	return nil
}

// unregister takes back what register did. Unregistering fails only for what
// somebody else has taken back.
func (b *Bank) unregister() {
	for _, name := range b.names {
		_ = gpioreg.Unregister(name)
	}
}
