package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"time"

	"drench/rig"
	"drench/rig/daemon"
)

const (
	// followFor ends a stream after a while; browsers come back by themselves,
	// and are then asked again who they are.
	followFor = 10 * time.Minute
	// quietFor is how often something is sent when nothing happens, so that
	// proxies and browsers see that the stream is alive.
	quietFor = 15 * time.Second
	// writeFor is how long a browser may take to read a message.
	writeFor = 20 * time.Second
)

// live says once what the bench does.
func (s *site) live(w http.ResponseWriter, r *http.Request) error {
	l := s.Bench.Live()
	b, err := json.Marshal(s.told(daemon.Update{Seq: l.Seq, Live: &l}))
	if err != nil {
		return fmt.Errorf("describe the bench: %w", err)
	}
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(b) // whoever asked has gone, if anything
	return nil
}

// follow streams what the bench does as server-sent events (HTML Standard,
// 9.2): a message an update. A new stream begins with the whole state, so one
// that was cut off needs no memory of where it was.
func (s *site) follow(w http.ResponseWriter, r *http.Request) error {
	to := http.NewResponseController(w)
	end := time.NewTimer(followFor)
	defer end.Stop()
	quiet := time.NewTicker(quietFor)
	defer quiet.Stop()
	updates := s.Bench.Follow(r.Context())
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("X-Accel-Buffering", "no") // a proxy must not gather messages
	send := func(text []byte) bool {
		_ = to.SetWriteDeadline(time.Now().Add(writeFor)) // not every connection has one
		_, err := w.Write(text)
		return err == nil && to.Flush() == nil
	}
	if !send([]byte("retry: 2000\n\n")) {
		return nil
	}
	for {
		var text []byte
		select {
		case u, ok := <-updates:
			if !ok {
				return nil
			}
			var err error
			if text, err = message(s.told(u)); err != nil {
				return err
			}
		case <-quiet.C:
			text = []byte(": quiet\n\n")
		case <-end.C:
			return nil
		case <-r.Context().Done():
			return nil
		}
		if !send(text) {
			return nil
		}
	}
}

// told is an update with the state in words where that may have changed, so
// that words are made in one place.
type told struct {
	daemon.Update
	Words *state `json:"words,omitempty"`
}

func (s *site) told(u daemon.Update) told {
	var words state
	switch {
	case u.Live != nil:
		words = wordsOf(*u.Live)
	case u.Event != nil && u.Event.Kind <= rig.Line: // of a channel: there are many
		return told{Update: u}
	default:
		words = wordsOf(s.Bench.Live())
	}
	return told{u, &words}
}

func message(u told) ([]byte, error) {
	b, err := json.Marshal(u) // on one line
	if err != nil {
		return nil, fmt.Errorf("describe an update: %w", err)
	}
	var m bytes.Buffer
	fmt.Fprintf(&m, "id: %d\ndata: %s\n\n", u.Seq, b)
	return m.Bytes(), nil
}
