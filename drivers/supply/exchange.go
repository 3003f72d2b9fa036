package supply

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// mostErrors is how many entries of an error queue are read before it is
// taken for one that never empties.
const mostErrors = 100

// within bounds an exchange. The cause of its end is ErrNoAnswer unless the
// caller's context ended.
func within(ctx context.Context, d time.Duration) (context.Context, context.CancelFunc) {
	return context.WithTimeoutCause(ctx, d, ErrNoAnswer)
}

// send sends a message, not sooner after the last than the supply likes.
func (s *Supply) send(ctx context.Context, message string) error {
	if err := sleep(ctx, time.Until(s.last.Add(s.dialect.Pause))); err != nil {
		return err
	}
	if ctx.Err() != nil { // before anything has gone out
		return context.Cause(ctx)
	}
	ctx, cancel := within(ctx, s.timeout)
	defer cancel()
	defer func() { s.last = time.Now() }()
	return s.wire.write(ctx, message)
}

// exchange sends a query and returns the answer, which may take longer than
// usual by extra. Unless an answer has come, one may be outstanding.
func (s *Supply) exchange(ctx context.Context, query string, extra time.Duration) (string, error) {
	s.unsure = true
	if err := s.send(ctx, query); err != nil {
		return "", err
	}
	limited, cancel := within(ctx, s.timeout+extra)
	defer cancel()
	answer, err := s.wire.line(limited)
	if err != nil {
		if ctx.Err() != nil {
			err = context.Cause(ctx)
		}
		return "", fmt.Errorf("%q: %w", query, err)
	}
	s.unsure = false
	return answer, nil
}

// read asks once and parses the answer. An answer that can't be read may
// belong to another question.
func read[T any](ctx context.Context, s *Supply, query string, extra time.Duration, parse func(string) (T, error)) (T, error) {
	var v T
	answer, err := s.exchange(ctx, query, extra)
	if err != nil {
		return v, err
	}
	if v, err = parse(answer); err != nil {
		s.unsure = errors.Is(err, ErrGarbled)
		return v, fmt.Errorf("%q: %w", query, err)
	}
	return v, nil
}

// ask asks, and asks again if that failed on the line: a question changes
// nothing.
func ask[T any](ctx context.Context, s *Supply, query string, parse func(string) (T, error)) (T, error) {
	var v T
	var err error
	for range 2 {
		if e := s.ready(ctx); e != nil {
			return v, errors.Join(err, e)
		}
		s.dropReported()
		v, err = read(ctx, s, query, 0, parse)
		if !failed(err) && ctx.Err() == nil {
			e := s.drainErrors(ctx, query)
			if reported := s.takeReported(query); reported != nil || err != nil {
				return v, errors.Join(err, join(reported), e)
			}
			err = e
		}
		if ctx.Err() != nil || !failed(err) {
			return v, err
		}
		s.log.Warn("supply query failed", "query", query, "error", err)
	}
	// A query that the supply does not know has no answer: its error queue says so.
	if e := s.ready(ctx); e != nil {
		return v, errors.Join(err, e)
	}
	return v, errors.Join(err, join(s.takeReported(query)))
}

// drainErrors reads the error queue until it is empty, into reported.
func (s *Supply) drainErrors(ctx context.Context, cause string) error {
	query := s.dialect.Commands.Error
	if query == "" {
		return nil
	}
	for range mostErrors {
		e, err := read(ctx, s, query, 0, parseEntry)
		if err != nil {
			return err
		}
		if e.Code == 0 {
			return nil
		}
		e.Command = cause
		s.reported = append(s.reported, &e)
	}
	return fmt.Errorf("%w: the error queue does not become empty", ErrGarbled)
}

// dropReported forgets what the error queue held when the line was set right:
// it tells of the disturbance, and what was disturbed is done again.
func (s *Supply) dropReported() {
	for _, e := range s.takeReported("") {
		s.log.Info("supply reported", "code", e.Code, "text", e.Text)
	}
}

// takeReported returns what the error queue held. What was found while the
// line was set right has no command of its own and gets this one.
func (s *Supply) takeReported(command string) []*Error {
	found := s.reported
	s.reported = nil
	for _, e := range found {
		if e.Command == "" {
			e.Command = command
		}
	}
	return found
}

// command sends a command that is to be done, and its errors read, before it
// returns. moving is how long the output moves; 0 is not waited for. If
// it is unknown whether the command was executed, the error is an OutcomeError.
func (s *Supply) command(ctx context.Context, message string, moving time.Duration) error {
	if err := s.send(ctx, message); err != nil {
		return &OutcomeError{message, err}
	}
	if err := s.complete(ctx, moving); err != nil {
		return &OutcomeError{message, err}
	}
	err := s.drainErrors(ctx, message)
	if reported := s.takeReported(message); reported != nil {
		return errors.Join(join(reported), err)
	}
	if err != nil {
		return &OutcomeError{message, err}
	}
	return nil
}

// complete waits until the supply has done what it was told.
func (s *Supply) complete(ctx context.Context, moving time.Duration) error {
	if moving == 0 {
		return nil
	}
	if s.dialect.Commands.Complete == "" {
		return sleep(ctx, moving)
	}
	_, err := read(ctx, s, s.dialect.Commands.Complete, moving, parseDone)
	return err
}

func sleep(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return nil
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}
