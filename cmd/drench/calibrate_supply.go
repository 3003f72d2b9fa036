package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"text/tabwriter"
	"time"

	"drench/rig"
	"drench/rig/calibration"
	"drench/rig/engine"

	"github.com/spf13/cobra"
	"periph.io/x/conn/v3/physic"
)

// supplyFlags say how the supply is stepped.
type supplyFlags struct {
	keeping
	low, high, levelU, band string
	every, window           string
	n                       int
	data                    string
	seed                    uint64
}

func newCalibrateSupply() *cobra.Command {
	var f supplyFlags
	cmd := &cobra.Command{
		Use:   "supply",
		Short: "Measure how fast the supply moves the rail, and how far off the rail reads",
		Long: "Step the supply up and down between two levels of the DUT's range and read the rail meanwhile: slew, settling, and\n" +
			"the error of the rail's reading. --data evaluates traces recorded elsewhere, with an oscilloscope say.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			b, err := loadBench(cmd, "")
			if err != nil {
				return err
			}
			r, err := calibrateSupply(cmd.Context(), b, &f, newTerminal(cmd))
			if err != nil {
				return err
			}
			return f.print(cmd.OutOrStdout(), r, supplySentence(r.Supply), func(w io.Writer) error { return printSupply(w, r.Supply) })
		},
	}
	f.keeping.flags(cmd)
	fl := cmd.Flags()
	fl.StringVar(&f.low, "low", "", "lower `level` (default: half the DUT's supply)")
	fl.StringVar(&f.high, "high", "", "upper `level` (default: the DUT's supply)")
	fl.StringVar(&f.levelU, "level-u", "", "standard uncertainty of the levels: the supply's programming error, or the meter's")
	fl.StringVar(&f.band, "band", "10 mV", "how near to its end the rail counts as settled")
	fl.StringVar(&f.every, "every", "1 ms", "`time` between two readings")
	fl.StringVar(&f.window, "window", "400 ms", "`time` that a step is watched")
	fl.IntVar(&f.n, "n", 5, "steps up, and as many down")
	fl.StringVar(&f.data, "data", "", "CSV `file` with columns step, from, to, at, rail, instead of stepping the supply")
	fl.Uint64Var(&f.seed, "seed", 1, "seed of the virtual bench")
	return cmd
}

// stepping is what the flags mean.
type stepping struct {
	low, high     physic.ElectricPotential
	levelU, band  physic.ElectricPotential
	every, window time.Duration
	n             int
}

func calibrateSupply(ctx context.Context, b *bench, f *supplyFlags, t *terminal) (*calibration.Record, error) {
	if !b.isReal() && f.data == "" {
		f.simulate(b)
	}
	if err := f.check("supply"); err != nil {
		return nil, err
	}
	if err := f.ask(ctx, t); err != nil {
		return nil, err
	}
	if err := t.fill(ctx, &f.levelU, "level-u", "Standard uncertainty of the supply's levels, such as 2 mV?"); err != nil {
		return nil, err
	}
	s, err := f.stepping(b.device.Supply)
	if err != nil {
		return nil, err
	}
	c := &calibration.Supply{LevelU: s.levelU, Band: s.band}
	if f.data != "" {
		c.Steps, err = readData(f.data, parseSteps)
	} else {
		err = b.guarded(ctx, "supply", f.seed, func(ctx context.Context, run *engine.Run, _ running) error {
			steps, err := s.trace(ctx, run)
			c.Steps = steps
			return err
		})
	}
	if err != nil {
		return nil, err
	}
	r, err := f.keep(calibration.Record{Supply: c})
	if err != nil && f.data == "" && b.isReal() {
		err = fmt.Errorf("%w\na supply that answers only once its level has settled hides the step: record it with an oscilloscope at the DUT's pins, and give the traces by --data", err)
	}
	return r, err
}

// simulate fills in what the virtual bench knows of its supply.
func (f *supplyFlags) simulate(b *bench) {
	if f.by == "" {
		f.by = "the virtual bench"
	}
	if f.instrument == "" {
		f.instrument = "the rail's gauge"
	}
	if f.levelU == "" {
		u := float64(b.device.Supply) * float64(b.world.Supply.Gain) / 1e9 // a share of the level
		f.levelU = fmt.Sprintf("%.6f mV", math.Max(u, 1e3)/1e6)
	}
}

// stepping reads the flags; supply is the DUT's.
func (f *supplyFlags) stepping(supply physic.ElectricPotential) (stepping, error) {
	s := stepping{low: supply / 2, high: supply, n: f.n}
	for _, q := range []struct {
		flag, text string
		unit       rig.Unit
		to         *int64
	}{
		{"low", f.low, rig.Volt, (*int64)(&s.low)}, {"high", f.high, rig.Volt, (*int64)(&s.high)},
		{"level-u", f.levelU, rig.Volt, (*int64)(&s.levelU)}, {"band", f.band, rig.Volt, (*int64)(&s.band)},
		{"every", f.every, rig.Second, (*int64)(&s.every)}, {"window", f.window, rig.Second, (*int64)(&s.window)},
	} {
		if q.text == "" {
			continue
		}
		n, err := rig.ParseAs(q.text, q.unit)
		if err != nil {
			return s, fmt.Errorf("--%s: %w", q.flag, err)
		}
		if n <= 0 {
			return s, fmt.Errorf("--%s %s; expected more than 0", q.flag, q.text)
		}
		*q.to = n
	}
	switch {
	case s.low >= s.high:
		return s, fmt.Errorf("--low %v is not below --high %v", rig.Of(s.low), rig.Of(s.high))
	case s.high > supply:
		return s, fmt.Errorf("--high %v is above the DUT's supply of %v; expected no more, as the DUT is connected", rig.Of(s.high), rig.Of(supply))
	case s.window/s.every < 20 || s.window/s.every > 5000:
		return s, fmt.Errorf("--window %v has %d readings of --every %v; expected 20 to 5000", s.window, s.window/s.every, s.every)
	case s.n < 2 || s.n > 50:
		return s, fmt.Errorf("--n %d; expected 2 to 50 steps up and as many down", s.n)
	}
	return s, nil
}

// trace steps the supply and reads the rail at the DUT's pins.
func (s stepping) trace(ctx context.Context, run *engine.Run) ([]calibration.Step, error) {
	for _, name := range []string{rig.SupplySet, rig.Rail} {
		if !run.Has(name) {
			return nil, &answerError{fmt.Sprintf("this bench has no %s; expected a rig file with one", name)}
		}
	}
	if run.Has(rig.RelayDUT) {
		if err := run.Set(ctx, rig.RelayDUT, rig.Quantity{N: 1}); err != nil {
			return nil, err
		}
	}
	if _, err := s.step(ctx, run, 0, s.low); err != nil { // to begin with
		return nil, err
	}
	var steps []calibration.Step
	for range s.n {
		for _, level := range [][2]physic.ElectricPotential{{s.low, s.high}, {s.high, s.low}} {
			step, err := s.step(ctx, run, level[0], level[1])
			if err != nil {
				return nil, err
			}
			steps = append(steps, step)
		}
	}
	return steps, nil
}

// step sets a level and reads the rail until the window is over. A reading's
// instant is the middle of the time that it took.
func (s stepping) step(ctx context.Context, run *engine.Run, from, to physic.ElectricPotential) (calibration.Step, error) {
	step := calibration.Step{From: from, To: to}
	began := run.Now()
	if err := run.Set(ctx, rig.SupplySet, rig.Of(to)); err != nil {
		return step, err
	}
	for next := run.Now(); next < began.Add(s.window); next = next.Add(s.every) {
		if err := run.Wait(ctx, next.Sub(run.Now())); err != nil {
			return step, err
		}
		before := run.Now()
		q, err := run.Ask(ctx, rig.Rail)
		if err != nil {
			return step, err
		}
		at := before.Sub(began) + run.Now().Sub(before)/2
		if n := len(step.Trace); n == 0 || at > step.Trace[n-1].At {
			step.Trace = append(step.Trace, calibration.Point{At: at, Rail: physic.ElectricPotential(q.N)})
		}
	}
	return step, nil
}

func supplySentence(c *calibration.Supply) string {
	r := c.Result
	return fmt.Sprintf("The supply moves the rail at %v up and %v down and settles within %v; the rail reads %v off (u %v of a reading).",
		rig.Of(r.SlewUp), rig.Of(r.SlewDown), r.Settling.Round(100*time.Microsecond), rig.Of(r.RailError), rig.Of(r.RailU))
}

func printSupply(w io.Writer, c *calibration.Supply) error {
	up, down, readings := 0, 0, 0
	for _, s := range c.Steps {
		readings += len(s.Trace)
		if s.To > s.From {
			up++
		} else {
			down++
		}
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "value\t\tu")
	fmt.Fprintf(t, "slew up\t%v\t%v\n", rig.Of(c.Result.SlewUp), rig.Of(c.Result.SlewUpU))
	fmt.Fprintf(t, "slew down\t%v\t%v\n", rig.Of(c.Result.SlewDown), rig.Of(c.Result.SlewDownU))
	fmt.Fprintf(t, "settled to %v within\t%v\t\n", rig.Of(c.Band), c.Result.Settling.Round(100*time.Microsecond))
	fmt.Fprintf(t, "rail reading off by\t%v\t%v\n", rig.Of(c.Result.RailError), rig.Of(c.Result.RailU))
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "%d steps up, %d down, %d readings; levels known to u %v\n", up, down, readings, rig.Of(c.LevelU))
	return err
}
