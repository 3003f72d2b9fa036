package access

import (
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

const (
	failuresAtOnce = 10
	failuresEvery  = 6 * time.Second // one more is allowed after this
	mostPeers      = 4096
)

// failures counts wrong tokens by address, in bounded memory.
type failures struct {
	now func() time.Time
	mu  sync.Mutex
	of  map[netip.Prefix]*rate.Limiter
}

func newFailures(now func() time.Time) *failures {
	return &failures{now: now, of: map[netip.Prefix]*rate.Limiter{}}
}

// room tells whether an address may try a token.
func (f *failures) room(p netip.Prefix) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	l := f.of[p]
	return l == nil || l.TokensAt(f.now()) >= 1
}

// count takes down a wrong token.
func (f *failures) count(p netip.Prefix) {
	f.mu.Lock()
	defer f.mu.Unlock()
	l := f.of[p]
	if l == nil {
		if len(f.of) >= mostPeers {
			f.makeRoom()
		}
		l = rate.NewLimiter(rate.Every(failuresEvery), failuresAtOnce)
		f.of[p] = l
	}
	l.AllowN(f.now(), 1)
}

// makeRoom forgets addresses that have been good for long, or any one: with
// that many addresses at work the count holds nobody up, but 256 bits do.
func (f *failures) makeRoom() {
	for p, l := range f.of {
		if l.TokensAt(f.now()) >= failuresAtOnce {
			delete(f.of, p)
		}
	}
	for p := range f.of {
		if len(f.of) < mostPeers {
			return
		}
		delete(f.of, p)
	}
}
