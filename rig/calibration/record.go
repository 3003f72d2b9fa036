// Package calibration keeps what a rig was measured to be: records with who,
// when, with what instrument, the raw data, and the values that follow from
// them with their standard uncertainties (JCGM 100:2008, the GUM).
//
// A record is a YAML file of one kind: a pump by weighing (ISO 8655-6), the
// stamps of edges by a wire from an output to an input, the supply by a trace
// of its rail, the drop gate by its heights, the witness electrode by drops, or
// the dip switch by the rail. Values are computed from the raw data when the record is
// made and again whenever it is read; a record whose values do not follow from
// its data is refused.
//
// A rig file names its records under calibrations. [OfRig] reads them,
// [Apply] puts their values over the rig file's own.
package calibration

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"

	"drench/rig"
	"drench/rig/config"
)

// Record is one calibration, of exactly one kind.
type Record struct {
	By         string  `yaml:"by" json:"by"`
	Date       Date    `yaml:"date" json:"date"`
	Expires    Date    `yaml:"expires" json:"expires"`
	Instrument string  `yaml:"instrument" json:"instrument"` // with number and certificate
	Pump       *Pump   `yaml:"pump" json:"pump,omitempty"`
	Timing     *Timing `yaml:"timing" json:"timing,omitempty"`
	Supply     *Supply `yaml:"supply" json:"supply,omitempty"`

	DropGate *Fall    `yaml:"drop_gate" json:"drop_gate,omitempty"`
	Witness  *Witness `yaml:"witness" json:"witness,omitempty"`
	Switch   *Switch  `yaml:"switch" json:"switch,omitempty"`

	// Source is the file that the record was read from; its SHA-256 is the
	// record's identity.
	Source config.Source `yaml:"-" json:"-"`
}

// Date is an instant in RFC 3339, with its zone.
type Date string

// On writes t as a Date, to the second.
func On(t time.Time) Date { return Date(t.Format(time.RFC3339)) }

// Time is the instant, or the zero time for a Date that is none.
func (d Date) Time() time.Time {
	t, err := time.Parse(time.RFC3339, string(d))
	if err != nil {
		return time.Time{}
	}
	return t
}

// What is calibrated, such as "pump_drip", "edge stamps" or "supply".
func (r *Record) What() string {
	switch {
	case r.Pump != nil:
		return r.Pump.Channel
	case r.Timing != nil:
		return "edge stamps"
	case r.DropGate != nil:
		return rig.DropGate
	case r.Witness != nil:
		return rig.Witness
	case r.Switch != nil:
		return "dip switch"
	}
	return rig.SupplySet
}

// Expired tells whether the record's time is over.
func (r *Record) Expired(now time.Time) bool { return !now.Before(r.Expires.Time()) }

// Read decodes a record and checks that its values follow from its data.
//
// A file that says something wrong gives [config.Errors].
func Read(src config.Source) (*Record, error) {
	r := &Record{Source: src}
	if err := config.Decode(src.Name, src.Text, r); err != nil {
		return nil, err
	}
	return r, nil
}

// New completes a record that was just measured: it computes the values and
// gives the record as it is to be written, read back from that text. name is
// the file it will be.
func New(name string, r Record) (*Record, error) {
	var err error
	switch {
	case r.Pump != nil:
		err = r.Pump.compute()
	case r.Timing != nil:
		err = r.Timing.compute()
	case r.Supply != nil:
		err = r.Supply.compute()
	case r.DropGate != nil:
		err = r.DropGate.compute()
	case r.Witness != nil:
		err = r.Witness.compute()
	case r.Switch != nil:
		err = r.Switch.compute()
	default:
		err = errors.New("nothing was measured")
	}
	if err != nil {
		return nil, fmt.Errorf("calibrate %s: %w", r.What(), err)
	}
	text, err := encode(r)
	if err != nil {
		return nil, fmt.Errorf("write calibration record: %w", err)
	}
	sum := sha256.Sum256(text)
	return Read(config.Source{Name: name, Text: text, SHA256: hex.EncodeToString(sum[:])})
}

// Check implements [config.Checker].
func (r *Record) Check() []config.Problem {
	var p problems
	p.refuse(strings.TrimSpace(r.By) == "", "by is missing", "who did it", "by")
	p.refuse(strings.TrimSpace(r.Instrument) == "", "instrument is missing", "what was measured with, its number and its certificate", "instrument")
	ok := true
	for _, d := range []struct {
		key  string
		date Date
	}{{"date", r.Date}, {"expires", r.Expires}} {
		if d.date.Time().IsZero() {
			ok = false
			p.refuse(true, fmt.Sprintf("%s is %q", d.key, d.date), `an instant after RFC 3339 in quotes, such as "2026-01-02T03:04:05Z"`, d.key)
		}
	}
	p.refuse(ok && !r.Expires.Time().After(r.Date.Time()), "expires is not after date", "the end of the time that the record is good for", "expires")
	kinds := 0
	for _, there := range []bool{r.Pump != nil, r.Timing != nil, r.Supply != nil, r.DropGate != nil, r.Witness != nil, r.Switch != nil} {
		if there {
			kinds++
		}
	}
	p.refuse(kinds != 1, fmt.Sprintf("%d kinds of calibration", kinds), "one of pump, timing, supply, drop_gate, witness, switch")
	return p
}

// problems collects what can't be right with a section.
type problems []config.Problem

func (p *problems) refuse(bad bool, what, want string, path ...string) {
	if bad {
		*p = append(*p, config.Problem{Path: path, What: what, Want: want})
	}
}

// first makes an error of the first problem, for data that came by no file.
func (p problems) first() error {
	if len(p) == 0 {
		return nil
	}
	q := p[0]
	return fmt.Errorf("%s: %s; expected %s", strings.Join(q.Path, "."), q.What, q.Want)
}

// value is a result as a record states it and as its data give it.
type value struct {
	key          string
	stated, data rig.Quantity
	u            int64 // standard uncertainty, in the same unit
}

// results refuses stated values that do not follow from the data, by more than
// a hundredth of their uncertainty and the rounding of both.
func (p *problems) results(values []value) {
	for _, v := range values {
		away := v.stated.N - v.data.N
		p.refuse(max(away, -away) > max(2, v.u/100), fmt.Sprintf("%s is %v, but the data give %v", v.key, v.stated, v.data),
			"values that follow from the data; let drench calibrate compute them", "result", v.key)
	}
}
