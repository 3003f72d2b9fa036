package dut

import (
	"errors"
	"fmt"
	"time"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

// pollEvery is the longest that a read waits. The serial package closes the
// file descriptor while a read without timeout may still be between finding it
// readable and reading it; by then the number can be another file's. So only
// the goroutine that reads closes, and it looks up this often.
const pollEvery = 25 * time.Millisecond

// link is an open port and the lock that keeps others away from it.
type link struct {
	serial.Port
	lock int
}

// openLink opens and locks the port. TIOCEXCL, which the serial package sets,
// does not stop root, nor those who had the device open before, so there is an
// flock on the device itself as well.
func openLink(name string, baud int) (*link, error) {
	lock, err := unix.Open(name, unix.O_RDONLY|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, explain(name, err)
	}
	if err := unix.Flock(lock, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		unix.Close(lock)
		return nil, explain(name, err)
	}
	port, err := serial.Open(name, &serial.Mode{BaudRate: baud, DataBits: 8})
	if err == nil {
		err = port.SetReadTimeout(pollEvery)
	}
	if err != nil {
		if port != nil {
			port.Close()
		}
		unix.Close(lock)
		return nil, explain(name, err)
	}
	return &link{port, lock}, nil
}

// send writes all of b.
func (l *link) send(b []byte) error {
	for len(b) > 0 {
		n, err := l.Write(b)
		if err != nil {
			return err
		}
		b = b[n:]
	}
	return nil
}

// space takes the transmit line low until it is told otherwise.
func (l *link) space(on bool) error {
	request := uint(unix.TIOCCBRK)
	if on {
		request = unix.TIOCSBRK
	}
	if err := unix.IoctlSetInt(l.lock, request, 0); err != nil {
		return fmt.Errorf("send a break: %w", err)
	}
	return nil
}

// Close closes the port and lets others have it.
func (l *link) Close() error {
	return errors.Join(l.Port.Close(), unix.Close(l.lock))
}

// explain adds the mend to an error of opening.
func explain(name string, err error) error {
	mend := ""
	var p *serial.PortError
	is := func(code serial.PortErrorCode) bool { return errors.As(err, &p) && p.Code() == code }
	switch {
	case is(serial.PortBusy), errors.Is(err, unix.EWOULDBLOCK), errors.Is(err, unix.EBUSY):
		mend = "; another program has it: close that (fuser names it)"
	case is(serial.PermissionDenied), errors.Is(err, unix.EACCES):
		mend = "; add the user to the group that owns the device, often dialout"
	case errors.Is(err, unix.ENOENT), errors.Is(err, unix.ENXIO), errors.Is(err, unix.ENODEV):
		mend = "; plug the bridge in, or correct port in the rig file"
	case is(serial.InvalidSerialPort):
		mend = "; it is no serial device: correct port in the rig file"
	}
	return fmt.Errorf("open serial port %s: %w%s", name, err, mend)
}
