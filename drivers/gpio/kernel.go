package gpio

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"syscall"
	"unsafe"

	"drench/rig"

	"golang.org/x/sys/unix"
	periph "periph.io/x/conn/v3/gpio"
)

// Flags of a line, enum gpio_v2_line_flag in the kernel's linux/gpio.h.
const (
	flagUsed uint64 = 1 << iota
	flagActiveLow
	flagInput
	flagOutput
	flagRising
	flagFalling
	flagOpenDrain
	flagOpenSource
	flagPullUp
	flagPullDown
	flagBiasOff
)

// biasFlags has no entry for periph.PullNoChange: the bias stays as it is.
var biasFlags = map[periph.Pull]uint64{
	periph.Float: flagBiasOff, periph.PullUp: flagPullUp, periph.PullDown: flagPullDown,
}

// wanted is one line of a request. Flags of 0 take the line as it is, without
// touching its direction or level.
type wanted struct {
	offset uint32
	flags  uint64
	active bool // outputs: the level driven from the request on
}

// compose fills in a line request, so that direction, polarity, bias and the
// start levels of outputs reach the lines in one step: an output requested
// first and set afterwards would pulse through 0 in between.
func compose(consumer string, lines []wanted, buffer uint32) (unix.GPIOV2LineRequest, error) {
	var r unix.GPIOV2LineRequest
	if len(lines) == 0 || len(lines) > len(r.Offsets) {
		return r, fmt.Errorf("%d lines in one request; expected 1 to %d", len(lines), len(r.Offsets))
	}
	copy(r.Consumer[:len(r.Consumer)-1], consumer)
	r.Num_lines = uint32(len(lines))
	r.Event_buffer_size = buffer
	r.Config.Flags = lines[0].flags
	var outputs, active uint64
	others := map[uint64]uint64{} // flags to mask of lines
	var order []uint64
	for i, l := range lines {
		bit := uint64(1) << i
		r.Offsets[i] = l.offset
		if l.flags&flagOutput != 0 {
			outputs |= bit
			if l.active {
				active |= bit
			}
		}
		if l.flags == r.Config.Flags {
			continue
		}
		if others[l.flags] == 0 {
			order = append(order, l.flags)
		}
		others[l.flags] |= bit
	}
	var attrs []unix.GPIOV2LineConfigAttribute
	if outputs != 0 {
		attrs = append(attrs, attribute(unix.GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES, active, outputs))
	}
	for _, f := range order {
		attrs = append(attrs, attribute(unix.GPIO_V2_LINE_ATTR_ID_FLAGS, f, others[f]))
	}
	if len(attrs) > len(r.Config.Attrs) {
		return r, fmt.Errorf("%d different settings of polarity and bias in one request; expected at most %d", len(attrs), len(r.Config.Attrs))
	}
	r.Config.Num_attrs = uint32(copy(r.Config.Attrs[:], attrs))
	return r, nil
}

// attribute sets value, flags or levels according to id, on the lines of mask.
// Both share the union that x/sys calls Flags.
func attribute(id uint32, value, mask uint64) unix.GPIOV2LineConfigAttribute {
	return unix.GPIOV2LineConfigAttribute{Attr: unix.GPIOV2LineAttribute{Id: id, Flags: value}, Mask: mask}
}

// debounce returns the µs of a debounce attribute. They are 32 bits wide and
// share the union too.
func debounce(a unix.GPIOV2LineAttribute) uint32 { return *(*uint32)(unsafe.Pointer(&a.Flags)) }

func ioctl(fd uintptr, request uint, arg unsafe.Pointer) error {
	if _, _, errno := unix.Syscall(unix.SYS_IOCTL, fd, uintptr(request), uintptr(arg)); errno != 0 {
		return errno
	}
	return nil
}

func chipInfo(chip int) (info unix.GPIOChipInfo, err error) {
	err = ioctl(uintptr(chip), unix.GPIO_GET_CHIPINFO_IOCTL, unsafe.Pointer(&info))
	return info, err
}

func lineInfo(chip int, offset uint32) (unix.GPIOV2LineInfo, error) {
	info := unix.GPIOV2LineInfo{Offset: offset}
	err := ioctl(uintptr(chip), unix.GPIO_V2_GET_LINEINFO_IOCTL, unsafe.Pointer(&info))
	return info, err
}

// getLine requests the lines and returns their file descriptor.
func getLine(chip int, r *unix.GPIOV2LineRequest) (int, error) {
	if err := ioctl(uintptr(chip), unix.GPIO_V2_GET_LINE_IOCTL, unsafe.Pointer(r)); err != nil {
		return -1, err
	}
	return int(r.Fd), nil
}

// getLevels reads the lines of mask (bits are indices of the request, not
// offsets of the chip). It never changes a direction.
func getLevels(lines syscall.RawConn, mask uint64) (uint64, error) {
	v := unix.GPIOV2LineValues{Mask: mask}
	var err error
	if e := lines.Control(func(fd uintptr) {
		err = ioctl(fd, unix.GPIO_V2_LINE_GET_VALUES_IOCTL, unsafe.Pointer(&v))
	}); e != nil {
		return 0, os.ErrClosed // Control fails for no other reason
	}
	return v.Bits, err
}

// setLevels drives the lines of mask and tells when: the clock is read right
// before and right after.
func setLevels(lines syscall.RawConn, bits, mask uint64) (Stamp, error) {
	v := unix.GPIOV2LineValues{Bits: bits, Mask: mask}
	var s Stamp
	var err error
	if e := lines.Control(func(fd uintptr) {
		s.Before = Now()
		err = ioctl(fd, unix.GPIO_V2_LINE_SET_VALUES_IOCTL, unsafe.Pointer(&v))
		s.After = Now()
	}); e != nil {
		return Stamp{}, os.ErrClosed
	}
	return s, err
}

// record is a line event as the kernel gives it.
type record struct {
	at        rig.Instant
	offset    uint32
	seqno     uint32 // counts the events of the request
	lineSeqno uint32 // counts the events of the line
	level     int64  // after the edge, 1 = active
}

// recordSize is the size of struct gpio_v2_line_event.
const recordSize = 48

// decode appends the events in b to dst. The kernel hands out whole events
// only, so anything else is an error.
func decode(dst []record, b []byte) ([]record, error) {
	if len(b)%recordSize != 0 {
		return dst, fmt.Errorf("%d bytes of line events; expected a multiple of %d", len(b), recordSize)
	}
	for ; len(b) > 0; b = b[recordSize:] {
		id := binary.NativeEndian.Uint32(b[8:])
		if id != unix.GPIO_V2_LINE_EVENT_RISING_EDGE && id != unix.GPIO_V2_LINE_EVENT_FALLING_EDGE {
			return dst, fmt.Errorf("line event of unknown kind %d", id)
		}
		at := binary.NativeEndian.Uint64(b)
		if at >= uint64(rig.Never) {
			return dst, fmt.Errorf("line event with the impossible stamp %d", at)
		}
		r := record{
			at:        rig.Instant(at),
			offset:    binary.NativeEndian.Uint32(b[12:]),
			seqno:     binary.NativeEndian.Uint32(b[16:]),
			lineSeqno: binary.NativeEndian.Uint32(b[20:]),
		}
		if id == unix.GPIO_V2_LINE_EVENT_RISING_EDGE {
			r.level = 1
		}
		dst = append(dst, r)
	}
	return dst, nil
}

// text cuts a name of the kernel at its NUL.
func text(b []byte) string {
	if i := bytes.IndexByte(b, 0); i >= 0 {
		b = b[:i]
	}
	return string(b)
}
