package closedloop

import (
	"errors"
	"io"
	"os"

	"github.com/creack/pty"
)

// console is the DUT's UART: the far end of a pseudo-terminal.
type console struct {
	far, near *os.File
	lines     chan string
}

func newConsole() (*console, error) {
	far, near, err := pty.Open()
	if err != nil {
		return nil, err
	}
	c := &console{far, near, make(chan string, 1024)}
	go c.write()
	// What comes back before the driver has made the terminal raw is its echo.
	go func() { _, _ = io.Copy(io.Discard, far) }()
	return c, nil
}

// write keeps the world from waiting for a terminal that nobody reads.
func (c *console) write() {
	for text := range c.lines {
		if _, err := io.WriteString(c.far, text); err != nil {
			return // closed
		}
	}
}

// print sends a line, or drops it like a wire does if nobody keeps up.
func (c *console) print(text string) { c.send(text + "\r\n") }

func (c *console) send(text string) {
	select {
	case c.lines <- text:
	default:
	}
}

func (c *console) close() error {
	close(c.lines)
	return errors.Join(c.far.Close(), c.near.Close())
}

// UART is the device that the driver opens.
func (l *Loop) UART() string { return l.console.near.Name() }

// Babble sends bytes on the UART as they are.
func (l *Loop) Babble(text string) { l.console.send(text) }
