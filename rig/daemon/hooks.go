package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"drench/results/verdict"
)

const (
	mostNotices = 256              // that wait; what comes on top is dropped, and logged
	hookTime    = 10 * time.Second // for one attempt
	mostAnswer  = 4 << 10          // of what a command prints that is logged
)

// backOff is how long to wait before another attempt.
var backOff = []time.Duration{time.Second, 10 * time.Second, time.Minute}

// notice is what a hook is told, as JSON.
type notice struct {
	Event   string          `json:"event"` // "run" or "night" has ended
	Bench   string          `json:"bench"`
	Night   string          `json:"night"`
	Verdict verdict.Verdict `json:"verdict"`
	Job     *Job            `json:"job,omitempty"`       // of a run
	Run     *NightRun       `json:"night_run,omitempty"` // of a night
}

// hooks tells verdicts, one after the other, beside the bench.
type hooks struct {
	folder string // of commands; "": there are none
	log    *slog.Logger
	told   func(result string) // counts
	client *http.Client
	wait   func(context.Context, time.Duration)
	queue  chan errand
}

type errand struct {
	hook Hook
	body []byte
}

func newHooks(folder string, log *slog.Logger, told func(string)) *hooks {
	return &hooks{folder: folder, log: log, told: told, wait: pause, queue: make(chan errand, mostNotices),
		client: &http.Client{Timeout: hookTime, CheckRedirect: stayAtHost}}
}

// stayAtHost refuses to be sent elsewhere: what a lab's server gets to know is
// for that server.
func stayAtHost(to *http.Request, before []*http.Request) error {
	if from := before[0].URL; to.URL.Scheme != from.Scheme || to.URL.Host != from.Host {
		return fmt.Errorf("it sends on to %s://%s; expected an answer of its own", to.URL.Scheme, to.URL.Host)
	}
	if len(before) > 3 {
		return errors.New("it sends on again and again")
	}
	return nil
}

// nameOfCommand is a file's name: no path leads out of the folder.
var nameOfCommand = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_.-]{0,62}$`)

// check returns what is wrong with a hook.
func (h *hooks) check(hook Hook) error {
	switch {
	case (hook.Command == "") == (hook.URL == ""):
		return errors.New("a hook needs a command or a url; expected one of them")
	case hook.Command != "":
		_, err := h.command(hook.Command)
		return err
	}
	u, err := url.Parse(hook.URL)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "" || u.User != nil || u.Fragment != "" {
		return fmt.Errorf("hook url %q; expected http://HOST/… or https://HOST/…, without user or password", hook.URL)
	}
	return nil
}

// command finds a hook's command: a program in the folder that the daemon was
// started with, which nobody but its owner may write.
func (h *hooks) command(name string) (string, error) {
	switch {
	case h.folder == "":
		return "", fmt.Errorf("hook command %q: this daemon runs no commands; start it with --hooks FOLDER", name)
	case !nameOfCommand.MatchString(name):
		return "", fmt.Errorf("hook command %q is no name; expected that of a program in %s", name, h.folder)
	}
	path := filepath.Join(h.folder, name)
	info, err := os.Lstat(path)
	switch {
	case err != nil:
		return "", fmt.Errorf("hook command %q: %w; expected one of the programs in %s", name, err, h.folder)
	case !info.Mode().IsRegular() || info.Mode().Perm()&0o111 == 0:
		return "", fmt.Errorf("hook command %q is no program; expected an executable file in %s, no link", name, h.folder)
	case info.Mode().Perm()&0o022 != 0:
		return "", fmt.Errorf("hook command %q may be written by others; expected chmod go-w", name)
	}
	return path, nil
}

// put has a hook told if it wants to know. It returns at once.
func (h *hooks) put(hook Hook, n notice) {
	if len(hook.On) > 0 && !slices.Contains(hook.On, n.Verdict) {
		return
	}
	body, err := json.Marshal(n)
	if err == nil {
		select {
		case h.queue <- errand{hook, body}:
			return
		default:
			err = fmt.Errorf("%d notices wait already", mostNotices)
		}
	}
	h.log.Error("a hook is not told", "hook", hook.name(), "event", n.Event, "night", n.Night, "err", err)
	h.told("dropped")
}

// name is the hook for the log. The query of an address may hold a secret.
func (k Hook) name() string {
	if k.Command != "" {
		return k.Command
	}
	u, err := url.Parse(k.URL)
	if err != nil {
		return "url"
	}
	return u.Scheme + "://" + u.Host + u.Path
}

// work tells hooks until ctx ends.
func (h *hooks) work(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case e := <-h.queue:
			h.deliver(ctx, e)
		}
	}
}

// errFinal marks what another attempt would not mend.
var errFinal = errors.New("not tried again")

func (h *hooks) deliver(ctx context.Context, e errand) {
	for attempt := 0; ; attempt++ {
		err := h.try(ctx, e)
		switch {
		case err == nil:
			h.log.Info("hook told", "hook", e.hook.name(), "attempts", attempt+1)
			h.told("told")
			return
		case ctx.Err() != nil || errors.Is(err, errFinal) || attempt == len(backOff):
			h.log.Error("hook failed", "hook", e.hook.name(), "attempts", attempt+1, "err", err)
			h.told("failed")
			return
		}
		h.log.Warn("hook failed; tried again", "hook", e.hook.name(), "in", backOff[attempt], "err", err)
		h.wait(ctx, backOff[attempt])
	}
}

// try tells a hook once, within hookTime.
func (h *hooks) try(ctx context.Context, e errand) error {
	ctx, done := context.WithTimeout(ctx, hookTime)
	defer done()
	if e.hook.Command != "" {
		return h.exec(ctx, e)
	}
	return h.post(ctx, e)
}

func (h *hooks) post(ctx context.Context, e errand) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, e.hook.URL, bytes.NewReader(e.body))
	if err != nil {
		return fmt.Errorf("%w: %w", errFinal, err)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "drench")
	answer, err := h.client.Do(req)
	if err != nil {
		return plainURLError(err)
	}
	defer answer.Body.Close()
	_, _ = io.CopyN(io.Discard, answer.Body, mostAnswer) // so that the connection can be used again
	switch code := answer.StatusCode; {
	case code < 300:
		return nil
	case code >= 500, code == http.StatusTooManyRequests, code == http.StatusRequestTimeout:
		return fmt.Errorf("it answers %s", answer.Status)
	default:
		return fmt.Errorf("it answers %s: %w", answer.Status, errFinal)
	}
}

// plainURLError takes the address, which may hold a secret, from an error.
func plainURLError(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		return u.Err
	}
	return err
}

// exec runs a command with the notice on its standard input, and nothing of
// it on the command line or in the environment.
func (h *hooks) exec(ctx context.Context, e errand) error {
	path, err := h.command(e.hook.Command)
	if err != nil {
		return fmt.Errorf("%w: %w", errFinal, err)
	}
	cmd := exec.CommandContext(ctx, path)
	cmd.Dir = h.folder
	cmd.Env = []string{"PATH=/usr/local/bin:/usr/bin:/bin", "LANG=C.UTF-8"}
	cmd.Stdin = bytes.NewReader(e.body)
	out := &head{}
	cmd.Stdout, cmd.Stderr = out, out
	cmd.WaitDelay = time.Second
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("%w: %s", err, strings.TrimSpace(out.String()))
	}
	return nil
}

// head keeps the beginning of what is written to it.
type head struct{ bytes.Buffer }

func (b *head) Write(p []byte) (int, error) {
	if room := mostAnswer - b.Len(); room > 0 {
		b.Buffer.Write(p[:min(room, len(p))])
	}
	return len(p), nil
}
