package main

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"drench/rig/daemon"

	systemd "github.com/coreos/go-systemd/v22/daemon"
)

// notifier tells systemd how the daemon is, if that has started it.
type notifier struct {
	d      *daemon.Daemon
	send   func(state string) error
	limit  time.Duration // after which the watchdog bites; 0: there is none
	now    func() time.Time
	status string // last told
}

func newNotifier(d *daemon.Daemon, log *slog.Logger) *notifier {
	n := &notifier{d: d, now: time.Now, send: func(state string) error {
		_, err := systemd.SdNotify(false, state)
		return err
	}}
	var err error
	if n.limit, err = systemd.SdWatchdogEnabled(false); err != nil {
		log.Error("the watchdog's time can't be read; it is not fed", "err", err)
	}
	return n
}

// run says that the daemon is ready, feeds the watchdog, and says when the end
// has begun.
func (n *notifier) run(ctx context.Context) {
	_ = n.send(systemd.SdNotifyReady) // without systemd nobody hears
	tick := time.NewTicker(n.every())
	defer tick.Stop()
	for {
		n.tell()
		select {
		case <-tick.C:
		case <-ctx.Done():
			_ = n.send(systemd.SdNotifyStopping)
			return
		}
	}
}

// every is how often to tell: several times within the watchdog's time.
func (n *notifier) every() time.Duration {
	if n.limit == 0 {
		return time.Second
	}
	return min(n.limit/8, time.Second)
}

// tell feeds the watchdog if the supervisor has finished a pass lately: nothing
// else does, so that a supervisor that hangs takes the daemon with it, and
// what systemd starts then makes the bench safe.
func (n *notifier) tell() {
	if n.limit > 0 && n.now().Sub(n.d.Alive()) < n.limit/2 {
		_ = n.send(systemd.SdNotifyWatchdog)
	}
	if s := statusOf(n.d.Live(), n.d.Lost()); s != n.status {
		n.status = s
		_ = n.send("STATUS=" + s)
	}
}

// statusOf is the daemon's state in a line, for systemctl status.
func statusOf(l daemon.Live, lost string) string {
	switch {
	case lost != "":
		return "bench lost: " + lines(fmt.Errorf("%s", lost))[0]
	case l.Trip != "":
		return "tripped, waits for a person: " + l.Trip
	case l.Job != nil:
		return fmt.Sprintf("runs job %d: %s", l.Job.ID, l.Job.Scenario)
	case l.Paused:
		return "paused"
	}
	return "idle"
}
