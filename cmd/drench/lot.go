package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"os/user"
	"strings"

	"drench/results/inspection"
	"drench/results/lot"
	"drench/results/store"
	"drench/results/verdict"

	"github.com/spf13/cobra"
)

// lotFlags are those that commands about lots share.
type lotFlags struct {
	product string
	by      string
	why     string
	json    bool
}

func newLot() *cobra.Command {
	var f lotFlags
	cmd := &cobra.Command{
		Use:   "lot",
		Short: "Accept or reject lots by sampling, with a ledger that can be checked",
		Long: "Accept or reject lots by sampling after ISO 2859-1, with its switching rules, or by a sequential plan.\n" +
			"All that is done is entered into the product's ledger, which is only ever added to, each entry with who,\n" +
			"when, why and the hash of the one before.\n" +
			"Exit status: 0 accepted or done, 1 rejected, 2 wrong use or refused, 3 undecided, 4 error.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.PersistentFlags().StringVar(&f.product, "product", "", "whose lots (default: the only product that has a ledger)")
	cmd.PersistentFlags().BoolVar(&f.json, "json", false, "print JSON")
	cmd.AddCommand(lotOpen(&f), lotShow(&f), lotNext(&f), lotAssign(&f), lotTest(&f), lotResult(&f), lotVoid(&f), lotRetest(&f),
		lotDecide(&f), lotWithdraw(&f), lotResume(&f), lotCertificate(&f), lotVerify(&f), lotHistory(&f), lotExport(&f))
	return cmd
}

// signed lets a command that adds to a ledger be signed.
func (f *lotFlags) signed(cmd *cobra.Command) *cobra.Command {
	cmd.Flags().StringVar(&f.by, "by", "", "who does it, as the ledger is to say (default: the name of this machine's user)")
	return cmd
}

// reasoned lets a command that needs a reason have one.
func (f *lotFlags) reasoned(cmd *cobra.Command) *cobra.Command {
	cmd.Flags().StringVar(&f.why, "why", "", "the reason, which the ledger and the certificate tell")
	_ = cmd.MarkFlagRequired("why") // it exists
	return f.signed(cmd)
}

// name is who does it.
func (f *lotFlags) name() (string, error) {
	if by := strings.TrimSpace(f.by); by != "" {
		return by, nil
	}
	if f.by == "" {
		if u, err := user.Current(); err == nil && u.Username != "" {
			return u.Username, nil
		}
	}
	return "", errors.New("--by is missing; expected the name of who does it")
}

// counter is the desk of a store, for one product.
type counter struct {
	inspection.Desk
	st      *store.Store
	product string
}

// atCounter opens the store and finds the product; a new one only if it is
// named.
func (f *lotFlags) atCounter(cmd *cobra.Command) (*counter, error) {
	st, err := openStore(cmd)
	if err != nil {
		return nil, err
	}
	c := &counter{Desk: inspection.Desk{Store: st}, st: st, product: f.product}
	if c.product == "" {
		if c.product, err = onlyProduct(cmd, st); err != nil {
			return nil, errors.Join(err, st.Close())
		}
	}
	return c, nil
}

func onlyProduct(cmd *cobra.Command, st *store.Store) (string, error) {
	list, err := st.Products(cmd.Context())
	switch {
	case err != nil:
		return "", &benchError{err}
	case len(list) == 1:
		return list[0], nil
	case len(list) == 0:
		return "", errors.New("no product has a ledger yet; expected --product NAME with drench lot open")
	}
	return "", fmt.Errorf("several products have a ledger; expected --product with one of %s", strings.Join(list, ", "))
}

// lotError sorts an error: a refusal is wrong use, a ledger or a store that
// can't be read is a fault.
func lotError(err error) error {
	var broken *lot.BadEntry
	var fault *store.Error
	var ran *statusError
	var bench *benchError
	switch {
	case err == nil, errors.As(err, &ran), errors.As(err, &bench):
		return err
	case errors.As(err, &broken):
		return &benchError{fmt.Errorf("%w; nothing is added to a ledger that does not hold: drench lot verify says more", err)}
	case errors.As(err, &fault):
		return &benchError{err}
	}
	return err
}

// series reads the product's ledger.
func (c *counter) series(cmd *cobra.Command) (*lot.Series, error) {
	s, err := c.Series(cmd.Context(), c.product)
	return s, lotError(err)
}

// act does something at the counter and shows how the lot stands then.
func (f *lotFlags) act(cmd *cobra.Command, do func(c *counter, a lot.Act) error) error {
	name, err := f.name()
	if err != nil {
		return err
	}
	c, err := f.atCounter(cmd)
	if err != nil {
		return err
	}
	defer c.st.Close()
	if err := do(c, c.Act(name, f.why)); err != nil {
		return lotError(err)
	}
	s, err := c.series(cmd)
	if err != nil {
		return err
	}
	return f.printEntered(cmd, s, name)
}

// entered is what a command that added to the ledger prints.
type entered struct {
	Product string    `json:"product"`
	By      string    `json:"by"`
	Entries int       `json:"entries"`
	Head    string    `json:"head"`
	Lot     *lotState `json:"lot,omitempty"`
}

func (f *lotFlags) printEntered(cmd *cobra.Command, s *lot.Series, by string) error {
	e := entered{Product: s.Product, By: by, Entries: s.Entries, Head: s.Head}
	if l := lastLot(s); l != nil {
		st, err := stateOf(l)
		if err != nil {
			return err
		}
		e.Lot = &st
	}
	if f.json {
		return printJSON(cmd.OutOrStdout(), e)
	}
	w := cmd.OutOrStdout()
	fmt.Fprintf(w, "entered by %s; the ledger of %s has %d entries, head %s\n", by, s.Product, s.Entries, s.Head)
	if e.Lot != nil {
		e.Lot.print(w)
	}
	return nil
}

// lastLot is the open lot, or the one before.
func lastLot(s *lot.Series) *lot.Lot {
	if len(s.Lots) == 0 {
		return nil
	}
	return s.Lots[len(s.Lots)-1]
}

// lotState is how far a lot is.
type lotState struct {
	Lot      string       `json:"lot"`
	Decision lot.Decision `json:"decision"`
	Tested   int          `json:"tested"` // units that count
	Sample   int          `json:"sample"`
	Bad      int          `json:"nonconforming"`
	Accept   int          `json:"accept_up_to"`
	Reject   int          `json:"reject_from"`
	Next     lot.Step     `json:"next"`
}

func stateOf(l *lot.Lot) (lotState, error) {
	st, err := l.Standing()
	if err != nil {
		return lotState{}, err
	}
	next, err := l.Next()
	return lotState{l.Lot, l.Decision, st.N, l.Plan.N, st.Bad, l.Plan.Ac, l.Plan.Re, next}, err
}

func (s lotState) print(w io.Writer) {
	fmt.Fprintf(w, "lot %s: %d of %d tested, %d nonconforming; ", s.Lot, s.Tested, s.Sample, s.Bad)
	if s.Next.Do == lot.Nothing {
		fmt.Fprintf(w, "%s\n", strings.ToUpper(string(s.Decision)))
		return
	}
	fmt.Fprintf(w, "next: %s\n", s.Next.Says)
}

// decided turns a decision into an exit status.
func decided(d lot.Decision) error {
	switch d {
	case lot.Rejected:
		return &statusError{verdict.Fail}
	case lot.Open:
		return &statusError{verdict.Inconc}
	}
	return nil
}

// writeFile writes what f writes into a file, or to standard output for "-".
func writeFile(cmd *cobra.Command, path string, f func(io.Writer) error) (err error) {
	if path == "-" {
		return f(cmd.OutOrStdout())
	}
	file, err := os.Create(path)
	if err != nil {
		return fmt.Errorf("%w; expected a file that this user can write", err)
	}
	defer func() {
		if late := file.Close(); err == nil && late != nil {
			err = &benchError{late}
		}
	}()
	if err := f(file); err != nil {
		return &benchError{err}
	}
	return nil
}
