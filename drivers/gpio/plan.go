package gpio

import (
	"fmt"
	"regexp"
	"slices"

	"drench/rig"
)

// eventBuffer is the deepest queue that the kernel gives a request.
const eventBuffer = 1024

// plan is a line request to be made.
type plan struct {
	chip     Chip
	consumer string
	lines    []wanted
	members  []int // index into the bank's lines of each of lines; a spare has none, and comes last
	buffer   uint32
}

// makePlans sorts lines into requests: all inputs of a chip in one, so that the
// kernel numbers their edges together, and each output in one of its own, so
// that its holder's label names the channel. The requests of inputs come first:
// if one fails, no output has moved.
func makePlans(chips []Chip, lines []Line, at []Resolved) ([]plan, error) {
	var inputs, outputs []plan
	for _, c := range chips {
		in := plan{chip: c, buffer: eventBuffer}
		var own []plan
		for i, l := range lines {
			if at[i].Chip != c.Name {
				continue
			}
			w := wanted{uint32(at[i].Offset), l.flags(), bool(l.Initial)}
			if l.Dir == rig.Input {
				in.lines, in.members = append(in.lines, w), append(in.members, i)
			} else {
				own = append(own, plan{chip: c, consumer: label(l.Channel), lines: []wanted{w}, members: []int{i}})
			}
		}
		if len(in.members) == 1 {
			var err error
			if own, err = in.accompany(own); err != nil {
				return nil, fmt.Errorf("channel %s: %w", lines[in.members[0]].Channel, err)
			}
		}
		if len(in.members) > 0 {
			in.consumer = in.label(lines)
			inputs = append(inputs, in)
		}
		outputs = append(outputs, own...)
	}
	return append(inputs, outputs...), nil
}

// flags are how the line is requested. The kernel's debounce is never asked
// for: its stamps are those of the end of the debounce time, not of the edge.
func (l Line) flags() uint64 {
	f := flagInput | flagRising | flagFalling
	if l.Dir == rig.Output {
		f = flagOutput
	}
	if l.ActiveLow {
		f |= flagActiveLow
	}
	return f | biasFlags[l.Bias]
}

// spareName is what lines without a function are called.
var spareName = regexp.MustCompile(`^(GPIO_?[0-9]+)?$`)

// accompany gives a lone input a second line, as only requests of two or more
// lines number their edges where the interrupt is taken: one of the bank's own
// outputs on the chip (it returns the others), or else an input line of no
// function that nobody uses, left as it is.
func (p *plan) accompany(outputs []plan) ([]plan, error) {
	if len(outputs) > 0 {
		p.lines, p.members = append(p.lines, outputs[0].lines...), append(p.members, outputs[0].members...)
		return outputs[1:], nil
	}
	for offset, info := range slices.Backward(p.chip.Lines) {
		if !info.Used && !info.Output && spareName.MatchString(info.Name) && uint32(offset) != p.lines[0].offset {
			p.lines = append(p.lines, wanted{offset: uint32(offset)})
			return nil, nil
		}
	}
	return nil, fmt.Errorf("the only line of %v, which has no spare line; lost edges would go unnoticed, so expected a second channel on that chip", p.chip)
}

// label names the holder of a line to other programs. The kernel keeps 31
// characters.
func label(channels string) string {
	const longest = 31
	s := "drench:" + channels
	return s[:min(len(s), longest)]
}

// label names as many of the request's channels as fit, and counts the rest.
func (p *plan) label(lines []Line) string {
	names, s := lines[p.members[0]].Channel, ""
	for i, m := range p.members {
		if i > 0 {
			names += "," + lines[m].Channel
		}
		whole := names
		if rest := len(p.members) - i - 1; rest > 0 {
			whole = fmt.Sprintf("%s+%d", names, rest)
		}
		if i > 0 && label(whole) != "drench:"+whole {
			break
		}
		s = label(whole)
	}
	return s
}
