package web

import (
	"fmt"
	"time"

	"drench/rig"
	"drench/rig/daemon"
)

// state is what the bench does, in words.
type state struct {
	Mark string `json:"mark"` // shape: running, tripped, paused, idle
	Word string `json:"word"`
	Says string `json:"says"` // a sentence
}

func wordsOf(l daemon.Live) state {
	switch {
	case l.Trip != "":
		return state{"tripped", "Tripped", "An interlock made the bench safe: " + l.Trip}
	case l.Job != nil:
		return state{"running", "Running", runningWords(l)}
	case l.Paused:
		return state{"paused", "Paused", "Nothing runs, and nothing is started until the queue goes on."}
	}
	return state{"idle", "Idle", "Nothing runs."}
}

func runningWords(l daemon.Live) string {
	text := l.Job.Scenario
	if l.Job.DUT != "" {
		text += " on " + l.Job.DUT
	}
	switch {
	case l.Trial == 0:
		text += ", before its first trial"
	case l.Trials > 0:
		text += fmt.Sprintf(", trial %d of %d", l.Trial, l.Trials)
	default:
		text += fmt.Sprintf(", trial %d", l.Trial)
	}
	if l.Kind != "" {
		text += fmt.Sprintf(" (%s: %s)", l.Kind, kindWords[l.Kind])
	}
	if l.Paused {
		text += "; paused after this run"
	}
	return text
}

// kindWords say what a trial must show.
var kindWords = map[rig.TrialKind]string{
	rig.Wet:     "must detect",
	rig.Dry:     "must stay quiet",
	rig.Decoy:   "must stay quiet, with less water",
	rig.Release: "must clear after drying",
	rig.Dip:     "supply is disturbed",
}

// longSilence is when a supervisor that has not finished a pass is worth a
// word: it makes one every 100 ms (interlock.Beat).
const longSilence = 2 * time.Second

// supervised says when the supervisor last looked at the bench.
func supervised(l daemon.Live, now time.Time) state {
	switch d := now.Sub(l.Alive); {
	case l.Alive.IsZero():
		return state{"none", "not yet", "The supervisor has not looked at the bench yet."}
	case d > longSilence:
		return state{"fail", "silent", "The supervisor last looked at the bench " + span(d) + " ago. Use the emergency stop at the bench, and look at the daemon’s log."}
	}
	return state{"pass", "watching", "The supervisor looked at the bench within the last 2 s."}
}
