package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"time"

	"drench/results/store"
	"drench/rig/daemon"
	"drench/rig/daemon/access"
	"drench/rig/daemon/api"
	"drench/rig/daemon/web"
)

// tokensFile holds the tokens, in the store's folder.
const tokensFile = "tokens.json"

// server answers for a daemon.
type server struct {
	http.Server
	tls bool
}

// newServer puts pages, API and metrics behind the gate.
func newServer(ctx context.Context, d *daemon.Daemon, st *store.Store, folder string, f serveFlags, log *slog.Logger) (*server, error) {
	if (f.cert == "") != (f.key == "") {
		return nil, errors.New("--cert and --key go together; expected both or none")
	}
	tokens := access.NewFile(filepath.Join(folder, tokensFile))
	list, err := tokens.Tokens(ctx)
	if err != nil {
		return nil, err
	}
	policy, err := access.Listen(access.Way{Address: f.listen, TLS: f.cert != "", Insecure: f.insecure, Login: f.login, Tokens: len(list)})
	if err != nil {
		return nil, err
	}
	gate, err := access.New(access.Options{Policy: policy, Tokens: tokens, Hosts: f.hosts, Open: web.Open(), Login: web.LoginPath, Refuse: refuse, Log: log})
	if err != nil {
		return nil, err
	}
	mux, err := newMux(d, st, gate, log)
	if err != nil {
		return nil, err
	}
	s := &server{tls: policy.TLS, Server: http.Server{
		Handler: gate.Middleware(mux), ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelWarn),
		ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 30 * time.Second, IdleTimeout: 2 * time.Minute,
		WriteTimeout:   30 * time.Second, // what goes on for longer puts it off itself
		MaxHeaderBytes: 16 << 10,
	}}
	if s.tls {
		pair, err := tls.LoadX509KeyPair(f.cert, f.key)
		if err != nil {
			return nil, fmt.Errorf("read certificate and key: %w", err)
		}
		s.TLSConfig = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
	}
	return s, nil
}

// refuse words a refusal for whoever asked: a program or a person.
func refuse(w http.ResponseWriter, r *http.Request, status int, text string) {
	if strings.HasPrefix(r.URL.Path, api.Root+"/") {
		api.Refuse(w, r, status, text)
		return
	}
	web.Refuse(w, r, status, text)
}

func newMux(d *daemon.Daemon, st *store.Store, gate *access.Gate, log *slog.Logger) (*http.ServeMux, error) {
	pages, err := web.New(web.Options{Bench: d, Runs: st, Lots: st, Door: gate, Log: log})
	if err != nil {
		return nil, err
	}
	calls, err := api.New(d, st, log)
	if err != nil {
		return nil, err
	}
	mux := http.NewServeMux()
	mux.Handle("/", pages)
	mux.Handle(api.Root+"/", calls)
	mux.Handle("GET /metrics", access.Require(access.ToLook, d.Metrics()))
	return mux, nil
}

// endWithin is how long answers that are under way may take when the daemon
// ends.
const endWithin = time.Second

// run answers until ctx ends, and then lets go of whoever is still there.
func (s *server) run(ctx context.Context, l net.Listener) error {
	s.BaseContext = func(net.Listener) context.Context { return ctx }
	failed := make(chan error, 1)
	go func() {
		if s.tls {
			failed <- s.ServeTLS(l, "", "")
			return
		}
		failed <- s.Serve(l)
	}()
	select {
	case err := <-failed:
		return fmt.Errorf("answer at %s: %w", l.Addr(), err)
	case <-ctx.Done():
	}
	end, done := context.WithTimeout(context.WithoutCancel(ctx), endWithin)
	defer done()
	if err := s.Shutdown(end); err != nil {
		_ = s.Close() // whoever is still there has been told by the end of ctx
	}
	return nil
}
