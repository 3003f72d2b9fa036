package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"drench/drivers/gpio"
	"drench/rig"

	"github.com/spf13/cobra"
)

// loopWire is a wire from a spare output to a spare input, by the kernel's
// names of the lines.
type loopWire struct {
	Out, In string
}

func (w *loopWire) flags(cmd *cobra.Command) {
	cmd.Flags().StringVar(&w.Out, "out", "", "spare `line` that a loop-back wire comes from, by the kernel's name, such as GPIO26")
	cmd.Flags().StringVar(&w.In, "in", "", "spare `line` that it leads to")
}

func (w loopWire) given() bool { return w.Out != "" || w.In != "" }

// check refuses a wire from a line that the rig file has a use for: what hangs
// on it would be switched.
func (w loopWire) check(b *bench) error {
	switch {
	case !w.given():
		return nil
	case !b.isReal():
		return errors.New("--out and --in are lines of a real bench, and this one is virtual: its stamps have no wire to measure them by; give the --rig file of a real bench")
	case w.Out == "" || w.In == "":
		return errors.New("a loop-back wire has two ends; expected both --out and --in")
	case w.Out == w.In:
		return fmt.Errorf("--out and --in are both %s; expected two lines with a wire between them", w.Out)
	}
	for name, l := range b.real.Lines.all() {
		if l.Line == w.Out {
			return fmt.Errorf("--out %s is the line of %s; expected a spare one, as the wire's output is toggled", w.Out, name)
		}
	}
	return nil
}

// all are the lines of channels and drives, by name.
func (s *lineSection) all() map[string]lineConfig {
	lines := map[string]lineConfig{}
	for name, l := range s.channels() {
		if l != nil {
			lines[name] = *l
		}
	}
	for name, l := range s.Drives {
		lines[name] = l
	}
	return lines
}

// spare checks, once the chips are known, that the output is no line that the
// rig file names by chip and offset.
func (w loopWire) spare(chips []gpio.Chip, s *lineSection) error {
	out, err := locate(chips, lineConfig{Line: w.Out})
	if err != nil {
		return err
	}
	for name, l := range s.all() {
		if at, err := locate(chips, l); err == nil && at.path == out.path && at.offset == out.offset {
			return fmt.Errorf("--out %s is the line of %s; expected a spare one, as the wire's output is toggled", w.Out, name)
		}
	}
	return nil
}

// loopSpacing is the least time between two changes of the wire's output.
const loopSpacing = 2 * time.Millisecond

// measureLoop toggles the output n times and catches each edge on the input.
func measureLoop(ctx context.Context, w loopWire, n int) (gpio.LoopBack, error) {
	const out, in rig.ID = 0, 1
	bank, err := gpio.Open(ctx, []gpio.Line{
		{ID: out, Channel: "loop_out", Name: w.Out, Dir: rig.Output},
		{ID: in, Channel: "loop_in", Name: w.In, Dir: rig.Input},
	})
	if err != nil {
		return gpio.LoopBack{}, err
	}
	l, err := bank.LoopBack(ctx, out, in, n, loopSpacing)
	return l, errors.Join(err, bank.Close())
}
