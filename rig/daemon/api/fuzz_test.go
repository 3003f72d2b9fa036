package api

import (
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"

	"drench/rig/daemon/access"
)

// FuzzRequests: no body, query or header makes the API panic, fail as if it
// were its own fault, or answer other than the document says.
func FuzzRequests(f *testing.F) {
	st := stored(f)
	h, err := New(newFake(st), st, slog.New(slog.DiscardHandler))
	if err != nil {
		f.Fatal(err)
	}
	gate, err := access.New(access.Options{Refuse: Refuse, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		f.Fatal(err)
	}
	h = gate.Middleware(h)
	table := operations()
	for i, o := range table {
		for _, q := range asked {
			if q.id == o.id && len(q.body) < 1000 {
				_, query, _ := strings.Cut(q.path, "?")
				f.Add(uint8(i), query, q.body, strings.TrimPrefix(strings.Join(q.headers, ""), "Content-Type: "), "x")
			}
		}
	}
	f.Fuzz(func(t *testing.T, which uint8, query, body, media, segment string) {
		o := table[int(which)%len(table)]
		if segment == "" || segment == "." || segment == ".." {
			segment = "1" // the mux would lead elsewhere
		}
		path := strings.NewReplacer("{id}", "1", "{name}", url.PathEscape(segment), "{kind}", url.PathEscape(segment)).Replace(o.path)
		r, err := http.NewRequestWithContext(t.Context(), o.method, "http://localhost"+path, strings.NewReader(body))
		if err != nil {
			t.Skip("no request at all")
		}
		r.URL.RawQuery = query
		r.Header.Set("Content-Type", media)
		r.Header.Set("If-Match", "*")
		r.RemoteAddr = "127.0.0.1:1"
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code >= 500 {
			t.Errorf("%s %s?%s: %d: %s", o.method, path, query, w.Code, w.Body)
		}
		if w.Code >= 400 && w.Header().Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s %s: %d is no problem", o.method, path, w.Code)
		}
	})
}

// TestTwoEditors: of many who change the same version, one is let through.
func TestTwoEditors(t *testing.T) {
	s := local(t)
	const plain = "Content-Type: text/plain"
	resp, _ := s.ask(t, "PUT", Root+"/files/a.star", "x = 0\n", plain)
	version := resp.Header.Get("ETag")
	codes := make(chan int)
	var all sync.WaitGroup
	for i := range 8 {
		all.Go(func() {
			resp, _ := s.ask(t, "PUT", Root+"/files/a.star", "x = "+strings.Repeat("1", i+1)+"\n", plain, "If-Match: "+version)
			codes <- resp.StatusCode
		})
	}
	go func() { all.Wait(); close(codes) }()
	through := 0
	for code := range codes {
		switch code {
		case http.StatusOK:
			through++
		case http.StatusPreconditionFailed:
		default:
			t.Errorf("status %d", code)
		}
	}
	if through != 1 {
		t.Errorf("%d changes of one version went through", through)
	}
}
