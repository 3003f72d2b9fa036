package access

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"time"
)

// Token is what is kept of a token: never the token itself. It holds 256
// random bits, so its hash needs no salt and no slowness.
type Token struct {
	Name string    `json:"name"`
	Role Role      `json:"role"`
	Sum  string    `json:"sum"` // SHA-256 of the token in hexadecimal
	Made time.Time `json:"made"`
}

// Tokens lists what is known of all tokens.
type Tokens interface {
	Tokens(ctx context.Context) ([]Token, error)
}

// Issue makes a token. The secret is shown to its owner and kept nowhere.
func Issue(name string, role Role, now time.Time) (t Token, secret string, err error) {
	if !PlainName(name) {
		return Token{}, "", fmt.Errorf("name %s; expected letters, digits and . _ - between them, at most %d: whose token it is, such as ada or ci-runner", quoted(name), longestName)
	}
	if name == Local || name == "schedule" {
		return Token{}, "", fmt.Errorf("name %q; expected another: the daemon itself uses that one", name)
	}
	if role < Viewer || role > Engineer {
		return Token{}, "", fmt.Errorf("%v; expected viewer, operator or engineer", role)
	}
	secret = random()
	return Token{Name: name, Role: role, Sum: sum(secret), Made: now.UTC()}, secret, nil
}

// random returns 256 random bits as text.
func random() string {
	var b [32]byte
	rand.Read(b[:]) // it never fails (crypto/rand)
	return base64.RawURLEncoding.EncodeToString(b[:])
}

func sum(secret string) string {
	s := sha256.Sum256([]byte(secret))
	return hex.EncodeToString(s[:])
}

var (
	errUnknownToken = errors.New("the token is not known; ask an engineer for one, made with: drench serve token add NAME --role ROLE")
	errTooMany      = errors.New("too many wrong tokens came from your address; wait a minute")
)

// known finds whose token it is. Wrong ones are counted by the address that
// they come from; from one with too many not even a right one is taken.
func (g *Gate) known(r *http.Request, secret string) (Person, error) {
	from := peer(r.RemoteAddr)
	if !g.failures.room(from) {
		return Person{}, errTooMany
	}
	t, err := g.find(r.Context(), secret)
	if errors.Is(err, errUnknownToken) {
		g.failures.count(from)
		g.Log.Warn("refused a token", "address", r.RemoteAddr)
	}
	return Person{t.Name, t.Role}, err
}

// find compares with every token there is, so that the time it takes tells
// nothing.
func (g *Gate) find(ctx context.Context, secret string) (Token, error) {
	if g.Tokens == nil {
		return Token{}, errUnknownToken
	}
	list, err := g.Tokens.Tokens(ctx)
	if err != nil {
		return Token{}, err
	}
	given := []byte(sum(secret))
	var found Token
	for _, t := range list {
		if subtle.ConstantTimeCompare(given, []byte(t.Sum)) == 1 {
			found = t
		}
	}
	if found.Role == Nobody {
		return Token{}, errUnknownToken
	}
	return found, nil
}

// refuseToken answers a request whose token could not be taken.
func (g *Gate) refuseToken(w http.ResponseWriter, r *http.Request, err error) {
	switch {
	case errors.Is(err, errTooMany):
		w.Header().Set("Retry-After", "60")
		g.Refuse(w, r, http.StatusTooManyRequests, err.Error())
	case errors.Is(err, errUnknownToken):
		w.Header().Set("WWW-Authenticate", `Bearer realm="drench", error="invalid_token"`)
		g.Refuse(w, r, http.StatusUnauthorized, err.Error())
	default:
		g.Log.Error("cannot read the tokens", "error", err)
		g.Refuse(w, r, http.StatusInternalServerError, "the tokens cannot be read; the daemon's log says why")
	}
}
