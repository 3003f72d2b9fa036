package gpio

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"syscall"

	"drench/rig"

	"golang.org/x/sys/unix"
)

// request is a line request that the kernel granted.
type request struct {
	plan
	file    *os.File
	raw     syscall.RawConn
	pins    []*linePin // by index in the request, without a spare
	tracker *tracker   // of its inputs, if it has any
}

// request makes one line request.
func (b *Bank) request(p plan, lines []Line) error {
	before := Now()
	file, err := p.make(lines)
	if err != nil {
		return err
	}
	raw, err := file.SyscallConn()
	if err != nil {
		file.Close()
		return err
	}
	r := &request{plan: p, file: file, raw: raw}
	b.requests = append(b.requests, r)
	for index, m := range p.members {
		n := newPin(lines[m], b.resolved[m], r, index, b.closed)
		b.pins[lines[m].ID] = n
		r.pins = append(r.pins, n)
	}
	if p.buffer == 0 {
		return nil
	}
	return b.capture(r, before)
}

// make has the kernel grant a plan.
func (p plan) make(lines []Line) (*os.File, error) {
	message, err := compose(p.consumer, p.lines, p.buffer)
	if err != nil {
		return nil, fmt.Errorf("request lines of %v: %w", p.chip, err)
	}
	chip, err := openChip(p.chip.Path)
	if err != nil {
		return nil, err
	}
	defer unix.Close(chip) // the lines outlive it
	fd, err := getLine(chip, &message)
	if err != nil {
		return nil, p.explain(err, chip, lines)
	}
	// Nonblocking before NewFile: only then does a read park a goroutine
	// rather than a thread, and Close wake it.
	if err := unix.SetNonblock(fd, true); err != nil {
		unix.Close(fd)
		return nil, fmt.Errorf("request lines of %v: %w", p.chip, err)
	}
	return os.NewFile(uintptr(fd), p.consumer), nil
}

// explain turns the kernel's refusal of a plan into a complaint that says which
// line and why, as far as can be found out.
func (p plan) explain(err error, chip int, lines []Line) error {
	switch {
	case errors.Is(err, unix.EBUSY):
		if busy := p.busy(chip, lines); busy != nil {
			return busy
		}
	case errors.Is(err, unix.ENXIO):
		err = fmt.Errorf("%w: the chip has no interrupt for an input; expected lines that can signal edges", err)
	case errors.Is(err, unix.EINVAL):
		err = fmt.Errorf("%w: the chip or a kernel before 5.10 refuses what was asked", err)
	}
	about := make([]string, len(p.members))
	for i, m := range p.members {
		about[i] = fmt.Sprintf("%s (line %d)", lines[m].Channel, p.lines[i].offset)
	}
	return fmt.Errorf("request %s of %v: %w", strings.Join(about, ", "), p.chip, err)
}

// busy finds the first line of a plan that somebody holds.
func (p plan) busy(chip int, lines []Line) error {
	for i, m := range p.members {
		now, err := lineInfo(chip, p.lines[i].offset)
		if err == nil && now.Flags&flagUsed != 0 {
			return &BusyError{lines[m].Channel, p.chip.String(), int(p.lines[i].offset), text(now.Consumer[:])}
		}
	}
	return nil
}

// BusyError says that a line is in use.
type BusyError struct {
	Channel string
	Chip    string // name and label
	Offset  int
	Holder  string // consumer label, or "" if the holder gave none
}

func (e *BusyError) Error() string {
	holder := "an unnamed holder, such as a kernel driver"
	if e.Holder != "" {
		holder = fmt.Sprintf("%q", e.Holder)
	}
	return fmt.Sprintf("channel %s: line %d of %s is held by %s; stop that, or wire the channel to another line",
		e.Channel, e.Offset, e.Chip, holder)
}

// Unwrap makes a BusyError an EBUSY.
func (e *BusyError) Unwrap() error { return unix.EBUSY }

// capture prepares a request's reader: polarity is checked from the levels that
// the lines have now.
func (b *Bank) capture(r *request, requested rig.Instant) error {
	var mask uint64
	for _, n := range r.pins {
		if n.line.Dir == rig.Input {
			mask |= n.mask
		}
	}
	levels, err := getLevels(r.raw, mask)
	if err != nil {
		return fmt.Errorf("read the levels of %s: %w", r.consumer, err)
	}
	now := Now()
	var lines []trackedLine
	for _, n := range r.pins {
		if n.line.Dir == rig.Input {
			l := trackedLine{offset: uint32(n.at.Offset), id: n.line.ID}
			if levels&n.mask != 0 {
				l.level = 1
			}
			lines = append(lines, l)
		}
	}
	r.tracker = newTracker(lines, requested, now, b.queue.push)
	b.queue.follow(r.tracker)
	return nil
}
