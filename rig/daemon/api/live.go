package api

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"time"

	"drench/rig"
	"drench/rig/daemon"
	"drench/rig/daemon/access"
)

const live group = "live"

func liveOperations() []operation {
	return []operation{
		op(http.MethodGet, "/live", "getLive", access.ToLook, "What the bench does now", getLive),
		raw[nothing, update]("/live/events", "followLive", access.ToLook, "text/event-stream",
			"Follow the bench: server-sent events, first the whole state, then each change", followLive).eachLine(),
		op(http.MethodPost, "/stop", "stop", access.ToStop, "Stop the current run now and make the outputs safe; whoever may look may stop", stop),
		op(http.MethodPost, "/pause", "pause", access.ToRun, "Start no further job; the current one goes on", pause),
		op(http.MethodPost, "/resume", "resume", access.ToRun, "Start jobs again", resume),
	}
}

// liveState is daemon.Live with words for numbers.
type liveState struct {
	Bench    string        `json:"bench"`
	Virtual  bool          `json:"virtual"`
	Job      *daemon.Job   `json:"job,omitempty"` // none: idle
	Paused   bool          `json:"paused"`
	At       rig.Instant   `json:"at"`
	Alive    time.Time     `json:"alive"`
	Trial    int           `json:"trial"`
	Trials   int           `json:"trials"`
	Kind     rig.TrialKind `json:"kind,omitempty"`
	Channels []reading     `json:"channels"`
	Trip     string        `json:"trip,omitempty"`
	Seq      uint64        `json:"seq"`
}

// reading is the last that was seen of a channel.
type reading struct {
	Name      string      `json:"name"`
	Dir       string      `json:"dir"`              // input, output, gauge or text
	Unit      string      `json:"unit"`             // what value counts
	Hazard    string      `json:"hazard,omitempty"` // of an output
	Value     int64       `json:"value"`
	Text      string      `json:"text,omitempty"`
	Shown     string      `json:"shown"`
	At        rig.Instant `json:"at"`
	Seen      bool        `json:"seen"`
	Interlock bool        `json:"interlock,omitempty"`
}

// units are what a channel's value counts, by its unit.
var units = [...]string{rig.Level: "0 or 1", rig.Volt: "nV", rig.Ampere: "nA", rig.Kelvin: "nK", rig.RelHum: "1e-7", rig.Joule: "nJ", rig.Watt: "nW",
	rig.Litre: "nl", rig.LitreRate: "nl/min", rig.RainRate: "nm/min", rig.Metre: "nm", rig.Second: "ns", rig.Chars: "text", rig.FilmMass: "µg/m²",
	rig.SlewRate: "nV/s", rig.Proportion: "1e-9", rig.Hertz: "nHz", rig.Area: "1e-9 m²", rig.Conduct: "nS/m", rig.Farad: "pF", rig.Ohm: "nΩ", rig.TempRate: "nK/min"}

func unitOf(u rig.Unit) string {
	if int(u) < len(units) {
		return units[u]
	}
	return fmt.Sprintf("unit %d", u)
}

// update is one server-sent event.
type update struct {
	Seq   uint64     `json:"seq"`
	Event *event     `json:"event,omitempty"`
	Shown string     `json:"shown,omitempty"` // the event in words
	Live  *liveState `json:"live,omitempty"`
}

// event is an event of a timeline.
type event struct {
	At      rig.Instant `json:"at"`
	Kind    eventKind   `json:"kind"`
	Channel string      `json:"channel,omitempty"`
	Value   int64       `json:"value"`
	Text    string      `json:"text,omitempty"`
}

// eventKind is the word for a kind of event.
type eventKind string

// damaged stands at the place from which a timeline can't be read.
const damaged eventKind = "damaged"

func eventKinds() []eventKind {
	list := []eventKind{damaged}
	for k := rig.Edge; k.Known(); k++ {
		list = append(list, eventKind(k.String()))
	}
	return list
}

// ofChannel tells which kinds of event are of a channel.
var ofChannel = map[rig.Kind]bool{rig.Edge: true, rig.Command: true, rig.Reading: true, rig.Line: true, rig.Gap: true, rig.Failed: true}

// eventOf names what an event numbers.
func eventOf(ev rig.Event, channel func(rig.ID) string) event {
	out := event{At: ev.At, Kind: eventKind(ev.Kind.String()), Value: ev.Value, Text: ev.Text}
	if ofChannel[ev.Kind] {
		out.Channel = channel(ev.Channel)
	}
	return out
}

func liveOf(l daemon.Live) liveState {
	out := liveState{Bench: l.Bench, Virtual: l.Virtual, Job: l.Job, Paused: l.Paused, At: l.At, Alive: l.Alive,
		Trial: l.Trial, Trials: l.Trials, Kind: l.Kind, Channels: make([]reading, len(l.Channels)), Trip: l.Trip, Seq: l.Seq}
	for i, r := range l.Channels {
		out.Channels[i] = reading{Name: r.Name, Dir: r.Dir.String(), Unit: unitOf(r.Unit), Value: r.Value, Text: r.Text,
			Shown: r.Shown, At: r.At, Seen: r.Seen, Interlock: r.Interlock}
		if r.Dir == rig.Output {
			out.Channels[i].Hazard = r.Hazard.String()
		}
	}
	return out
}

func getLive(c *call, _ nothing) (liveState, error) { return liveOf(c.api.daemon.Live()), nil }

func stop(c *call, _ nothing) (nothing, error) {
	return nothing{}, c.api.daemon.Stop(c.Context(), c.by)
}

func pause(c *call, _ nothing) (nothing, error) {
	return nothing{}, c.api.daemon.Pause(c.Context(), c.by)
}

func resume(c *call, _ nothing) (nothing, error) {
	return nothing{}, c.api.daemon.Resume(c.Context(), c.by)
}

// A follower that says nothing for long can't be told from one that is gone.
const (
	beatEvery  = 15 * time.Second
	mayTakeFor = 30 * time.Second // to take what is written
)

// followLive writes the HTML standard's event stream (9.2.5).
func followLive(c *call, _ nothing, w io.Writer) error {
	updates := c.api.daemon.Follow(c.Context())
	beat := time.NewTicker(beatEvery)
	defer beat.Stop()
	s := &stream{w: w, control: http.NewResponseController(c.w), table: c.api.daemon.Live().Channels}
	for {
		select {
		case u, ok := <-updates:
			if !ok {
				return nil
			}
			if err := s.send(u); err != nil {
				return err
			}
		case <-beat.C:
			if err := s.write(": still here\n\n"); err != nil {
				return err
			}
		}
	}
}

// stream writes updates to a follower.
type stream struct {
	w       io.Writer
	control *http.ResponseController
	table   []daemon.Reading // channels by their ID
}

func (s *stream) channel(id rig.ID) string {
	if int(id) < len(s.table) {
		return s.table[id].Name
	}
	return fmt.Sprintf("channel %d", id)
}

func (s *stream) send(u daemon.Update) error {
	out, name := update{Seq: u.Seq, Shown: u.Shown}, "live"
	if u.Live != nil {
		l := liveOf(*u.Live)
		out.Live, s.table = &l, u.Live.Channels
	}
	if u.Event != nil {
		ev := eventOf(*u.Event, s.channel)
		out.Event, name = &ev, "event"
	}
	b, err := json.Marshal(out)
	if err != nil {
		return fmt.Errorf("write an update as JSON: %w", err)
	}
	return s.write(fmt.Sprintf("event: %s\nid: %d\ndata: %s\n\n", name, u.Seq, b))
}

// write gives a follower time to take what it is told, and no more: the
// server's own limit is for answers that end.
func (s *stream) write(text string) error {
	err := s.control.SetWriteDeadline(time.Now().Add(mayTakeFor))
	if err != nil && !errors.Is(err, http.ErrNotSupported) {
		return fmt.Errorf("set the time to write: %w", err)
	}
	if _, err := io.WriteString(s.w, text); err != nil {
		return fmt.Errorf("write to a follower: %w", err)
	}
	if err := s.control.Flush(); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return fmt.Errorf("write to a follower: %w", err)
	}
	return nil
}
