package main

import (
	"fmt"
	"io"
	"slices"
	"text/tabwriter"

	"drench/results/limits"
	"drench/results/stats"
	"drench/results/store"
	"drench/results/study"
	"drench/results/verdict"
	"drench/rig"

	"github.com/spf13/cobra"
)

const standardTag = "standard="

// fewestCharted is how many runs set a chart's limits: with fewer, moving
// ranges say little (common practice, no source).
const fewestCharted = 8

func studyChart() *cobra.Command {
	var line string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "chart NAME",
		Short: "Chart the check standard: a DUT that is kept in the drawer and tested every night",
		Long: "Chart the runs that are tagged standard=NAME, one value each, with limits from their moving ranges.\n" +
			"The DUT does not change, so what moves is the rig.\n" +
			"Exit status: 0 steady, 1 a value is outside, 3 too few runs.",
		Example: "  drench run drip --dut drawer --tag standard=drawer\n" +
			"  drench study chart drawer --limit 'latency mean < 2.5 s'",
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			f, err := oneLimit(line)
			if err != nil {
				return err
			}
			st, err := openStore(cmd)
			if err != nil {
				return err
			}
			defer st.Close()
			c, err := chartStandard(cmd, st, args[0], f)
			if err != nil {
				return err
			}
			if asJSON {
				err = printJSON(cmd.OutOrStdout(), c)
			} else {
				err = c.print(cmd.OutOrStdout())
			}
			if err == nil && len(c.Outside)+len(c.WideRanges) > 0 {
				err = &statusError{verdict.Fail}
			}
			return err
		},
	}
	fl := cmd.Flags()
	fl.StringVar(&line, "limit", "", "the limit whose statistic is charted, as a limits file has it")
	fl.BoolVar(&asJSON, "json", false, "print as JSON")
	return cmd
}

// chart is a check standard's history.
type chart struct {
	Standard string          `json:"standard"`
	Limit    limits.Limit    `json:"limit"`
	Points   []study.Reading `json:"points"`
	stats.IndividualsChart
}

func chartStandard(cmd *cobra.Command, st *store.Store, name string, f *limits.File) (c chart, err error) {
	c.Standard = name
	if c.Points, c.Limit, err = readings(cmd.Context(), st, standardTag+name, f, cmd.ErrOrStderr()); err != nil {
		return c, err
	}
	if len(c.Points) < fewestCharted {
		fmt.Fprintf(cmd.ErrOrStderr(), "%d runs are tagged %s%s and have a value; a chart needs %d\n", len(c.Points), standardTag, name, fewestCharted)
		return c, &statusError{verdict.Inconc}
	}
	var values []float64
	for _, p := range c.Points {
		values = append(values, p.Value)
	}
	c.IndividualsChart, err = stats.Individuals(values)
	return c, err
}

func (c chart) print(w io.Writer) error {
	show := func(v float64) string { return rig.Quantity{N: int64(v), Unit: c.Limit.Unit}.String() }
	fmt.Fprintf(w, "check standard %s, %s: centre %s, limits %s … %s\n", c.Standard, c.Limit.Text, show(c.Centre), show(c.Lower), show(c.Upper))
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for i, p := range c.Points {
		word := ""
		switch {
		case slices.Contains(c.Outside, i):
			word = "OUTSIDE the limits"
		case slices.Contains(c.WideRanges, i):
			word = "a STEP from the one before"
		}
		fmt.Fprintf(t, "run %d\t%s\t%s\t%s\n", p.Run, p.Started.Format("2006-01-02 15:04"), show(p.Value), word)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	conclusion := "steady: nothing says that the rig has changed"
	if len(c.Outside)+len(c.WideRanges) > 0 {
		conclusion = "not steady: the rig has changed, or the standard has; calibrate, and look at it before trusting verdicts of that time"
	}
	_, err := fmt.Fprintln(w, conclusion)
	return err
}
