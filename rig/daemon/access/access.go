// Package access decides who may do what with a daemon that answers over
// HTTP. On the machine itself everybody is the engineer "local". Away from it
// a person or a program shows a token, which has a name and a role; browsers
// show it once and get a session. The package also holds what every answer
// needs: a limit on bodies, headers that keep a page to itself, and checks
// that a request comes from this site and is meant for it.
package access

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"
)

// Person is who asks: the name of a token, or "local".
type Person struct {
	Name string
	Role Role
}

// Local is the name of whoever asks from the machine itself, an engineer.
const Local = "local"

// May tells whether the person has a role or a higher one.
func (p Person) May(r Role) bool { return p.Role >= r && p.Role != Nobody }

// Options are what a Gate goes by. Policy comes from Listen.
type Options struct {
	Policy Policy
	Tokens Tokens // needed if the policy asks for a login
	// Hosts are names, without port, that this machine is called by besides
	// localhost and its addresses; needed only behind a proxy.
	Hosts []string
	// Open are paths that nobody needs a token for: the login page and what
	// it is made of. One that ends in / stands for all below it.
	Open []string
	// Login is the path of the login page, where a browser without a session
	// is sent; "": it is refused like any other client.
	Login string
	// Refuse writes a refusal; nil: as plain text.
	Refuse func(w http.ResponseWriter, r *http.Request, status int, text string)
	Body   int64            // most bytes of a request's body; 0: 1 MiB
	Now    func() time.Time // nil: time.Now
	Log    *slog.Logger     // nil: slog.Default
}

// Gate lets requests in or refuses them.
type Gate struct {
	Options
	cross    *http.CrossOriginProtection
	sessions *sessions
	failures *failures
}

// New makes a gate.
func New(o Options) (*Gate, error) {
	if o.Policy.Login && o.Tokens == nil {
		return nil, errors.New("make a gate: a login is asked for, but there are no tokens to know anybody by")
	}
	if o.Refuse == nil {
		o.Refuse = refusePlainly
	}
	if o.Body == 0 {
		o.Body = 1 << 20
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	return &Gate{Options: o, cross: http.NewCrossOriginProtection(), sessions: newSessions(o.Now), failures: newFailures(o.Now)}, nil
}

func refusePlainly(w http.ResponseWriter, _ *http.Request, status int, text string) {
	http.Error(w, text, status)
}

// Middleware puts the gate before a handler. What gets through has been
// asked for on this site, has a body of bounded length, and comes from
// somebody: Who knows whom. Only the open paths are answered to nobody.
func (g *Gate) Middleware(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		setHeaders(w.Header(), g.Policy.TLS)
		r.Body = http.MaxBytesReader(w, r.Body, g.Body)
		if !g.hostIsOurs(r.Host) {
			g.Refuse(w, r, http.StatusMisdirectedRequest, "this drench is not called "+quoted(r.Host)+"; ask for it as localhost, or start it with that name among its hosts")
			return
		}
		if err := g.cross.Check(r); err != nil {
			g.Refuse(w, r, http.StatusForbidden, "the request comes from another site's page; use the pages of this drench")
			return
		}
		p, err := g.whoAsks(r)
		if err != nil {
			g.refuseToken(w, r, err)
			return
		}
		if p.Role == Nobody && !g.open(r.URL.Path) {
			g.sendToLogin(w, r)
			return
		}
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), key{}, asked{p, g})))
	})
}

// key is where the context holds what Middleware found.
type key struct{}

type asked struct {
	who  Person
	gate *Gate
}

// Who is who asks, as Middleware found; nobody if it did not run.
func Who(ctx context.Context) Person {
	a, _ := ctx.Value(key{}).(asked)
	return a.who
}

// Require answers only whoever has a role or a higher one. It needs the
// Middleware around it: without, everybody is refused.
func Require(role Role, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		a, _ := r.Context().Value(key{}).(asked)
		if a.who.May(role) {
			next.ServeHTTP(w, r)
			return
		}
		refuse, status, text := refusePlainly, http.StatusUnauthorized, "show a token first"
		if a.gate != nil {
			refuse = a.gate.Refuse
		}
		if a.who.Role != Nobody {
			status, text = http.StatusForbidden, "this needs the role "+role.String()+"; "+a.who.Name+" has the role "+a.who.Role.String()
		}
		refuse(w, r, status, text)
	})
}

// whoAsks knows a program by its token and a browser by its session. A token
// that is shown must be right, even where none is asked for.
func (g *Gate) whoAsks(r *http.Request) (Person, error) {
	if given, ok := bearer(r); ok {
		return g.known(r, given)
	}
	if !g.Policy.Login {
		return Person{Local, Engineer}, nil
	}
	return g.inSession(r)
}

// bearer returns the token of the Authorization header (RFC 6750, 2.1).
func bearer(r *http.Request) (string, bool) {
	scheme, token, ok := strings.Cut(r.Header.Get("Authorization"), " ")
	if !ok || !strings.EqualFold(scheme, "Bearer") {
		return "", false
	}
	return strings.TrimSpace(token), true
}

func (g *Gate) open(path string) bool {
	return slices.ContainsFunc(g.Open, func(o string) bool {
		return path == o || strings.HasSuffix(o, "/") && strings.HasPrefix(path, o)
	})
}

// sendToLogin asks somebody unknown for a token.
func (g *Gate) sendToLogin(w http.ResponseWriter, r *http.Request) {
	if g.Login != "" && r.Method == http.MethodGet && strings.Contains(r.Header.Get("Accept"), "text/html") {
		http.Redirect(w, r, g.Login+"?then="+url.QueryEscape(r.URL.RequestURI()), http.StatusSeeOther)
		return
	}
	w.Header().Set("WWW-Authenticate", `Bearer realm="drench"`)
	g.Refuse(w, r, http.StatusUnauthorized, "this drench wants to know who asks; show a token as: Authorization: Bearer TOKEN")
}
