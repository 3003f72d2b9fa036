package timeline

import (
	"bytes"
	"fmt"
	"sync"
)

// Queue is a Sink that hands chunks on to another one from a goroutine of its
// own, so that who writes a timeline never waits for the disk. It is for one
// writer.
type Queue struct {
	sink   Sink
	chunks chan []byte
	done   chan struct{}

	end     sync.Once
	mu      sync.Mutex
	failure error // the first
}

// Behind puts a Queue of n chunks in front of a sink. With LivePace those are n
// seconds of events or more, in a storm n times 1000 events.
func Behind(sink Sink, n int) *Queue {
	q := &Queue{sink: sink, chunks: make(chan []byte, n), done: make(chan struct{})}
	go q.work()
	return q
}

// work hands chunks on until the first that fails: those after it would leave
// a hole.
func (q *Queue) work() {
	defer close(q.done)
	broken := false
	for b := range q.chunks {
		if broken {
			continue
		}
		if err := q.sink.WriteChunk(b); err != nil {
			broken = true
			_ = q.fail(err) // WriteChunk or Close tells it
		}
	}
}

// fail keeps the first failure, if err is one, and returns what is kept.
func (q *Queue) fail(err error) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.failure == nil {
		q.failure = err
	}
	return q.failure
}

// FullError says that a sink has kept so many chunks waiting that the queue
// before it took no more.
type FullError struct{ Waiting int }

func (e *FullError) Error() string {
	return fmt.Sprintf("the disk is %d chunks behind and no more can wait; look for its errors with dmesg, or move the store to a faster one", e.Waiting)
}

// WriteChunk implements Sink, except that nil means only that the chunk is on
// its way. It never waits: when the queue is full, or a chunk before this one
// could not be kept, it fails from then on. What is in a full queue is still
// kept.
func (q *Queue) WriteChunk(b []byte) error {
	if err := q.fail(nil); err != nil {
		return err
	}
	select {
	case q.chunks <- bytes.Clone(b):
		return nil
	default:
		return q.fail(&FullError{cap(q.chunks)})
	}
}

// Close waits until the sink has all chunks that were taken, or has failed,
// and returns the first failure. Nothing may be written after it.
func (q *Queue) Close() error {
	q.end.Do(func() { close(q.chunks) })
	<-q.done
	return q.fail(nil)
}
