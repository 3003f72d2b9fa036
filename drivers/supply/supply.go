// Package supply drives a programmable supply that speaks SCPI-1999 over IEEE
// 488.2, on a serial line or a TCP socket. What a particular supply does
// otherwise is in its [Dialect].
//
// Every message is one unit. After each, the supply's error queue is read until
// it is empty; what it held is returned as [Error]. Settings are waited for and
// read back.
//
// # When the link fails
//
// A late, broken or missing answer leaves it open which answer belongs to which
// question. Before the next message the driver therefore throws away what comes
// until the line is quiet, and then has the supply repeat a number that it has
// not been given lately, twice: answers come in order, so when that number
// comes back, nothing older can follow. A supply without such a register is
// only waited for, and asked for its identity.
//
// A lost link is opened again, a few times, with growing pauses. What the
// supply was left with is then read back, not assumed. If it differs, the call
// fails with [StateError], and nothing is set right by itself.
//
// Questions are asked again after a failure. Of commands:
//
//   - Levels, limits, arming a protection and switching off are absolute: when
//     it is unknown whether one was executed, it is read back, and if it is not
//     as wanted or can't be read back, the command is sent once more.
//   - Switching on, *RST and clearing a protection are never sent again. If
//     reading back shows that it was done, all is well; if not, the call fails
//     with [OutcomeError].
//
// Turning off comes first. While an old answer may be outstanding it is sent at
// once, before the line is set right, and then again with all care. If the
// output is found on it is sent once more. A supply that is not as it was left
// is turned off before anyone is told.
package supply

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"time"
)

// Config says which supply to use and how.
type Config struct {
	// Address is tcp://host[:port], port 5025 by default, or
	// serial:///dev/serial/by-id/…?baud=9600 (data=8, parity=none, stop=1).
	Address string
	// Dialect is the way to speak; the zero Dialect is the stock one, standard.
	Dialect Dialect
	// Timeout is for one exchange; 0 is the dialect's answer time.
	Timeout time.Duration
	// Redial is how a lost link is opened again.
	Redial Redial
	// Open opens the link instead of Address, if it is not nil.
	Open func(context.Context) (io.ReadWriteCloser, error)
	// Log is told of lost and found links; nil is silence.
	Log *slog.Logger
}

// Redial is a bounded series of attempts with doubling pauses between them.
type Redial struct {
	Attempts int           // 0: 5
	First    time.Duration // pause after the first attempt; 0: 100 ms
	Most     time.Duration // longest pause; 0: 2 s
}

// Supply is a programmable supply. Its methods may be called at once from
// several goroutines; they take turns.
type Supply struct {
	dialect Dialect
	timeout time.Duration
	redial  Redial
	open    opener
	log     *slog.Logger

	life  context.Context // ends with Close
	close context.CancelFunc
	turn  chan struct{} // holds a token while a call is at work

	// The rest belongs to the call at work.
	wire     *wire // nil: the link is down
	unsure   bool  // an answer may be outstanding
	last     time.Time
	token    int
	identity Identity
	belief   belief
	changed  []Difference // found when the link came back, not yet told
	urgent   bool         // the call at work turns the output off
	guarded  bool         // a protection was set
	reported []*Error     // found in the error queue and not yet returned
}

// Dial opens the link, makes sure that a supply answers, and empties its error
// queue. Settings and output stay as they are.
func Dial(ctx context.Context, cfg Config) (*Supply, error) {
	s := &Supply{dialect: cfg.Dialect, timeout: cfg.Timeout, redial: cfg.Redial, open: cfg.Open, log: cfg.Log, turn: make(chan struct{}, 1)}
	if err := s.configure(cfg.Address); err != nil {
		return nil, fmt.Errorf("set up supply: %w", err)
	}
	s.token = firstToken + rand.IntN(lastToken-firstToken+1)
	s.life, s.close = context.WithCancel(context.Background())
	if err := s.connect(ctx); err != nil {
		s.close()
		return nil, fmt.Errorf("connect to supply: %w", err)
	}
	s.dropReported() // from before our time
	s.log.Info("supply connected", "identity", s.identity.String())
	return s, nil
}

func (s *Supply) configure(address string) error {
	if s.dialect.Name == "" {
		if err := decodeStock("standard", &s.dialect); err != nil {
			return err
		}
	}
	for _, p := range s.dialect.Check() {
		return fmt.Errorf("dialect %q: %s; expected %s", s.dialect.Name, p.What, p.Want)
	}
	if s.open == nil {
		var err error
		if s.open, err = parseAddress(address); err != nil {
			return err
		}
	}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	if s.timeout <= 0 {
		s.timeout = s.dialect.Answer
	}
	if s.redial.Attempts <= 0 {
		s.redial.Attempts = 5
	}
	if s.redial.First <= 0 {
		s.redial.First = 100 * time.Millisecond
	}
	if s.redial.Most <= 0 {
		s.redial.Most = 2 * time.Second
	}
	return nil
}

// Close gives up the call at work and closes the link. The supply is left as
// it is: turn the output off before, if it is to be off.
func (s *Supply) Close() error {
	s.close()
	s.turn <- struct{}{}
	defer func() { <-s.turn }()
	s.unplug()
	return nil
}

// begin takes the turn. The context that it returns ends with the supply too.
func (s *Supply) begin(ctx context.Context) (_ context.Context, end func(), err error) {
	select {
	case s.turn <- struct{}{}:
	case <-ctx.Done():
		return nil, nil, context.Cause(ctx)
	case <-s.life.Done():
		return nil, nil, ErrClosed
	}
	if s.life.Err() != nil {
		<-s.turn
		return nil, nil, ErrClosed
	}
	ctx, cancel := context.WithCancelCause(ctx)
	stop := context.AfterFunc(s.life, func() { cancel(ErrClosed) })
	return ctx, func() { stop(); cancel(nil); <-s.turn }, nil
}

// do runs f as the call at work and says what it was about if it fails.
func (s *Supply) do(ctx context.Context, what string, f func(context.Context) error) error {
	ctx, end, err := s.begin(ctx)
	if err == nil {
		defer end()
		err = f(ctx)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	return nil
}

// Identify asks the supply who it is.
func (s *Supply) Identify(ctx context.Context) (id Identity, err error) {
	err = s.do(ctx, "identify supply", func(ctx context.Context) error {
		id, err = ask(ctx, s, s.dialect.Commands.Identify, parseIdentity)
		return err
	})
	return id, err
}

// Errors empties the error queue and returns what it held. The driver does
// this after every message; what is found here comes from elsewhere, such as
// the front panel.
func (s *Supply) Errors(ctx context.Context) (found []*Error, err error) {
	err = s.do(ctx, "read supply's errors", func(ctx context.Context) error {
		if s.dialect.Commands.Error == "" {
			return s.dialect.unsupported("error queue")
		}
		if err := s.ready(ctx); err != nil {
			return err
		}
		err := s.drainErrors(ctx, "")
		found = s.takeReported("")
		return err
	})
	return found, err
}

// failed tells whether an exchange failed on the line, so that asking again
// may help.
func failed(err error) bool {
	return errors.Is(err, ErrNoAnswer) || errors.Is(err, ErrGarbled) || errors.Is(err, ErrLost)
}
