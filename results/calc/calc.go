// Package calc makes each statistic that drench judges by callable on its own,
// by a plain name and with arguments as text: for planning, for teaching, and
// for checking drench against other software.
//
// It is a table. An Entry names a statistic, its parameters and its published
// source, and calls the function that verdicts are made with, so that an answer
// here is the answer there.
package calc

import "slices"

// Entry is one statistic.
type Entry struct {
	Name    string   `json:"name"`           // lower case, with hyphens
	Subject string   `json:"subject"`        // what it belongs to, one of Subjects
	About   string   `json:"about"`          // one line
	Source  string   `json:"source"`         // publication of the method
	Also    []string `json:"also,omitempty"` // other names that people look for
	Params  []Param  `json:"params"`
	// Example holds the flags of a call that works, as typed after the name.
	Example string                     `json:"example"`
	Run     func(Args) (Result, error) `json:"-"`
}

// Kind is what a parameter may hold.
type Kind int

// Kinds of parameter. The columns have one value a row.
const (
	Number      Kind = iota // a finite number
	Count                   // a whole number, 0 or more
	Probability             // 0 to 1, or in percent with its sign
	Choice                  // one of Param.Choices
	Column                  // finite numbers
	CountColumn             // whole numbers, 0 or more
	FlagColumn              // 0 or 1
	LabelColumn             // short texts
)

var kindNames = [...]string{
	Number: "number", Count: "count", Probability: "probability", Choice: "choice",
	Column: "numbers", CountColumn: "counts", FlagColumn: "flags", LabelColumn: "labels",
}

// String names the kind, as help shows it.
func (k Kind) String() string { return kindNames[k] }

// MarshalText makes a kind its name in JSON.
func (k Kind) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// IsColumn reports whether values of this kind come one a row.
func (k Kind) IsColumn() bool { return k >= Column }

// None is the default of a parameter that may be left out.
const None = "none"

// Param is a parameter of an entry.
type Param struct {
	Name    string   `json:"name"`
	Kind    Kind     `json:"kind"`
	Default string   `json:"default"` // as text; "" if the parameter must be given, None if it may be left out
	Choices []string `json:"choices,omitempty"`
	Most    int      `json:"most,omitempty"` // of a Count that costs time or memory; 0: as counts go
	// Rows names the set of rows that a column belongs to: columns of one set
	// are equally long.
	Rows  string `json:"rows,omitempty"`
	About string `json:"about"`
}

// Usage says in a line what the parameter is.
func (p Param) Usage() string {
	usage := p.About
	if p.Kind == Choice {
		usage += ": " + p.expected()
	}
	switch p.Default {
	case "":
		usage += " (must be given)"
	case None:
		usage += " (may be left out)"
	default:
		usage += " (default " + p.Default + ")"
	}
	return usage
}

// Subjects lists the headings of the table in order.
func Subjects() []string {
	var names []string
	for _, e := range Entries() {
		if !slices.Contains(names, e.Subject) {
			names = append(names, e.Subject)
		}
	}
	return names
}

// Entries returns the whole table, by subject.
func Entries() []Entry {
	return slices.Concat(proportions(), rates(), quantiles(), survival(), twoSamples(), sampler(), drift(),
		doseResponse(), uncertainties(), conformity(), gauges(), acceptance(), sequential())
}

// Takes reports whether the entry has a parameter called name.
func (e Entry) Takes(name string) bool {
	return slices.ContainsFunc(e.Params, func(p Param) bool { return p.Name == name })
}

// HasColumns reports whether the entry can take a file of data.
func (e Entry) HasColumns() bool {
	return slices.ContainsFunc(e.Params, func(p Param) bool { return p.Kind.IsColumn() })
}

// Parameters that many entries have.
var (
	confParam = Param{Name: "conf", Kind: Probability, Default: "0.95", About: "confidence level"}
	sideParam = Param{Name: "side", Kind: Choice, Default: "two", Choices: []string{"two", "lower", "upper"},
		About: "two-sided interval, or a one-sided bound"}
)

// with returns the parameters and more.
func with(params []Param, more ...Param) []Param { return slices.Concat(params, more) }
