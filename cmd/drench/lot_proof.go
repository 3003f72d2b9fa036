package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"text/tabwriter"

	"drench/results/inspection"
	"drench/results/lot"
	"drench/results/report"
	"drench/results/verdict"

	"github.com/spf13/cobra"
)

func lotCertificate(f *lotFlags) *cobra.Command {
	var out, csv string
	cmd := &cobra.Command{
		Use:   "certificate [LOT]",
		Short: "Print the certificate of a decided lot, or write it as a page or a table",
		Long: "Print the certificate of a decided lot (default: the last one), or write it as a page to print (--out) and\n" +
			"its results as a table (--csv). FILE - is standard output.\nExit status: 0 accepted, 1 rejected, 3 not decided yet.",
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return f.certificate(cmd, args, out, csv) },
	}
	cmd.Flags().StringVar(&out, "out", "", "file for the page, which needs no other file and no network")
	cmd.Flags().StringVar(&csv, "csv", "", "file for the results, a row each")
	return cmd
}

func (f *lotFlags) certificate(cmd *cobra.Command, args []string, out, csv string) error {
	s, l, err := f.find(cmd, args)
	if err != nil {
		return err
	}
	if l.Decision == lot.Open {
		st, err := stateOf(l.Lot)
		if err != nil {
			return err
		}
		fmt.Fprintf(cmd.ErrOrStderr(), "drench: lot %s is not decided yet; next: %s\n", l.Lot.Lot, st.Next.Says)
		return decided(l.Decision)
	}
	cert, err := s.Certify(l.Lot.Lot)
	if err != nil {
		return err
	}
	if out != "" {
		page, err := certificatePage(cert, l.Lot)
		if err != nil {
			return &benchError{err}
		}
		if err := writeFile(cmd, out, func(w io.Writer) error { _, err := w.Write(page); return err }); err != nil {
			return fmt.Errorf("--out: %w", err)
		}
	}
	if csv != "" {
		if err := writeFile(cmd, csv, cert.CSV); err != nil {
			return fmt.Errorf("--csv: %w", err)
		}
	}
	switch {
	case f.json:
		err = printJSON(cmd.OutOrStdout(), cert)
	case out != "-" && csv != "-":
		err = printCertificate(cmd.OutOrStdout(), cert)
	}
	if err != nil {
		return err
	}
	return decided(cert.Decision)
}

func certificatePage(c lot.Certificate, l *lot.Lot) ([]byte, error) {
	curve, err := l.Curve(report.CurvePoints)
	if err != nil {
		return nil, err
	}
	var page bytes.Buffer
	err = report.CertificateHTML(&page, c, curve)
	return page.Bytes(), err
}

func printCertificate(w io.Writer, c lot.Certificate) error {
	fmt.Fprintf(w, "lot %s of %s, %d units: %s\n%s\n", c.Lot, c.Product, c.Size, c.Decision, c.Because)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, row := range report.CertificateFacts(c) {
		fmt.Fprintf(t, "%s\t%s\n", row[0], row[1])
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for _, n := range c.Notes {
		fmt.Fprintf(w, "note: %s\n", n)
	}
	return nil
}

// proof is what drench lot verify found.
type proof struct {
	Product string            `json:"product,omitempty"`
	Whole   bool              `json:"whole"`
	Entries int               `json:"entries"` // that hold
	Bad     int               `json:"bad_entry,omitempty"`
	Why     string            `json:"why,omitempty"`
	Head    string            `json:"head"`
	Lots    int               `json:"lots"`
	Store   *inspection.Audit `json:"store,omitempty"`
}

func lotVerify(f *lotFlags) *cobra.Command {
	var head, file string
	cmd := &cobra.Command{
		Use:   "verify",
		Short: "Compute a ledger anew from its entries, and hold it against the runs in the store",
		Long: "Compute a product's ledger anew from its entries: the chain of hashes, each plan and severity, each sample\n" +
			"from its seed, each decision. Then compute the sums of its runs from their timelines in the store, and look\n" +
			"for runs on sampled devices that were not entered. --head says which hash the last entry must have, as a\n" +
			"certificate has it: without one, a ledger that was cut at its end can't be told from a whole one.\n" +
			"Exit status: 0 whole, 1 broken, 3 whole, but runs are no longer in the store, 4 error.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return f.verify(cmd, head, file) },
	}
	cmd.Flags().StringVar(&head, "head", "", "hash that the last entry must have")
	cmd.Flags().StringVar(&file, "file", "", "a ledger that drench lot export wrote, in place of the store's; runs are not looked at")
	return cmd
}

func (f *lotFlags) verify(cmd *cobra.Command, head, file string) error {
	if file != "" {
		in, err := os.Open(file)
		if err != nil {
			return fmt.Errorf("--file: %w", err)
		}
		defer in.Close()
		p, _, err := proofOf(lot.Lines(in), head)
		if err != nil {
			return &benchError{err}
		}
		return f.tell(cmd, p)
	}
	c, err := f.atCounter(cmd)
	if err != nil {
		return err
	}
	defer c.st.Close()
	p, s, err := proofOf(c.st.Read(cmd.Context(), c.product), head)
	if errors.Is(err, lot.ErrNoLedger) {
		return fmt.Errorf("%s: %w", c.product, err)
	}
	if err != nil {
		return &benchError{err}
	}
	p.Product = c.product
	a, err := c.Audit(cmd.Context(), s)
	if err != nil {
		return lotError(err)
	}
	p.Store = &a
	return f.tell(cmd, p)
}

// proofOf computes a ledger anew. A bad entry is what it looks for, and no
// error.
func proofOf(lines iter.Seq2[[]byte, error], head string) (proof, *lot.Series, error) {
	s, err := lot.Verify(lines, head)
	p := proof{Product: s.Product, Whole: err == nil, Entries: s.Entries, Head: s.Head, Lots: len(s.Lots)}
	var bad *lot.BadEntry
	if errors.As(err, &bad) {
		p.Bad, p.Why, err = bad.N, bad.Err.Error(), nil
	}
	return p, s, err
}

// tell prints a proof and turns it into an exit status.
func (f *lotFlags) tell(cmd *cobra.Command, p proof) error {
	if f.json {
		if err := printJSON(cmd.OutOrStdout(), p); err != nil {
			return err
		}
	} else {
		p.print(cmd.OutOrStdout())
	}
	switch {
	case !p.Whole, p.Store != nil && !p.Store.Sound():
		return &statusError{verdict.Fail}
	case p.Store != nil && len(p.Store.Missing) > 0:
		return &statusError{verdict.Inconc}
	}
	return nil
}

func (p proof) print(w io.Writer) {
	if p.Whole {
		fmt.Fprintf(w, "whole: %d entries of %s, %d lots, head %s\n", p.Entries, p.Product, p.Lots, p.Head)
	} else {
		fmt.Fprintf(w, "BROKEN at entry %d of %s: %s\n", p.Bad, p.Product, p.Why)
	}
	if p.Store == nil {
		return
	}
	fmt.Fprintf(w, "timelines in the store that were summed anew: %d\n", p.Store.Runs)
	for _, list := range []struct {
		word string
		says []string
	}{{"DIFFERS", p.Store.Differs}, {"UNLIKE", p.Store.Unlike}, {"missing", p.Store.Missing}} {
		for _, text := range list.says {
			fmt.Fprintf(w, "%s: %s\n", list.word, text)
		}
	}
}

// past is a lot in the history of a product.
type past struct {
	Lot      string       `json:"lot"`
	Size     int          `json:"size"`
	Decision lot.Decision `json:"decision"`
	Severity string       `json:"severity"`
	Why      string       `json:"why,omitempty"`
	N        int          `json:"n"`
	Bad      int          `json:"nonconforming"`
	Next     string       `json:"next"`
	NextWhy  string       `json:"next_why,omitempty"`
	Score    int          `json:"switching_score"`
	Head     string       `json:"head"`
}

func lotHistory(f *lotFlags) *cobra.Command {
	return &cobra.Command{
		Use:   "history [PRODUCT]",
		Short: "Show a product's lots and how inspection switched from each to the next",
		Args:  cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				f.product = args[0]
			}
			c, err := f.atCounter(cmd)
			if err != nil {
				return err
			}
			defer c.st.Close()
			s, err := c.series(cmd)
			if err != nil {
				return err
			}
			list, err := pastOf(s)
			if err != nil {
				return err
			}
			if f.json {
				return printJSON(cmd.OutOrStdout(), list)
			}
			return printPast(cmd.OutOrStdout(), s, list)
		},
	}
}

func pastOf(s *lot.Series) ([]past, error) {
	list := []past{}
	for _, l := range s.Lots {
		st, err := l.Standing()
		if err != nil {
			return nil, err
		}
		list = append(list, past{Lot: l.Lot, Size: l.Size, Decision: l.Decision, Severity: l.Severity.String(), Why: l.Before.Because,
			N: st.N, Bad: st.Bad, Next: l.After.Severity.String(), NextWhy: l.After.Because, Score: l.After.Score, Head: l.Head})
	}
	return list, nil
}

func printPast(w io.Writer, s *lot.Series, list []past) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "lot\tunits\tinspection\ttested\tnonconforming\tdecision\tnext\tscore\twhy")
	for _, p := range list {
		fmt.Fprintf(t, "%s\t%d\t%s\t%d\t%d\t%s\t%s\t%d\t%s\n", p.Lot, p.Size, p.Severity, p.N, p.Bad, p.Decision, p.Next, p.Score, orDash(p.NextWhy))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "the next lot of %s is inspected under %s inspection, by %s; head %s\n", s.Product, s.State.Severity, s.State.Rules, s.Head)
	return err
}

func lotExport(f *lotFlags) *cobra.Command {
	return &cobra.Command{
		Use:   "export",
		Short: "Write a product's ledger to standard output, a line an entry",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := f.atCounter(cmd)
			if err != nil {
				return err
			}
			defer c.st.Close()
			if err := lot.Export(cmd.Context(), cmd.OutOrStdout(), c.st, c.product); err != nil {
				return &benchError{err}
			}
			return nil
		},
	}
}
