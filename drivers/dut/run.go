package dut

import (
	"fmt"
	"time"

	"drench/rig"
)

// stuck is how long closing waits for a write in progress. A write that is
// still stuck then is inside the kernel, and keeps the device, not its number.
const stuck = 500 * time.Millisecond

// run reads, and opens again what was lost, until Close.
func (p *Port) run() {
	defer close(p.done)
	defer close(p.events)
	for p.step() {
	}
	p.failed = p.drop()
}

// step does one thing; false ends.
func (p *Port) step() bool {
	if p.link.Load() != nil {
		select {
		case <-p.quit:
			return false
		case a := <-p.asks:
			a.granted <- p.grant(a.release)
		default:
			p.read()
		}
		return true
	}
	var retry <-chan time.Time // for ever, while released
	if !p.released {
		t := time.NewTimer(p.pause)
		defer t.Stop()
		retry = t.C
	}
	select {
	case <-p.quit:
		return false
	case a := <-p.asks:
		a.granted <- p.grant(a.release)
	case <-retry:
		p.pause = min(2*p.pause, p.cfg.Retry)
		if p.open() == nil {
			p.emit(Event{At: now(), Kind: Back, Since: p.gone})
		}
	}
	return true
}

// read waits for bytes, for a while.
func (p *Port) read() {
	n, err := p.link.Load().Read(p.buffer)
	at := now()
	p.split.feed(p.buffer[:n], func(text string, cut bool) {
		p.emit(Event{At: at, Kind: Line, Text: text, Cut: cut, First: p.first})
		p.first = false
	})
	if err != nil {
		// Nobody else closes the port, so this is no echo of our own closing,
		// which the serial package would report in the same words.
		p.lose(at, err)
	}
}

// lose closes what has failed. A line that had begun is no line of the
// timeline: a number in it may lack digits.
func (p *Port) lose(at rig.Instant, why error) {
	text := why.Error()
	if rest, _ := p.split.take(); rest != "" {
		text = fmt.Sprintf("%s, in the line %q", text, rest)
	}
	// The device is gone; what closing it says adds nothing.
	_ = p.drop()
	p.gone, p.pause = at, firstRetry
	p.emit(Event{At: at, Kind: Lost, Text: text})
}

// grant releases or reacquires the port.
func (p *Port) grant(release bool) error {
	if release == p.released {
		return nil
	}
	p.released, p.pause = release, firstRetry
	if release {
		if l := p.link.Load(); l != nil && p.space(l, true) == nil {
			p.low.Store(true)
			p.gone = now()
			p.emit(Event{At: p.gone, Kind: Released, Open: true})
			return nil
		}
		p.split.take() // what follows is no end of it
		err := p.drop()
		p.gone = now()
		p.emit(Event{At: p.gone, Kind: Released})
		if err != nil {
			return fmt.Errorf("release the serial port: %w", err)
		}
		return nil
	}
	if low := p.low.Swap(false); low && p.link.Load() != nil {
		if err := p.space(p.link.Load(), false); err != nil {
			p.lose(now(), err) // opening it anew ends the break
			return fmt.Errorf("reacquire the serial port (attempts go on): %w", err)
		}
		p.emit(Event{At: now(), Kind: Taken, Since: p.gone, Open: true})
		return nil
	}
	if err := p.open(); err != nil {
		return fmt.Errorf("reacquire the serial port (attempts go on): %w", err)
	}
	p.emit(Event{At: now(), Kind: Taken, Since: p.gone})
	return nil
}

func (p *Port) open() error {
	l, err := openLink(p.cfg.Port, p.cfg.Baud)
	if err != nil {
		return err
	}
	p.first = true
	p.link.Store(l)
	return nil
}

// drop closes the link, if there is one, once no write uses it any more.
func (p *Port) drop() error {
	l := p.link.Swap(nil)
	if l == nil {
		return nil
	}
	t := time.NewTimer(stuck)
	defer t.Stop()
	select {
	case p.writing <- struct{}{}:
		defer func() { <-p.writing }()
	case <-t.C:
	}
	return l.Close()
}
