package supply

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"strconv"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

// port is the port of raw SCPI over TCP, registered with IANA.
const port = "5025"

// opener opens the link to a supply.
type opener func(context.Context) (io.ReadWriteCloser, error)

// parseAddress reads tcp://host[:port] or
// serial:///dev/…[?baud=9600&data=8&parity=none&stop=1].
func parseAddress(address string) (opener, error) {
	u, err := url.Parse(address)
	if err != nil {
		return nil, fmt.Errorf("supply address: %w", err)
	}
	switch {
	case u.Scheme == "tcp" && u.Hostname() != "" && u.Path == "" && u.RawQuery == "":
		p := u.Port()
		if p == "" {
			p = port
		}
		return dialTCP(net.JoinHostPort(u.Hostname(), p)), nil
	case u.Scheme == "serial" && u.Host == "" && len(u.Path) > 1:
		mode, err := parseMode(u.Query())
		if err != nil {
			return nil, fmt.Errorf("supply address %q: %w", address, err)
		}
		return openSerial(u.Path, mode), nil
	}
	return nil, fmt.Errorf("supply address %q can't be used; expected tcp://host:%s or serial:///dev/serial/by-id/…?baud=9600", address, port)
}

func dialTCP(address string) opener {
	return func(ctx context.Context) (io.ReadWriteCloser, error) {
		var d net.Dialer
		return d.DialContext(ctx, "tcp", address)
	}
}

// parseMode reads the settings of a serial line; 9600 baud, 8 data bits, no
// parity and 1 stop bit are what most supplies leave the works with (common
// practice, no source).
func parseMode(q url.Values) (*serial.Mode, error) {
	mode := &serial.Mode{BaudRate: 9600, DataBits: 8}
	parities := map[string]serial.Parity{"none": serial.NoParity, "even": serial.EvenParity, "odd": serial.OddParity}
	stops := map[string]serial.StopBits{"1": serial.OneStopBit, "2": serial.TwoStopBits}
	for key, values := range q {
		v := values[len(values)-1]
		ok := false
		want := ""
		switch key {
		case "baud":
			n, err := strconv.Atoi(v)
			mode.BaudRate, ok, want = n, err == nil && n > 0, "a rate such as 9600"
		case "data":
			n, err := strconv.Atoi(v)
			mode.DataBits, ok, want = n, err == nil && (n == 7 || n == 8), "7 or 8"
		case "parity":
			mode.Parity, ok = parities[v]
			want = "none, even or odd"
		case "stop":
			mode.StopBits, ok = stops[v]
			want = "1 or 2"
		default:
			want = "baud, data, parity or stop"
		}
		if !ok {
			return nil, fmt.Errorf("%s=%s; expected %s", key, v, want)
		}
	}
	return mode, nil
}

// openSerial opens a serial line for this process alone. The library's own
// exclusion does not hold against root, so the device is locked as well.
func openSerial(path string, mode *serial.Mode) opener {
	return func(context.Context) (io.ReadWriteCloser, error) {
		lock, err := os.OpenFile(path, os.O_RDONLY|unix.O_NONBLOCK|unix.O_NOCTTY, 0)
		if err != nil {
			return nil, err
		}
		if err := unix.Flock(int(lock.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
			lock.Close()
			return nil, fmt.Errorf("lock %s: %w; another program uses the supply, perhaps", path, err)
		}
		p, err := serial.Open(path, mode)
		if err != nil {
			lock.Close()
			return nil, fmt.Errorf("open %s: %w", path, err)
		}
		return &serialLink{p, lock}, nil
	}
}

// serialLink is a serial line and the lock on it.
type serialLink struct {
	serial.Port
	lock *os.File
}

func (l *serialLink) Close() error { return errors.Join(l.Port.Close(), l.lock.Close()) }
