package access

import (
	"context"
	"fmt"
	"net/http"
	"sync"
	"time"
)

const (
	sessionLasts = 12 * time.Hour // a shift; then the token is asked for again
	mostSessions = 1000
)

// sessions are kept in memory only: a restarted daemon asks anew. They are
// found by the hash of what the browser holds, so that looking one up tells
// nothing of it by the time it takes.
type sessions struct {
	now  func() time.Time
	mu   sync.Mutex
	open map[string]session
}

// session is somebody whom a token has let in. It ends with its token.
type session struct {
	tokenSum string
	ends     time.Time
}

func newSessions(now func() time.Time) *sessions {
	return &sessions{now: now, open: map[string]session{}}
}

func (s *sessions) begin(tokenSum string) (secret string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.open) >= mostSessions {
		s.makeRoom()
	}
	secret = random()
	s.open[sum(secret)] = session{tokenSum, s.now().Add(sessionLasts)}
	return secret
}

// makeRoom drops the sessions that are over, or the one that ends first.
func (s *sessions) makeRoom() {
	var first string
	for k, v := range s.open {
		if !v.ends.After(s.now()) {
			delete(s.open, k)
		} else if first == "" || v.ends.Before(s.open[first].ends) {
			first = k
		}
	}
	if len(s.open) >= mostSessions {
		delete(s.open, first)
	}
}

func (s *sessions) find(secret string) (session, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	v, ok := s.open[sum(secret)]
	return v, ok && v.ends.After(s.now())
}

func (s *sessions) end(secret string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.open, sum(secret))
}

// cookieName has, under TLS, the prefix that makes browsers hold the cookie
// to this host, this path and TLS (RFC 6265bis, 4.1.3.2).
func (g *Gate) cookieName() string {
	if g.Policy.TLS {
		return "__Host-drench"
	}
	return "drench"
}

func (g *Gate) cookie(value string, maxAge int) *http.Cookie {
	return &http.Cookie{Name: g.cookieName(), Value: value, Path: "/", MaxAge: maxAge,
		HttpOnly: true, Secure: g.Policy.TLS, SameSite: http.SameSiteStrictMode}
}

// Enter begins a session for whoever has the token, and sets its cookie. The
// error is for the person to read.
func (g *Gate) Enter(w http.ResponseWriter, r *http.Request, token string) error {
	p, err := g.known(r, token)
	if err != nil {
		return err
	}
	secret := g.sessions.begin(sum(token))
	http.SetCookie(w, g.cookie(secret, int(sessionLasts/time.Second)))
	g.Log.Info("logged in", "name", p.Name, "role", p.Role.String(), "address", r.RemoteAddr)
	return nil
}

// Leave ends the session of a request and takes its cookie.
func (g *Gate) Leave(w http.ResponseWriter, r *http.Request) {
	if c, err := r.Cookie(g.cookieName()); err == nil {
		g.sessions.end(c.Value)
	}
	http.SetCookie(w, g.cookie("", -1))
}

// inSession is whose session it is; nobody's without one. The token is
// looked up again, so that a session ends when its token is revoked.
func (g *Gate) inSession(r *http.Request) (Person, error) {
	c, err := r.Cookie(g.cookieName())
	if err != nil {
		return Person{}, nil // no cookie is the only error there is
	}
	s, ok := g.sessions.find(c.Value)
	if !ok {
		return Person{}, nil
	}
	return g.holder(r.Context(), s.tokenSum)
}

func (g *Gate) holder(ctx context.Context, tokenSum string) (Person, error) {
	list, err := g.Tokens.Tokens(ctx)
	if err != nil {
		return Person{}, fmt.Errorf("look up whose session it is: %w", err)
	}
	for _, t := range list {
		if t.Sum == tokenSum { // both are hashes at rest
			return Person{t.Name, t.Role}, nil
		}
	}
	return Person{}, nil
}
