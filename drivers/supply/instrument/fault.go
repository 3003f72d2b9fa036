package instrument

import (
	"math/rand/v2"
	"strings"
	"sync"
	"time"
)

// FaultKind is a way to misbehave.
type FaultKind uint8

// What can go wrong with a message on the line.
const (
	Ignore    FaultKind = iota // it is lost on the way: not executed, not answered
	Reject                     // it is not executed and gives error -200
	Mute                       // it is executed and the answer is lost
	Late                       // it is executed and the answer comes Delay later
	Partial                    // it is executed and the answer breaks off half way
	Garble                     // it is executed and noise takes the place of the answer
	Flood                      // it is executed and Bytes of noise come instead of the answer
	CutBefore                  // the link goes down: it is not executed
	CutAfter                   // it is executed and the link goes down
)

// Fault makes messages go wrong.
type Fault struct {
	Kind  FaultKind
	Match string // those that contain it, in any case; "" is every one
	Skip  int    // that many go well first
	Times int    // that many go wrong, then the fault mends; 0: until [Instrument.Mend]
	Delay time.Duration
	Bytes int
}

// faults are the faults at work.
type faults struct {
	mu     sync.Mutex
	list   []*Fault
	refuse bool
	noise  *rand.Rand
}

// Inject adds a fault. For each message the first that applies is at work.
func (in *Instrument) Inject(f Fault) {
	in.faults.mu.Lock()
	defer in.faults.mu.Unlock()
	in.faults.list = append(in.faults.list, &f)
}

// Refuse says whether new connections are closed at once.
func (in *Instrument) Refuse(on bool) {
	in.faults.mu.Lock()
	defer in.faults.mu.Unlock()
	in.faults.refuse = on
}

// Mend removes all faults.
func (in *Instrument) Mend() {
	in.faults.mu.Lock()
	defer in.faults.mu.Unlock()
	in.faults.list, in.faults.refuse = nil, false
}

func (f *faults) refusing() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.refuse
}

// pick returns the fault that strikes a message.
func (f *faults) pick(message string) (Fault, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	message = strings.ToUpper(message)
	for i, x := range f.list {
		if !strings.Contains(message, strings.ToUpper(x.Match)) {
			continue
		}
		if x.Skip > 0 {
			x.Skip--
			continue
		}
		if x.Times > 0 {
			if x.Times--; x.Times == 0 {
				f.list = append(f.list[:i:i], f.list[i+1:]...)
			}
		}
		return *x, true
	}
	return Fault{}, false
}

// garbage returns n bytes of noise.
func (f *faults) garbage(n int) []byte {
	f.mu.Lock()
	defer f.mu.Unlock()
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(f.noise.Uint32())
	}
	return b
}
