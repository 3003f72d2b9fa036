package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"drench/results/power"
	"drench/rig"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// planner answers one kind of question; the values are as typed.
type planner func(ctx context.Context, given typedFlags) (power.Answer, error)

func newPlan() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "plan",
		Short: "How large must a run be to show what it is for",
		Long: "How many trials, hours or devices a run must have, under the rule that verdicts are made by,\n" +
			"and how often such a run passes, fails or tells nothing if the DUT is as you think.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(planLatency(), planMissed(), planRate(), planDUTs(), planShift())
	return cmd
}

// newPlanner makes a command of a planner.
func newPlanner(use, short, example string, flags func(*pflag.FlagSet), f planner) *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{Use: use, Short: short, Example: "  drench plan " + use + " " + example, Args: cobra.NoArgs}
	own := pflag.NewFlagSet(use, pflag.ContinueOnError)
	flags(own)
	own.SortFlags, cmd.Flags().SortFlags = false, false
	cmd.Flags().AddFlagSet(own)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		answer, err := f(cmd.Context(), typedFlags{own, new([]error)})
		if err != nil {
			return fmt.Errorf("plan %s: %w", use, err)
		}
		if !asJSON {
			return answer.WriteText(cmd.OutOrStdout())
		}
		asked := map[string]string{}
		own.VisitAll(func(f *pflag.Flag) { asked[f.Name] = f.Value.String() })
		return printJSON(cmd.OutOrStdout(), struct {
			Plan   string            `json:"plan"`
			Inputs map[string]string `json:"inputs"`
			power.Answer
		}{use, asked, answer})
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print as JSON")
	return cmd
}

func planLatency() *cobra.Command {
	return newPlanner("latency", "Trials that show a quantile of latency below a limit",
		`--limit "2.5 s" --quantile 95 --confidence 95 --true "2.1 s"`,
		func(fl *pflag.FlagSet) {
			fl.String("limit", "", "`time` that the quantile must keep")
			fl.String("quantile", "95", "which quantile, in `percent`")
			fl.String("confidence", "95", "of the verdict, in `percent`")
			fl.String("true", "", "the quantile's `time` as it probably is")
			fl.String("shape", string(power.Uniform), "`shape` of latencies: uniform (a detector that samples with a period), normal or lognormal")
			fl.String("from", "0 s", "uniform: shortest latency, a `time`")
			fl.String("sd", "0 s", "normal, lognormal: standard deviation, a `time`")
			fl.String("u", "0 s", "standard uncertainty of one latency, a `time`")
		},
		func(_ context.Context, given typedFlags) (power.Answer, error) {
			return answer(given, power.Latency{
				Quantile: given.percent("quantile", 1), Confidence: given.percent("confidence", 1),
				Limit: given.time("limit"), True: given.time("true"),
				Shape: power.Shape(given.text("shape")), From: given.time("from"), SD: given.time("sd"), U: given.time("u"),
			})
		})
}

func planMissed() *cobra.Command {
	return newPlanner("missed", "Trials that show that no more than a share is missed",
		"--limit 5% --confidence 95 --true 1%",
		func(fl *pflag.FlagSet) {
			fl.String("limit", "", "largest `share` that may be missed")
			fl.String("confidence", "95", "of the verdict, in `percent`")
			fl.String("true", "0%", "the `share` as it probably is")
		},
		func(_ context.Context, given typedFlags) (power.Answer, error) {
			return answer(given, power.Missed{Limit: given.share("limit"), Confidence: given.percent("confidence", 1), True: given.share("true")})
		})
}

func planRate() *cobra.Command {
	return newPlanner("rate", "Hours that show that events, such as false alarms, are no more frequent than a limit",
		`--limit "0.5 per h" --confidence 90 --true "0.1 per h"`,
		func(fl *pflag.FlagSet) {
			fl.String("limit", "", "highest `rate` allowed")
			fl.String("confidence", "95", "of the verdict, in `percent`")
			fl.String("true", "0 per h", "the `rate` as it probably is")
		},
		func(_ context.Context, given typedFlags) (power.Answer, error) {
			return answer(given, power.Rate{
				Limit: rig.Rate(given.quantity("limit", rig.Hertz)), Confidence: given.percent("confidence", 1),
				True: rig.Rate(given.quantity("true", rig.Hertz))})
		})
}

func planDUTs() *cobra.Command {
	return newPlanner("duts", "Devices that show that no more than a share is defective",
		"--limit 1% --confidence 90 --true 0.1%",
		func(fl *pflag.FlagSet) {
			fl.String("limit", "", "largest `share` that may be defective")
			fl.String("confidence", "95", "in `percent`")
			fl.String("true", "0%", "the `share` as it probably is")
			fl.Int("lot", 0, "`devices` in the lot; 0: production without end")
		},
		func(_ context.Context, given typedFlags) (power.Answer, error) {
			lot, _ := given.flags.GetInt("lot")
			return answer(given, power.DUTs{Limit: given.share("limit"), Confidence: given.percent("confidence", 1), True: given.share("true"), Lot: lot})
		})
}

func planShift() *cobra.Command {
	return newPlanner("shift", "Trials a side that see a shift between two nights",
		`--shift "100 ms" --sd "580 ms"`,
		func(fl *pflag.FlagSet) {
			fl.String("shift", "", "the shift, a `quantity` with its unit")
			fl.String("sd", "", "standard deviation of one night, a `quantity` in the same unit; for a period T it is T/3.46")
			fl.String("shape", string(power.Uniform), "`shape` of a night's values: uniform (a detector that samples with a period) or normal")
			fl.String("alpha", "5", "two-sided level of the comparison, in `percent`")
			fl.Uint64("seed", 1, "`seed` of the simulation; the same seed gives the same answer")
		},
		func(ctx context.Context, given typedFlags) (power.Answer, error) {
			seed, _ := given.flags.GetUint64("seed")
			shift, sd := given.pair("shift", "sd")
			q := power.Shift{Shift: shift, SD: sd, Shape: power.Shape(given.text("shape")), Alpha: given.percent("alpha", 0.001), Seed: seed}
			if err := given.err(); err != nil {
				return power.Answer{}, err
			}
			return q.Answer(ctx)
		})
}

// answer answers a question, if what was typed could be read.
func answer(given typedFlags, q interface {
	Answer() (power.Answer, error)
}) (power.Answer, error) {
	if err := given.err(); err != nil {
		return power.Answer{}, err
	}
	return q.Answer()
}

// typedFlags reads flags that are quantities, and keeps what can't be read.
type typedFlags struct {
	flags *pflag.FlagSet
	errs  *[]error
}

func (g typedFlags) err() error { return errors.Join(*g.errs...) }

// fail keeps an error about a flag.
func (g typedFlags) fail(name string, err error) {
	*g.errs = append(*g.errs, fmt.Errorf("--%s: %w", name, err))
}

// text returns a flag as typed.
func (g typedFlags) text(name string) string { return g.flags.Lookup(name).Value.String() }

// quantity reads a quantity in a unit.
func (g typedFlags) quantity(name string, unit rig.Unit) int64 {
	if g.text(name) == "" {
		g.fail(name, fmt.Errorf("it is missing; expected a value such as %q", unit.Example()))
		return 0
	}
	v, err := rig.ParseAs(g.text(name), unit)
	if err != nil {
		g.fail(name, err)
	}
	return v
}

func (g typedFlags) time(name string) time.Duration {
	return time.Duration(g.quantity(name, rig.Second))
}

func (g typedFlags) share(name string) rig.Share { return rig.Share(g.quantity(name, rig.Proportion)) }

// percent reads a number of percent, with or without its sign, as a share.
// Where a share would be a slip, as in 0.95 for 95, least is 1.
func (g typedFlags) percent(name string, least float64) float64 {
	v, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(g.text(name), "%")), 64)
	if err != nil || !(v >= least && v < 100) {
		g.fail(name, fmt.Errorf("%q is not a number of percent; expected one from %v to below 100, such as %s",
			g.text(name), least, g.flags.Lookup(name).DefValue))
	}
	return v / 100
}

// pair reads two quantities of the same unit, whatever it is.
func (g typedFlags) pair(first, second string) (a, b rig.Quantity) {
	a, err := rig.ParseQuantity(g.text(first))
	if err != nil {
		g.fail(first, err)
		return a, b
	}
	return a, rig.Quantity{N: g.quantity(second, a.Unit), Unit: a.Unit}
}
