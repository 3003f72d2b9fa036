package pump

import (
	"context"
	"errors"
	"sync"
	"time"
)

var errBroken = errors.New("line broken")

// wire is an output that remembers, and that can fail or hang.
type wire struct {
	mu    sync.Mutex
	level bool
	rises []time.Time
	sets  int
	fail  func(level bool) error
	hang  chan struct{} // while it is open, Set does not return
}

func (w *wire) Set(ctx context.Context, level bool) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	w.mu.Lock()
	hang, fail := w.hang, w.fail
	w.mu.Unlock()
	if hang != nil {
		<-hang
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.sets++
	if fail != nil {
		if err := fail(level); err != nil {
			return err
		}
	}
	if level && !w.level {
		w.rises = append(w.rises, time.Now())
	}
	w.level = level
	return nil
}

func (w *wire) on() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.level
}

func (w *wire) count() int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return len(w.rises)
}

// spoil makes Set fail as fail says; nil mends it.
func (w *wire) spoil(fail func(level bool) error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.fail = fail
}

// times fails that many calls that set level, and none after.
func times(n int, level bool) func(bool) error {
	return func(l bool) error {
		if l != level || n == 0 {
			return nil
		}
		n--
		return errBroken
	}
}

func always(level bool) func(bool) error { return times(-1, level) }
