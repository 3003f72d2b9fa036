package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"strings"
	"text/tabwriter"

	"drench/results/calc"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// newCalc has a command for each statistic, so that help and completion come by
// themselves.
func newCalc() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "calc [NAME]",
		Short: "Call one statistic on its own; without a name, list them",
		Long: "Call one of the statistics that verdicts are made with on its own, for planning and for checking us.\n" +
			"Without a name, list them with their sources.",
		// A statistic's name would have become its command: what is left is unknown.
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return nil
			}
			return fmt.Errorf("calc: %q is not a statistic; did you mean %s? (drench calc lists all)", args[0], calc.Nearest(args[0]))
		},
		RunE: func(cmd *cobra.Command, _ []string) error {
			if asJSON {
				return printJSON(cmd.OutOrStdout(), calc.Entries())
			}
			return listCalc(cmd.OutOrStdout())
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print as JSON")
	for _, s := range calc.Subjects() {
		cmd.AddGroup(&cobra.Group{ID: s, Title: strings.ToUpper(s[:1]) + s[1:] + ":"})
	}
	for _, e := range calc.Entries() {
		cmd.AddCommand(newCalcEntry(e))
	}
	return cmd
}

func listCalc(w io.Writer) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, s := range calc.Subjects() {
		fmt.Fprintf(t, "%s\n", s)
		for _, e := range calc.Entries() {
			if e.Subject == s {
				fmt.Fprintf(t, "  %s\t%s\t[%s]\n", e.Name, e.About, e.Source)
			}
		}
	}
	return t.Flush()
}

func newCalcEntry(e calc.Entry) *cobra.Command {
	var path string
	var asJSON bool
	cmd := &cobra.Command{
		Use:     e.Name,
		GroupID: e.Subject,
		Short:   e.About,
		Long:    e.About + "\nSource: " + e.Source,
		Example: "  drench calc " + e.Name + " " + e.Example,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			var answer calc.Answer
			err := interruptible(cmd.Context(), func() (err error) {
				answer, err = callWith(e, givenFlags(cmd, e), path)
				return err
			})
			if err != nil {
				return fmt.Errorf("calc %s: %w", e.Name, err)
			}
			if asJSON {
				return printJSON(cmd.OutOrStdout(), answer)
			}
			return answer.WriteText(cmd.OutOrStdout())
		},
	}
	cmd.Flags().SortFlags = false // as the entry has them
	for _, p := range e.Params {
		cmd.Flags().Var(&argument{kind: p.Kind}, p.Name, p.Usage())
	}
	if e.HasColumns() {
		cmd.Flags().StringVar(&path, "data", "", "`file` of comma-separated values with a header, from which columns are read; a column's own flag then says what it is called there")
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print as JSON, with inputs and source")
	return cmd
}

// argument keeps a parameter as it was typed: the entry reads it.
type argument struct {
	kind calc.Kind
	text string
}

func (a *argument) String() string     { return a.text }
func (a *argument) Set(s string) error { a.text = s; return nil }
func (a *argument) Type() string       { return a.kind.String() }

// givenFlags returns the parameters that were typed.
func givenFlags(cmd *cobra.Command, e calc.Entry) map[string]string {
	given := map[string]string{}
	cmd.Flags().Visit(func(f *pflag.Flag) {
		if e.Takes(f.Name) {
			given[f.Name] = f.Value.String()
		}
	})
	return given
}

// callWith calls the entry with the columns of a file, if there is one.
func callWith(e calc.Entry, given map[string]string, path string) (calc.Answer, error) {
	if path == "" {
		return e.Call(given, nil)
	}
	f, err := os.Open(path)
	if err != nil {
		return calc.Answer{}, err
	}
	defer f.Close()
	return e.Call(given, &calc.Data{Name: path, R: f})
}

// interruptible returns what f returns, or before that the error of ctx. f is
// then left behind: the process is about to end.
func interruptible(ctx context.Context, f func() error) error {
	done := make(chan error, 1)
	go func() { done <- f() }()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}
