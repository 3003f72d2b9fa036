package supply

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

const (
	// quiet is how long nothing must come before the line is taken for quiet.
	// USB bridges hold bytes for up to 16 ms.
	quiet = 50 * time.Millisecond
	// mostNoise is how many bytes are thrown away before a supply is taken for
	// one that never stops.
	mostNoise = 64 << 10
	// mostStale is how many old answers are passed over.
	mostStale = 64
	// Tokens are numbers that fit a register of 8 bits, but for 0 and 1, which
	// are answers to much else.
	firstToken, lastToken = 2, 255
)

// ready makes the link fit for the next message. A supply that is not as it was
// left is an error, once, except to what turns it off.
func (s *Supply) ready(ctx context.Context) error {
	if err := s.restore(ctx); err != nil {
		return err
	}
	if s.changed == nil || s.urgent {
		return nil
	}
	changed := s.changed
	s.changed = nil
	return &StateError{changed}
}

// restore sees to it that the link is open and no answer outstanding.
func (s *Supply) restore(ctx context.Context) error {
	var cause error
	if s.wire != nil {
		cause = s.wire.lost()
		if cause == nil && !s.unsure && !s.wire.pending() {
			return nil
		}
		if cause == nil {
			if cause = s.resync(ctx); cause == nil {
				return nil
			}
			cause = fmt.Errorf("bring supply back in step: %w", cause)
			if ctx.Err() != nil { // given up, which says nothing against the link
				return cause
			}
		}
		s.unplug()
		s.log.Warn("supply link lost", "error", cause)
	}
	if ctx.Err() != nil {
		return errors.Join(cause, context.Cause(ctx))
	}
	return s.reconnect(ctx, cause)
}

// unplug closes the link.
func (s *Supply) unplug() {
	if s.wire != nil {
		s.wire.close()
		s.wire = nil
	}
}

// reconnect opens a lost link again and compares the supply with what it was
// left with.
func (s *Supply) reconnect(ctx context.Context, cause error) error {
	pause := s.redial.First
	for try := 1; ; try++ {
		err := s.connect(ctx)
		if err == nil {
			var found []Difference
			if found, err = s.recheck(ctx); err == nil {
				s.log.Info("supply link found again", "attempts", try)
				s.changed = append(s.changed, found...)
				return nil
			}
			s.unplug()
		}
		if errors.Is(err, ErrOther) || ctx.Err() != nil || try == s.redial.Attempts {
			if cause == nil {
				cause = ErrLost
			}
			return fmt.Errorf("%w; opening it again failed %d times, at last: %w", cause, try, err)
		}
		if err := sleep(ctx, pause); err != nil {
			return errors.Join(cause, err)
		}
		pause = min(2*pause, s.redial.Most)
	}
}

// connect opens the link, brings the supply in step and sets it up. Of what the
// error queue held, nothing is lost.
func (s *Supply) connect(ctx context.Context) error {
	opening, cancel := within(ctx, s.timeout)
	link, err := s.open(opening)
	cancel()
	if err != nil {
		return fmt.Errorf("%w: %w", ErrLost, err)
	}
	s.wire = newWire(link, s.dialect.ending())
	if err := s.greet(ctx); err != nil {
		s.unplug()
		return err
	}
	return nil
}

func (s *Supply) greet(ctx context.Context) error {
	if err := s.resync(ctx); err != nil {
		return err
	}
	id, err := read(ctx, s, s.dialect.Commands.Identify, 0, parseIdentity)
	if err != nil {
		return err
	}
	if s.identity != (Identity{}) && id != s.identity {
		return fmt.Errorf("%w: %v instead of %v", ErrOther, id, s.identity)
	}
	s.identity = id
	if clear := s.dialect.Commands.Clear; clear != "" {
		if err := s.send(ctx, clear); err != nil {
			return err
		}
	}
	before := s.takeReported("")
	for _, message := range s.dialect.Setup {
		if err := s.command(ctx, message, 0); err != nil {
			return fmt.Errorf("set up: %w", err)
		}
	}
	s.reported = before
	return nil
}

// resync throws away what comes, makes sure that the next answer is to the
// next question, and empties the error queue into reported.
func (s *Supply) resync(ctx context.Context) error {
	s.unsure = true
	if err := s.wire.drain(ctx, quiet, mostNoise); err != nil {
		return err
	}
	step := s.repeatToken
	if s.dialect.Commands.Token == "" {
		step = s.repeatIdentity
	}
	for range 2 {
		if err := step(ctx); err != nil {
			return err
		}
	}
	if s.dialect.Commands.Token == "" {
		if err := s.wire.drain(ctx, s.dialect.Answer, mostNoise); err != nil {
			return err
		}
	}
	s.unsure = false
	return s.drainErrors(ctx, "")
}

// repeatToken gives the supply a new number and passes over answers until that
// number comes. It is given twice: half a message that the supply still holds
// spoils what follows it, and no data goes on with an asterisk, so that the
// two together are refused.
func (s *Supply) repeatToken(ctx context.Context) error {
	var err error
	for range 3 {
		if s.token++; s.token > lastToken {
			s.token = firstToken
		}
		set := strings.Replace(s.dialect.Commands.SetToken, "{}", strconv.Itoa(s.token), 1)
		for _, message := range []string{set, set, s.dialect.Commands.Token} {
			if err := s.send(ctx, message); err != nil {
				return err
			}
		}
		if err = s.await(ctx); err == nil || ctx.Err() != nil || s.wire.lost() != nil {
			return err
		}
	}
	return err
}

// await passes over answers until the token comes.
func (s *Supply) await(ctx context.Context) error {
	limited, cancel := within(ctx, s.timeout)
	defer cancel()
	for range mostStale {
		answer, err := s.wire.line(limited)
		if limited.Err() != nil || s.wire.lost() != nil {
			return err
		}
		if n, bad := parseToken(answer); err == nil && bad == nil && n == s.token {
			return nil
		}
	}
	return fmt.Errorf("%w: %d answers, and none repeats what the supply was told", ErrGarbled, mostStale)
}

// repeatIdentity is what there is for a supply that repeats nothing: old
// answers have had time to come, and this one is long and known.
func (s *Supply) repeatIdentity(ctx context.Context) error {
	if err := s.wire.drain(ctx, s.dialect.Answer, mostNoise); err != nil {
		return err
	}
	id, err := read(ctx, s, s.dialect.Commands.Identify, 0, parseIdentity)
	if err == nil && s.identity != (Identity{}) && id != s.identity {
		err = fmt.Errorf("%w: %v instead of %v", ErrOther, id, s.identity)
	}
	return err
}

// recheck reads what was believed and returns what is different. What can't
// be read is different: nobody knows it.
func (s *Supply) recheck(ctx context.Context) ([]Difference, error) {
	before, now := s.belief, belief{}
	var found []Difference
	for _, recall := range []func() (*Difference, error){
		func() (*Difference, error) { return s.output().recall(ctx, s, before.on, &now.on) },
		func() (*Difference, error) { return s.voltage().recall(ctx, s, before.voltage, &now.voltage) },
		func() (*Difference, error) { return s.current().recall(ctx, s, before.current, &now.current) },
	} {
		d, err := recall()
		if err != nil {
			return nil, fmt.Errorf("read back what the supply was left with: %w", err)
		}
		if d != nil {
			found = append(found, *d)
		}
	}
	s.belief = now
	return found, nil
}
