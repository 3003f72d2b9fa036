package gpio

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"drench/rig"

	periph "periph.io/x/conn/v3/gpio"
)

// Line asks for one line and says how it is wired. Levels are the channel's:
// High is active, whichever way the wire goes.
type Line struct {
	ID      rig.ID // of the channel in the bench's table
	Channel string

	// A line is found by the kernel's Name for it; by Chip (name, label or
	// path) and Offset if Name is ""; or by both Name and Chip.
	Name   string
	Chip   string
	Offset int

	Dir       rig.Direction // Input: its edges are captured; or Output
	ActiveLow bool
	Bias      periph.Pull
	Initial   periph.Level // of an output, from the first instant on
}

// Resolved tells which line of the hardware a channel is.
type Resolved struct {
	Channel   string `json:"channel"`
	Chip      string `json:"chip"`
	ChipLabel string `json:"chip_label"`
	Offset    int    `json:"offset"`
	LineName  string `json:"line_name,omitempty"`
}

func (r Resolved) String() string {
	s := fmt.Sprintf("line %d of %s [%s]", r.Offset, r.Chip, r.ChipLabel)
	if r.LineName != "" {
		s += fmt.Sprintf(" (%s)", r.LineName)
	}
	return s
}

// resolve finds each line among the chips. Its error has every complaint.
func resolve(chips []Chip, lines []Line) ([]Resolved, error) {
	var errs []error
	found := make([]Resolved, len(lines))
	for i, l := range lines {
		err := l.check()
		if err == nil {
			found[i], err = l.find(chips)
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("channel %s: %w", l.Channel, err))
			continue
		}
		for j := range i {
			if err := clash(lines[j], l, found[j], found[i]); err != nil {
				errs = append(errs, err)
			}
		}
	}
	return found, errors.Join(errs...)
}

func (l Line) check() error {
	switch {
	case !rig.ValidName(l.Channel):
		return errors.New("not a channel name; expected small letters, digits and _, beginning with a letter")
	case l.Dir != rig.Input && l.Dir != rig.Output:
		return fmt.Errorf("a line can't be a %v; expected input or output", l.Dir)
	case l.Name == "" && l.Chip == "":
		return errors.New("no line given; expected the line's name, or a chip and an offset")
	case l.Bias > periph.PullUp:
		return fmt.Errorf("unknown bias %d", l.Bias)
	}
	return nil
}

// clash refuses two channels that share what can't be shared.
func clash(a, b Line, at, bt Resolved) error {
	switch {
	case a.Channel == b.Channel:
		return fmt.Errorf("channel %s is given twice; expected each channel once", a.Channel)
	case a.ID == b.ID:
		return fmt.Errorf("channels %s and %s both have the ID %d; expected one each", a.Channel, b.Channel, a.ID)
	case at.Chip != "" && at.Chip == bt.Chip && at.Offset == bt.Offset:
		return fmt.Errorf("channels %s and %s are both wired to %v; expected a line of its own for each", a.Channel, b.Channel, at)
	}
	return nil
}

// find returns the one line that l means.
func (l Line) find(chips []Chip) (Resolved, error) {
	if l.Chip != "" {
		var err error
		if chips, err = pick(chips, l.Chip); err != nil {
			return Resolved{}, err
		}
	}
	var found []Resolved
	for _, c := range chips {
		for offset, info := range c.Lines {
			if l.Name != "" && l.Name == info.Name || l.Name == "" && l.Offset == offset {
				found = append(found, Resolved{l.Channel, c.Name, c.Label, offset, info.Name})
			}
		}
	}
	switch {
	case len(found) == 1:
		return found[0], nil
	case len(found) > 1:
		return Resolved{}, fmt.Errorf("the name %q is ambiguous: %s; expected a name that occurs once, or chip and offset", l.Name, list(found, " and "))
	case l.Name == "":
		return Resolved{}, fmt.Errorf("%v has no line %d; expected 0 to %d", chips[0], l.Offset, len(chips[0].Lines)-1)
	}
	return Resolved{}, fmt.Errorf("no line is called %q on %s; expected a name that the kernel knows (capitals matter), or chip and offset", l.Name, list(chips, ", "))
}

// pick returns the one chip that goes by the name.
func pick(chips []Chip, name string) ([]Chip, error) {
	var found []Chip
	for _, c := range chips {
		if name == c.Name || name == c.Label || name == c.Path || slices.Contains(c.Links, name) {
			found = append(found, c)
		}
	}
	switch len(found) {
	case 1:
		return found, nil
	case 0:
		return nil, fmt.Errorf("no chip is called %q; expected one of %s", name, list(chips, ", "))
	}
	return nil, fmt.Errorf("the chip %q is ambiguous: %s; expected a name that occurs once", name, list(found, " and "))
}

func list[T fmt.Stringer](things []T, between string) string {
	words := make([]string, len(things))
	for i, t := range things {
		words[i] = t.String()
	}
	return strings.Join(words, between)
}
