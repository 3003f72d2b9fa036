package access

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// bench is a gate before handlers of each role, with one token of each.
type bench struct {
	*Gate
	http.Handler
	secrets map[Role]string
	file    *File
	clock   *time.Time
}

func newBench(t *testing.T, p Policy) *bench {
	t.Helper()
	clock := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	b := &bench{secrets: map[Role]string{}, file: NewFile(filepath.Join(t.TempDir(), "tokens.json")), clock: &clock}
	for r := Viewer; r <= Engineer; r++ {
		token, secret, err := Issue("the-"+r.String(), r, clock)
		if err != nil {
			t.Fatal(err)
		}
		if err := b.file.Add(t.Context(), token); err != nil {
			t.Fatal(err)
		}
		b.secrets[r] = secret
	}
	g, err := New(Options{Policy: p, Tokens: b.file, Open: []string{"/login", "/static/"}, Login: "/login", Body: 64,
		Now: func() time.Time { return *b.clock }, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	b.Gate = g
	mux := http.NewServeMux()
	say := func(w http.ResponseWriter, r *http.Request) {
		if _, err := io.ReadAll(r.Body); err != nil {
			http.Error(w, err.Error(), http.StatusRequestEntityTooLarge)
			return
		}
		fmt.Fprint(w, Who(r.Context()).Name)
	}
	for r := Viewer; r <= Engineer; r++ {
		mux.Handle("/"+r.String(), Require(r, http.HandlerFunc(say)))
	}
	mux.HandleFunc("/static/x.css", say)
	mux.HandleFunc("/login", func(w http.ResponseWriter, r *http.Request) {
		if err := g.Enter(w, r, r.FormValue("token")); err != nil {
			g.refuseToken(w, r, err)
		}
	})
	mux.HandleFunc("/logout", func(w http.ResponseWriter, r *http.Request) { g.Leave(w, r) })
	b.Handler = g.Middleware(mux)
	return b
}

// ask sends a request as a client would; what changes it comes last.
func (b *bench) ask(method, path, body string, change ...func(*http.Request)) *http.Response {
	r := httptest.NewRequest(method, "http://localhost:8480"+path, strings.NewReader(body))
	for _, c := range change {
		c(r)
	}
	w := httptest.NewRecorder()
	b.ServeHTTP(w, r)
	return w.Result()
}

func header(name, value string) func(*http.Request) {
	return func(r *http.Request) {
		if name == "Host" {
			r.Host = value
			return
		}
		r.Header.Set(name, value)
	}
}

func token(secret string) func(*http.Request) { return header("Authorization", "Bearer "+secret) }

func text(t *testing.T, r *http.Response) string {
	t.Helper()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestListen(t *testing.T) {
	for _, c := range []struct {
		way  Way
		want Policy
		err  string // part of it; "": none
	}{
		{Way{Address: "localhost:8480"}, Policy{}, ""},
		{Way{Address: "127.0.0.1:8480"}, Policy{}, ""},
		{Way{Address: "127.1.2.3:0"}, Policy{}, ""},
		{Way{Address: "[::1]:8480", TLS: true}, Policy{TLS: true}, ""},
		{Way{Address: "[::ffff:127.0.0.1]:8480"}, Policy{}, ""},
		{Way{Address: "localhost:8480", Login: true, Tokens: 1}, Policy{Login: true}, ""},
		{Way{Address: "localhost:8480", Login: true}, Policy{}, "nobody has a token"},
		{Way{Address: ":8480"}, Policy{}, "drench serve token add"},
		{Way{Address: "0.0.0.0:8480", TLS: true}, Policy{}, "nobody has a token"},
		{Way{Address: "[::]:8480", Tokens: 1}, Policy{}, "--insecure"},
		{Way{Address: "192.0.2.1:8480", Tokens: 1}, Policy{}, "clear text"},
		{Way{Address: "bench.example:8480", Tokens: 1}, Policy{}, "clear text"},
		{Way{Address: "localhost.example:8480", Tokens: 1}, Policy{}, "clear text"},
		{Way{Address: "192.0.2.1:8480", Tokens: 1, TLS: true}, Policy{Login: true, TLS: true}, ""},
		{Way{Address: "192.0.2.1:8480", Tokens: 1, Insecure: true}, Policy{Login: true}, ""},
		{Way{Address: "192.0.2.1:8480", Insecure: true}, Policy{}, "nobody has a token"},
		{Way{Address: "8480"}, Policy{}, "HOST:PORT"},
	} {
		got, err := Listen(c.way)
		if got != c.want || (err == nil) != (c.err == "") || err != nil && !strings.Contains(err.Error(), c.err) {
			t.Errorf("Listen(%+v) = %+v, %v; want %+v and an error with %q", c.way, got, err, c.want, c.err)
		}
	}
}

func TestLocalNeedsNoToken(t *testing.T) {
	b := newBench(t, Policy{})
	if got := b.ask("GET", "/engineer", ""); got.StatusCode != 200 || text(t, got) != "local" {
		t.Errorf("status %d; want local to be let in as engineer", got.StatusCode)
	}
	if got := b.ask("GET", "/engineer", "", token(b.secrets[Viewer])); got.StatusCode != 403 {
		t.Errorf("a viewer's token on loopback: status %d; want 403, as whoever shows a token is who it says", got.StatusCode)
	}
	if got := b.ask("GET", "/viewer", "", token("wrong")); got.StatusCode != 401 {
		t.Errorf("a wrong token on loopback: status %d; want 401", got.StatusCode)
	}
}

func TestRolesByToken(t *testing.T) {
	b := newBench(t, Policy{Login: true})
	for have := Nobody; have <= Engineer; have++ {
		for need := Viewer; need <= Engineer; need++ {
			want := 403
			switch {
			case have == Nobody:
				want = 401
			case have >= need:
				want = 200
			}
			var as []func(*http.Request)
			if have != Nobody {
				as = append(as, token(b.secrets[have]))
			}
			got := b.ask("POST", "/"+need.String(), "", as...)
			if got.StatusCode != want {
				t.Errorf("%v asks for what needs %v: status %d; want %d", have, need, got.StatusCode, want)
			}
			if said := text(t, got); want == 403 && !strings.Contains(said, need.String()) {
				t.Errorf("refusal %q does not say that it needs %v", said, need)
			}
		}
	}
}

func TestRequireAlone(t *testing.T) {
	w := httptest.NewRecorder()
	Require(Viewer, http.NotFoundHandler()).ServeHTTP(w, httptest.NewRequest("GET", "/", nil))
	if w.Code != 401 {
		t.Errorf("without the middleware: status %d; want 401", w.Code)
	}
}

func TestRequests(t *testing.T) {
	const cross, same = "cross-site", "same-origin"
	for _, c := range []struct {
		name, method, path, body string
		login                    bool
		change                   []func(*http.Request)
		want                     int
	}{
		{"a form of this site", "POST", "/viewer", "", false, []func(*http.Request){header("Sec-Fetch-Site", same)}, 200},
		{"a form of another site", "POST", "/viewer", "", false, []func(*http.Request){header("Sec-Fetch-Site", cross)}, 403},
		{"an older browser, another site", "POST", "/viewer", "", false, []func(*http.Request){header("Origin", "http://evil.example")}, 403},
		{"an older browser, this site", "POST", "/viewer", "", false, []func(*http.Request){header("Origin", "http://localhost:8480")}, 200},
		{"another port of this machine", "POST", "/viewer", "", false, []func(*http.Request){header("Origin", "http://localhost:9999")}, 403},
		{"a sandboxed page", "POST", "/viewer", "", false, []func(*http.Request){header("Origin", "null")}, 403},
		{"a link from another site", "GET", "/viewer", "", false, []func(*http.Request){header("Sec-Fetch-Site", cross)}, 200},
		{"a rebound name", "GET", "/viewer", "", false, []func(*http.Request){header("Host", "evil.example:8480")}, 421},
		{"a rebound name like ours", "GET", "/viewer", "", false, []func(*http.Request){header("Host", "localhost.evil.example")}, 421},
		{"no name", "GET", "/viewer", "", false, []func(*http.Request){header("Host", "")}, 421},
		{"by address", "GET", "/viewer", "", false, []func(*http.Request){header("Host", "127.0.0.1:8480")}, 200},
		{"by IPv6 address", "GET", "/viewer", "", false, []func(*http.Request){header("Host", "[::1]:8480")}, 200},
		{"by IPv6 address without port", "GET", "/viewer", "", false, []func(*http.Request){header("Host", "[::1]")}, 200},
		{"in capitals, with a dot", "GET", "/viewer", "", false, []func(*http.Request){header("Host", "LOCALHOST.:8480")}, 200},
		{"a body at the limit", "POST", "/viewer", strings.Repeat("x", 64), false, nil, 200},
		{"a body over it", "POST", "/viewer", strings.Repeat("x", 65), false, nil, 413},
		{"open file without login", "GET", "/static/x.css", "", true, nil, 200},
		{"a path beside the open ones", "GET", "/staticx", "", true, nil, 401},
		{"another scheme", "GET", "/viewer", "", true, []func(*http.Request){header("Authorization", "Basic eDp5")}, 401},
		{"an empty token", "GET", "/viewer", "", true, []func(*http.Request){header("Authorization", "Bearer ")}, 401},
		{"a browser without session", "GET", "/viewer", "", true, []func(*http.Request){header("Accept", "text/html")}, 303},
		{"its form without session", "POST", "/viewer", "", true, []func(*http.Request){header("Accept", "text/html")}, 401},
		{"a made-up session", "GET", "/viewer", "", true, []func(*http.Request){header("Cookie", "drench=x")}, 401},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := newBench(t, Policy{Login: c.login}).ask(c.method, c.path, c.body, c.change...); got.StatusCode != c.want {
				t.Errorf("status %d (%s); want %d", got.StatusCode, text(t, got), c.want)
			}
		})
	}
}

func TestHeaders(t *testing.T) {
	for _, tls := range []bool{false, true} {
		// A refusal has them as well as an answer.
		got := newBench(t, Policy{Login: true, TLS: tls}).ask("GET", "/viewer", "").Header
		for name, part := range map[string]string{
			"Content-Security-Policy": "default-src 'none'", "X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY",
			"Referrer-Policy": "same-origin", "Cross-Origin-Opener-Policy": "same-origin", "Cache-Control": "no-store", "WWW-Authenticate": "Bearer",
		} {
			if !strings.Contains(got.Get(name), part) {
				t.Errorf("%s: %q; want %q in it", name, got.Get(name), part)
			}
		}
		if has := got.Get("Strict-Transport-Security") != ""; has != tls {
			t.Errorf("Strict-Transport-Security there: %v; with TLS: %v", has, tls)
		}
	}
}

func (b *bench) enter(secret string, change ...func(*http.Request)) *http.Response {
	form := header("Content-Type", "application/x-www-form-urlencoded")
	return b.ask("POST", "/login", url.Values{"token": {secret}}.Encode(), append(change, form)...)
}

func TestSession(t *testing.T) {
	for _, tls := range []bool{false, true} {
		b := newBench(t, Policy{Login: true, TLS: tls})
		cookies := b.enter(b.secrets[Operator]).Cookies()
		if len(cookies) != 1 {
			t.Fatalf("%d cookies; want one", len(cookies))
		}
		c := cookies[0]
		if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Secure != tls || strings.HasPrefix(c.Name, "__Host-") != tls || c.Path != "/" || c.Domain != "" {
			t.Errorf("with TLS %v the cookie is %v", tls, c)
		}
		if strings.Contains(c.Value, b.secrets[Operator]) {
			t.Error("the cookie holds the token")
		}
		with := func(r *http.Request) { r.AddCookie(c) }
		if got := b.ask("GET", "/operator", "", with); got.StatusCode != 200 || text(t, got) != "the-operator" {
			t.Errorf("in session: status %d", got.StatusCode)
		}
		if got := b.ask("GET", "/engineer", "", with); got.StatusCode != 403 {
			t.Errorf("more than the role: status %d; want 403", got.StatusCode)
		}
		b.ask("POST", "/logout", "", with)
		if got := b.ask("GET", "/operator", "", with); got.StatusCode != 401 {
			t.Errorf("after leaving: status %d; want 401", got.StatusCode)
		}
	}
}

func TestSessionEnds(t *testing.T) {
	for name, end := range map[string]func(*testing.T, *bench){
		"with its time":  func(_ *testing.T, b *bench) { *b.clock = b.clock.Add(sessionLasts) },
		"with its token": func(t *testing.T, b *bench) { must(t, b.file.Revoke(t.Context(), "the-operator")) },
		"when it is the oldest of too many": func(t *testing.T, b *bench) {
			*b.clock = b.clock.Add(time.Second)
			for range mostSessions {
				b.sessions.begin("")
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, Policy{Login: true})
			c := b.enter(b.secrets[Operator]).Cookies()[0]
			with := func(r *http.Request) { r.AddCookie(c) }
			if got := b.ask("GET", "/operator", "", with); got.StatusCode != 200 {
				t.Fatalf("in session: status %d", got.StatusCode)
			}
			end(t, b)
			if got := b.ask("GET", "/operator", "", with); got.StatusCode != 401 {
				t.Errorf("status %d; want 401", got.StatusCode)
			}
			if n := len(b.sessions.open); n > mostSessions {
				t.Errorf("%d sessions are kept; want %d at most", n, mostSessions)
			}
		})
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func TestFailuresByAddress(t *testing.T) {
	b := newBench(t, Policy{Login: true})
	from := func(a string) func(*http.Request) { return func(r *http.Request) { r.RemoteAddr = a } }
	for i := range failuresAtOnce {
		if got := b.enter("guess", from("[2001:db8::1]:1000")); got.StatusCode != 401 {
			t.Fatalf("wrong token %d: status %d; want 401", i+1, got.StatusCode)
		}
	}
	for _, c := range []struct {
		name, from, secret string
		want               int
	}{
		{"one more", "[2001:db8::1]:1000", "guess", 429},
		{"its neighbour", "[2001:db8::2]:1000", "guess", 429},
		{"even a right one", "[2001:db8::1]:1000", b.secrets[Viewer], 429},
		{"another network", "[2001:db8:0:1::1]:1000", b.secrets[Viewer], 200},
		{"another address", "192.0.2.1:1000", b.secrets[Viewer], 200},
	} {
		got := b.enter(c.secret, from(c.from))
		if got.StatusCode != c.want {
			t.Errorf("%s: status %d; want %d", c.name, got.StatusCode, c.want)
		}
		if (got.Header.Get("Retry-After") != "") != (c.want == 429) {
			t.Errorf("%s: Retry-After %q", c.name, got.Header.Get("Retry-After"))
		}
	}
	*b.clock = b.clock.Add(failuresEvery)
	if got := b.enter(b.secrets[Viewer], from("[2001:db8::1]:1000")); got.StatusCode != 200 {
		t.Errorf("a while later: status %d; want 200", got.StatusCode)
	}
}

func TestFailuresAreBounded(t *testing.T) {
	now := time.Unix(0, 0)
	f := newFailures(func() time.Time { return now })
	for i := range 2 * mostPeers {
		f.count(netip.PrefixFrom(netip.AddrFrom4([4]byte{10, byte(i >> 16), byte(i >> 8), byte(i)}), 32))
		if len(f.of) > mostPeers {
			t.Fatalf("%d addresses are kept; want %d at most", len(f.of), mostPeers)
		}
	}
	now = now.Add(time.Hour)
	f.count(netip.MustParsePrefix("192.0.2.1/32"))
	if len(f.of) != 1 {
		t.Errorf("%d addresses are kept an hour later; want the one that is new", len(f.of))
	}
}

// The role that a token gives never depends on anything but the token.
func TestOnlyTheTokenCounts(t *testing.T) {
	b := newBench(t, Policy{Login: true})
	rapid.Check(t, func(rt *rapid.T) {
		guess := rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{b.secrets[Viewer], b.secrets[Engineer], b.secrets[Viewer] + "x", b.secrets[Engineer][1:]})).Draw(rt, "guess")
		found, err := b.find(context.Background(), guess)
		want := Nobody
		for r, s := range b.secrets {
			if s == guess {
				want = r
			}
		}
		if found.Role != want || (err == nil) != (want != Nobody) {
			rt.Fatalf("%q gives %v, %v; want %v", guess, found.Role, err, want)
		}
	})
}
