package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
)

// answerError is what a person answered, or failed to.
type answerError struct{ what string }

func (e *answerError) Error() string { return e.what }

// terminal asks questions and reads a line for each answer.
type terminal struct {
	out   io.Writer
	in    io.Reader
	lines chan string // closed at the end of input; nil until the first question
	// idle is called again and again while an answer is awaited, so that a
	// bench stays watched.
	idle func(context.Context, time.Duration) error
}

func newTerminal(cmd *cobra.Command) *terminal {
	return &terminal{out: cmd.ErrOrStderr(), in: cmd.InOrStdin(), idle: pause}
}

// pause lets time pass where no bench is open.
func pause(ctx context.Context, d time.Duration) error {
	select {
	case <-time.After(d):
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// start reads lines in the background until the input ends. A reader that
// waits for a line can't be stopped: it ends with the program.
func (t *terminal) start() {
	if t.lines != nil {
		return
	}
	t.lines = make(chan string)
	go func() {
		defer close(t.lines)
		for s := bufio.NewScanner(t.in); s.Scan(); {
			t.lines <- s.Text()
		}
	}()
}

// attempts is how often a question is asked.
const attempts = 3

// ask puts a question until take has no complaint about the answer.
func (t *terminal) ask(ctx context.Context, question string, take func(string) error) error {
	t.start()
	var err error
	for range attempts {
		fmt.Fprint(t.out, question+" ")
		line, ok, failed := t.next(ctx)
		if failed != nil {
			return failed
		}
		if !ok {
			fmt.Fprintln(t.out)
			return &answerError{fmt.Sprintf("%q was not answered: the input has ended", question)}
		}
		if err = take(strings.TrimSpace(line)); err == nil {
			return nil
		}
		fmt.Fprintln(t.out, err)
	}
	return &answerError{fmt.Sprintf("%q: %v", question, err)}
}

// next waits for a line.
func (t *terminal) next(ctx context.Context) (line string, ok bool, err error) {
	const look = 50 * time.Millisecond
	for {
		select {
		case line, ok = <-t.lines:
			return line, ok, nil
		default:
		}
		if err := t.idle(ctx, look); err != nil {
			return "", false, err
		}
	}
}

// ready waits until the return key is pressed.
func (t *terminal) ready(ctx context.Context, todo string) error {
	return t.ask(ctx, todo+" Then press return.", func(string) error { return nil })
}

// fill asks for a text that no flag gave.
func (t *terminal) fill(ctx context.Context, text *string, flag, question string) error {
	if strings.TrimSpace(*text) != "" {
		return nil
	}
	err := t.ask(ctx, question, func(s string) error {
		if s == "" {
			return fmt.Errorf("expected some text")
		}
		*text = s
		return nil
	})
	if err != nil {
		return fmt.Errorf("%w; answer, or give --%s", err, flag)
	}
	return nil
}

// number asks for a number above 0 that no flag gave.
func (t *terminal) number(ctx context.Context, to *float64, flag, question string) error {
	if *to != 0 {
		return nil
	}
	err := t.ask(ctx, question, func(s string) error {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil || !(v > 0) {
			return fmt.Errorf("%s is no number above 0", quote(s))
		}
		*to = v
		return nil
	})
	if err != nil {
		return fmt.Errorf("%w; answer, or give --%s", err, flag)
	}
	return nil
}
