package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strconv"
	"time"

	"drench/drivers/gpio"
	"drench/rig/calibration"
	"drench/rig/engine"
	"drench/rig/interlock"
	"drench/rig/timeline"

	"github.com/spf13/cobra"
)

func newCalibrate() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "calibrate",
		Short: "Measure a pump, edge stamps or the supply, and keep the result as a dated record",
		Long: "Measure a pump (by weighing), edge stamps (by a wire) or the supply (by its rail), and keep the result as a\n" +
			"dated record with its raw data and uncertainties. A rig file names records under calibrations.\n" +
			"Exit status: 0 done, 2 wrong use or data that can't be evaluated, 4 error (rig or interlock).",
		// The names are commands of their own: what is left is unknown.
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return nil
			}
			return fmt.Errorf("calibrate: there is no %s; expected pump, timing or supply", quote(args[0]))
		},
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(newCalibratePump(), newCalibrateTiming(), newCalibrateSupply())
	return cmd
}

// keeping says who calibrates, and where the record goes.
type keeping struct {
	by, instrument string
	validDays      int
	to             string
	json           bool

	now func() time.Time
}

func (k *keeping) flags(cmd *cobra.Command) {
	k.now = time.Now
	fl := cmd.Flags()
	fl.StringVar(&k.by, "by", "", "who calibrates")
	fl.StringVar(&k.instrument, "instrument", "", "what is measured with: type, number, certificate")
	fl.IntVar(&k.validDays, "valid-days", 365, "`days` until the record expires (common practice, no source: a year)")
	fl.StringVar(&k.to, "to", "", "`file` of the record (default: what is calibrated and the date, here)")
	fl.BoolVar(&k.json, "json", false, "print the record as JSON")
}

// check refuses what can't be kept, before anything is moved.
func (k *keeping) check(what string) error {
	if k.validDays < 1 {
		return fmt.Errorf("--valid-days %d; expected a whole number from 1", k.validDays)
	}
	if k.to == "" {
		k.to = fmt.Sprintf("%s-%s.yaml", what, k.now().UTC().Format(time.DateOnly))
	}
	if _, err := os.Lstat(k.to); !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s is there already, and a record is not written over; move it away, or give another file by --to", k.to)
	}
	return nil
}

// ask asks who calibrates and with what, if no flag said so.
func (k *keeping) ask(ctx context.Context, t *terminal) error {
	if err := t.fill(ctx, &k.by, "by", "Who calibrates?"); err != nil {
		return err
	}
	return t.fill(ctx, &k.instrument, "instrument", "What is measured with (type, number, certificate)?")
}

// keep completes the record and writes it.
func (k *keeping) keep(r calibration.Record) (*calibration.Record, error) {
	now := k.now().UTC()
	r.By, r.Instrument = k.by, k.instrument
	r.Date, r.Expires = calibration.On(now), calibration.On(now.AddDate(0, 0, k.validDays))
	done, err := calibration.New(k.to, r)
	if err != nil {
		return nil, err
	}
	f, err := os.OpenFile(k.to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return nil, &benchError{fmt.Errorf("write calibration record: %w", err)}
	}
	_, err = f.Write(done.Source.Text)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return nil, &benchError{fmt.Errorf("write calibration record: %w", err)}
	}
	return done, nil
}

// kept is a record as JSON shows it.
type kept struct {
	File   string              `json:"file"`
	SHA256 string              `json:"sha256"`
	Record *calibration.Record `json:"record"`
	Doses  []calibration.Dose  `json:"doses,omitempty"`
}

// print prints the result in a sentence, then what stands behind it.
func (k *keeping) print(w io.Writer, r *calibration.Record, sentence string, table func(io.Writer) error) error {
	if k.json {
		out := kept{File: k.to, SHA256: r.Source.SHA256, Record: r}
		if r.Pump != nil {
			var err error
			if out.Doses, err = r.Pump.Doses(); err != nil {
				return err
			}
		}
		return printJSON(w, out)
	}
	fmt.Fprintf(w, "%s\n\n", sentence)
	if err := table(w); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "\nkept in %s until %s\nsha256 %s\nTo use it, add to the rig file: calibrations: [%s]\n", k.to, r.Expires, r.Source.SHA256, strconv.Quote(k.to))
	return err
}

// guarded opens the bench and has f drive it through the interlocks, as every
// run does; then all outputs are off.
func (b *bench) guarded(ctx context.Context, what string, seed uint64, f func(context.Context, *engine.Run, running) error) error {
	mine, err := b.claimAlone(ctx)
	if err != nil {
		return &benchError{err}
	}
	defer mine.release()
	world, err := b.connect(ctx, seed)
	if err != nil {
		return &benchError{err}
	}
	err = b.drive(ctx, what, seed, world, f)
	return errors.Join(err, closed(world), mine.keepTrip(ctx, 0, err))
}

// closed closes a bench; that it does not is a fault of it.
func closed(world running) error {
	if err := world.Close(); err != nil {
		return &benchError{err}
	}
	return nil
}

func (b *bench) drive(ctx context.Context, what string, seed uint64, world running, f func(context.Context, *engine.Run, running) error) error {
	// A calibration's record has its raw data.
	w, err := timeline.NewWriter(timeline.Discard{}, timeline.Header{Tool: version, Scenario: "calibrate " + what, Seed: seed, Bench: b.rig.Name,
		Channels: world.Channels(), Device: b.device, Calibration: b.rig.Calibration}, b.pace())
	if err != nil {
		return &benchError{err}
	}
	guard, err := interlock.New(ctx, world, b.rig.Interlock)
	if err != nil {
		return &benchError{err}
	}
	run, err := engine.New(ctx, guard, w)
	if err != nil {
		return &benchError{err}
	}
	err = run.Do(ctx, func(ctx context.Context) error { return f(ctx, run, world) })
	var said *answerError
	if err != nil && !errors.As(err, &said) {
		return &benchError{err}
	}
	return err
}

func newCalibrateTiming() *cobra.Command {
	var f timingFlags
	cmd := &cobra.Command{
		Use:   "timing",
		Short: "Measure how late edges are stamped, how long drops fall, how late the witness is, or how long the dip switch takes",
		Long: "Measure how late edges are stamped, through a wire from a spare output to a spare input (--out, --in); how long a drop\n" +
			"falls from gate to sensor, by heights, checked by drops (--of gate); how late the witness electrode tells of water, by\n" +
			"drops (--of witness); or how long the dip switch takes, by the rail (--of switch).",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			b, err := loadBench(cmd, "")
			if err != nil {
				return err
			}
			if err := f.complete(); err != nil {
				return err
			}
			if f.of != ofStamps {
				r, err := calibrateFall(cmd.Context(), b, &f, newTerminal(cmd))
				if err != nil {
					return err
				}
				return f.print(cmd.OutOrStdout(), r, fallSentence(r), func(w io.Writer) error { return printTimes(w, r) })
			}
			r, err := calibrateTiming(cmd.Context(), b, &f.keeping, f.loop, f.n, wiring{gpio.Inspect, measureLoop}, newTerminal(cmd))
			if err != nil {
				return err
			}
			return f.print(cmd.OutOrStdout(), r, timingSentence(r.Timing), func(w io.Writer) error { return printEdges(w, r.Timing.Edges) })
		},
	}
	f.flags(cmd)
	return cmd
}

// wiring is what a loop-back wire is measured by.
type wiring struct {
	chips   func() ([]gpio.Chip, error)
	measure func(context.Context, loopWire, int) (gpio.LoopBack, error)
}

func calibrateTiming(ctx context.Context, b *bench, k *keeping, loop loopWire, n int, hw wiring, t *terminal) (*calibration.Record, error) {
	switch {
	case !b.isReal():
		return nil, errors.New("the virtual bench has no lines to put a wire between, so its stamps can't be calibrated; give the --rig file of a real bench")
	case !loop.given():
		return nil, errors.New("--out and --in are missing; expected the two ends of a loop-back wire, such as --out GPIO26 --in GPIO11")
	case n < 10 || n > 1_000_000:
		return nil, fmt.Errorf("--n %d; expected 10 to 1000000 edges", n)
	}
	if err := errors.Join(loop.check(b), k.check("stamps")); err != nil {
		return nil, err
	}
	if k.instrument == "" {
		k.instrument = fmt.Sprintf("a wire from %s to %s and this machine's clock", loop.Out, loop.In)
	}
	if err := k.ask(ctx, t); err != nil {
		return nil, err
	}
	chips, err := hw.chips()
	if err != nil {
		return nil, &benchError{err}
	}
	if err := loop.spare(chips, &b.real.Lines); err != nil {
		return nil, err
	}
	l, err := hw.measure(ctx, loop, n)
	if err != nil {
		return nil, &benchError{fmt.Errorf("calibrate edge stamps: %w", err)}
	}
	c := &calibration.Timing{Output: loop.Out, Input: loop.In, Edges: calibration.Edges{Missed: l.Missed, Wide: l.Wide, Gaps: l.Gaps}}
	delays, u := make([]time.Duration, len(l.Samples)), make([]time.Duration, len(l.Samples))
	for i, s := range l.Samples {
		delays[i], u[i] = s.Edge.Sub(s.Set.At()), s.Set.U()
	}
	if err := c.Edges.SumUp(delays, u); err != nil {
		return nil, &benchError{fmt.Errorf("calibrate edge stamps: %w", err)}
	}
	return k.keep(calibration.Record{Timing: c})
}

func timingSentence(c *calibration.Timing) string {
	return fmt.Sprintf("Edges are stamped %v late, standard uncertainty %v.", c.Result.Lag, c.Result.U)
}

func printEdges(w io.Writer, e calibration.Edges) error {
	_, err := fmt.Fprintf(w, "edges %d, missed %d, left out %d, gaps %d\nfrom the output's change to the stamp: mean %v, sd %v, least %v, median %v, 99 %% %v, most %v\noutput's instant: u %v\n",
		e.N, e.Missed, e.Wide, e.Gaps, e.Mean, e.SD, e.Min, e.Median, e.P99, e.Max, e.OutputU)
	return err
}
