package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"sync"
	"time"
	_ "time/tzdata" // a bench's machine may have no table of time zones

	"drench/results/store"
	"drench/rig/calibration"
	"drench/rig/daemon"

	"github.com/spf13/cobra"
)

type serveFlags struct {
	listen   string
	cert     string
	key      string
	insecure bool
	login    bool
	hosts    []string
	hooks    string
	keep     daemon.Keep
}

func newServe() *cobra.Command {
	var f serveFlags
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Keep a bench: run a queue and nights, with pages, an API and metrics over HTTP",
		Long: "Keep a bench: run a queue of jobs and nights by schedule, with pages at /, an API at /api/v1 and metrics at /metrics.\n" +
			"The bench is made safe before anything else, and watched between runs. One daemon keeps one bench.\n" +
			"Away from this machine people and programs need a token (drench serve token) and the way there TLS.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return serve(cmd, f) },
	}
	fl := cmd.Flags()
	fl.StringVar(&f.listen, "listen", "localhost:8480", "HOST:PORT to answer at")
	fl.StringVar(&f.cert, "cert", "", "certificate file for TLS, with --key")
	fl.StringVar(&f.key, "key", "", "key file for TLS, with --cert")
	fl.BoolVar(&f.insecure, "insecure", false, "answer other machines in clear text: something else keeps the way secret")
	fl.BoolVar(&f.login, "login", false, "ask for tokens on this machine too")
	fl.StringArrayVar(&f.hosts, "host", nil, "a name that this machine is called by, behind a proxy; may be given again")
	fl.StringVar(&f.hooks, "hooks", "", "folder of the commands that nights may name as hooks (default: none)")
	fl.IntVar(&f.keep.Days, "keep-days", 0, "delete runs that are older, but for baselines (default: keep all)")
	fl.IntVar(&f.keep.Runs, "keep-runs", 0, "keep that many of the newest runs of each scenario, however old")
	cmd.AddCommand(newToken())
	return cmd
}

// serve keeps a bench until it is told to end. First of all its outputs go
// safe.
func serve(cmd *cobra.Command, f serveFlags) (err error) {
	ctx := cmd.Context()
	if f.keep.Days < 0 || f.keep.Runs < 0 {
		return errors.New("--keep-days or --keep-runs is negative; expected a number from 1, or none to keep all")
	}
	b, err := loadBench(cmd, "")
	if err != nil {
		return err
	}
	log := slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), nil))
	mine, err := takeBench(b.data, b)
	if err != nil {
		return &benchError{err}
	}
	defer mine.release()
	for _, w := range calibration.Warnings(time.Now(), b.records...) {
		log.Warn(w)
	}
	lost := ""
	if err := b.makeSafe(ctx); err != nil {
		lost = err.Error()
		log.Error("the bench can't be reached", "err", err)
	}
	st, err := openStore(cmd)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, st.Close()) }()
	return keepBench(ctx, b, st, lost, b.data, f, log)
}

// takeBench locks a bench for this process, real or virtual: its queue is
// there once.
func takeBench(folder string, b *bench) (*benchLock, error) {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return nil, fmt.Errorf("make the store's folder: %w", err)
	}
	return lockBench(folder, b.rig.Name)
}

// errEnding is why a run ends that the daemon's own end stops.
var errEnding = errors.New("stopped: the daemon was told to end")

// keepBench runs the daemon and whatever answers for it, until ctx ends or one
// of them fails.
func keepBench(ctx context.Context, b *bench, st *store.Store, lost, folder string, f serveFlags, log *slog.Logger) error {
	s, err := newServed(b, st)
	if err != nil {
		return err
	}
	d, err := daemon.New(daemon.Options{
		Bench: b.rig.Name, Virtual: !b.isReal(), Channels: s.table, Interlocks: b.rig.Interlock.Inputs,
		Runner: s, Workshop: s, Ledger: st, Lost: lost, Keep: f.keep, Commands: f.hooks, Log: log,
	})
	if err != nil {
		return err
	}
	srv, err := newServer(ctx, d, st, folder, f, log)
	if err != nil {
		return err
	}
	var at net.ListenConfig
	l, err := at.Listen(ctx, "tcp", f.listen)
	if err != nil {
		return &benchError{fmt.Errorf("listen on %s: %w", f.listen, err)}
	}
	log.Info("drench serves", "bench", b.rig.Name, "virtual", !b.isReal(), "at", l.Addr().String(), "store", st.Path())
	inner, stop := context.WithCancelCause(context.WithoutCancel(ctx))
	defer stop(nil)
	defer context.AfterFunc(ctx, func() { stop(errEnding) })()
	var all sync.WaitGroup
	all.Go(func() { stop(srv.run(inner, l)) })
	all.Go(func() { stop(d.Run(inner)) })
	all.Go(func() { newNotifier(d, log).run(inner) })
	all.Go(func() { newClerk(st, log).run(inner, d) })
	all.Wait()
	if err := context.Cause(inner); !errors.Is(err, errEnding) {
		return &benchError{err}
	}
	log.Info("drench has ended")
	return nil
}
