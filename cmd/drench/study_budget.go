package main

import (
	"fmt"
	"io"
	"text/tabwriter"

	"drench/results/budget"
	"drench/rig"

	"github.com/spf13/cobra"
)

func studyBudget() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "budget",
		Short: "What each number of this rig is uncertain by, and why",
		Long: "The uncertainty budget of each measure from the rig file's calibration, by the law of propagation (JCGM 100),\n" +
			"checked by Monte Carlo (JCGM 101). No hardware is touched.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			b, err := loadBench(cmd, "")
			if err != nil {
				return err
			}
			list, err := budget.Of(b.rig.Calibration)
			if err != nil {
				return err
			}
			if asJSON {
				return printJSON(cmd.OutOrStdout(), list)
			}
			for _, b := range list {
				if err := printBudget(cmd.OutOrStdout(), b); err != nil {
					return err
				}
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print as JSON")
	return cmd
}

func printBudget(w io.Writer, b budget.Budget) error {
	fmt.Fprintf(w, "%s (%s): u = %s, U = %s (k = %.3g, 95 %%)\n  %s\n", b.Measure, b.How, spread(b.U, b.Unit), spread(b.Wide, b.Unit), b.K, b.Model)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, l := range b.Lines {
		fmt.Fprintf(t, "  %s\tu %s\t%.0f %%\t%s\n", l.Name, spread(l.U, l.Unit), 100*l.Share, l.From)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	word := "agrees"
	if !b.Agrees {
		word = "differs: the measure bends within its uncertainty, so use this one"
	}
	_, err := fmt.Fprintf(w, "  Monte Carlo: u = %s, %s\n", spread(b.MonteCarlo, b.Unit), word)
	return err
}

// spread prints a width, which for temperatures has no zero at 0 °C.
func spread(v float64, u rig.Unit) string {
	if u == rig.Kelvin {
		return rig.Significant(v/1e9, 3) + " K"
	}
	return rig.Quantity{N: int64(v), Unit: u}.String()
}
