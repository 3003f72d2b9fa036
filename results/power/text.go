package power

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"
)

// claim is what a sentence is made of.
type claim struct {
	do     string  // what to do with a size: "run %s, of which"
	shown  string  // what is to be shown
	truth  string  // what is probably true
	none   string  // what goes wrong: "none may"
	some   string  // "at most %d may"
	conf   float64 // of the verdict
	untrue bool    // what is to be shown is not true
	most   float64 // the largest run thought of
}

// say makes the sentence.
func (a *Answer) say(c claim) {
	conf := percent(c.conf)
	switch {
	case c.untrue:
		a.Sentence = fmt.Sprintf("It can't be shown that %s if %s: a run of any size passes in at most %s of cases.", c.shown, c.truth, percent(1-c.conf))
		return
	case len(a.Curve) == 0:
		a.Sentence = fmt.Sprintf("To show with %s confidence that %s takes more than %s whatever is true.", conf, c.shown, a.sized(c.most))
		return
	case !a.Possible:
		a.Sentence = fmt.Sprintf("To show with %s confidence that %s takes more than %s if %s: that is too near to the limit.", conf, c.shown, a.sized(c.most), c.truth)
		return
	}
	first, last := a.Needed[0], a.Needed[len(a.Needed)-1]
	a.Sentence = fmt.Sprintf("To show with %s confidence that %s, %s %s. If %s, that passes in %s of cases.",
		conf, c.shown, fmt.Sprintf(c.do, a.sized(last.Size)), c.may(last.Allowed), c.truth, percent(last.Pass))
	if first.Size < last.Size {
		a.Sentence += fmt.Sprintf(" With %s it is %s.", a.sized(first.Size), percent(first.Pass))
	}
	if a.Least < first.Size {
		a.Sentence += fmt.Sprintf(" Below %s it can't be shown.", a.sized(a.Least))
	}
}

// may says how many may go wrong.
func (c claim) may(allowed int) string {
	if allowed == 0 {
		return c.none
	}
	return fmt.Sprintf(c.some, allowed)
}

// sized prints a size with its unit.
func (a *Answer) sized(size float64) string {
	unit := a.Unit
	if size == 1 {
		unit = strings.TrimSuffix(unit, "s")
	}
	return strconv.FormatFloat(size, 'f', -1, 64) + " " + unit
}

// percent prints a probability, not as certain when it is not.
func percent(p float64) string {
	switch {
	case p > 0.999 && p < 1:
		return "more than 99.9 %"
	case p < 0.001 && p > 0:
		return "less than 0.1 %"
	}
	return fmt.Sprintf("%.3g %%", 100*p)
}

// WriteText writes the sentence, the curve, and what is assumed.
func (a Answer) WriteText(w io.Writer) error {
	fmt.Fprintf(w, "%s\n\n", a.Sentence)
	if err := a.writeCurve(w); err != nil {
		return err
	}
	for _, s := range a.Assumes {
		if _, err := fmt.Fprintf(w, "Assumed: %s\n", s); err != nil {
			return err
		}
	}
	return nil
}

func (a Answer) writeCurve(w io.Writer) error {
	if len(a.Curve) == 0 {
		return nil
	}
	t := tabwriter.NewWriter(w, 0, 0, 3, ' ', tabwriter.AlignRight)
	if a.wrong != "" {
		fmt.Fprintf(t, "%s\t%s\tpass\tinconc\tfail\t\n", a.Unit, a.wrong)
	} else {
		fmt.Fprintf(t, "%s\tseen\t\n", a.Unit)
	}
	for _, p := range a.Curve {
		size := strconv.FormatFloat(p.Size, 'f', -1, 64)
		if a.wrong != "" {
			fmt.Fprintf(t, "%s\t%d\t%s\t%s\t%s\t\n", size, p.Allowed, cell(p.Pass), cell(p.Inconc), cell(p.Fail))
		} else {
			fmt.Fprintf(t, "%s\t%s\t\n", size, cell(p.Pass))
		}
	}
	fmt.Fprintln(t)
	return t.Flush()
}

// cell prints a probability in a column.
func cell(p float64) string { return strconv.FormatFloat(100*p, 'f', 1, 64) + " %" }
