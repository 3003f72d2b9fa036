package daemon

import (
	"errors"
	"fmt"
	"strings"
)

// ErrNotFound is in the chain of errors about what the daemon does not have,
// ErrBusy of those about what its state does not allow now.
var (
	ErrNotFound = errors.New("not found")
	ErrBusy     = errors.New("not now")
)

// BadRequest says what is wrong with what was asked for.
type BadRequest struct{ Problems []string }

func (e *BadRequest) Error() string { return strings.Join(e.Problems, "\n") }

func bad(format string, args ...any) error {
	return &BadRequest{[]string{fmt.Sprintf(format, args...)}}
}

func busy(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrBusy, fmt.Sprintf(format, args...))
}

func notFound(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrNotFound, fmt.Sprintf(format, args...))
}
