package dut

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"drench/rig"
)

// Reading is what a DUT prints of one measurement, in its own counts.
type Reading struct {
	Raw, Diff float64
	// Detect is what the DUT says about its detect line, 1 for liquid; it
	// counts only if Says is set, as not every DUT prints it.
	Detect int64
	Says   bool
}

// Pattern finds readings in lines, as the DUT's profile describes them.
type Pattern struct {
	re                *regexp.Regexp
	raw, diff, detect int // group numbers, -1 if there is none
}

// NewPattern compiles the profile's pattern for a reading line.
func NewPattern(spec rig.UARTSpec) (*Pattern, error) {
	if spec.Reading == "" {
		return nil, errors.New("the profile has no uart.reading; it says how to read the DUT's lines")
	}
	re, err := regexp.Compile(spec.Reading)
	if err != nil {
		return nil, fmt.Errorf("uart.reading of the profile: %w", err)
	}
	p := &Pattern{re, re.SubexpIndex("raw"), re.SubexpIndex("diff"), re.SubexpIndex("detect")}
	if p.raw < 0 || p.diff < 0 {
		return nil, fmt.Errorf("uart.reading of the profile, %q, lacks a group; expected (?P<raw>…) and (?P<diff>…)", spec.Reading)
	}
	return p, nil
}

// Parse reads a line; ok = false if it is none of a reading, or was cut.
func (p *Pattern) Parse(line string) (r Reading, ok bool) {
	m := p.re.FindStringSubmatch(line)
	if m == nil || strings.HasSuffix(line, CutMark) {
		return Reading{}, false
	}
	raw, ok1 := number(m[p.raw])
	diff, ok2 := number(m[p.diff])
	if !ok1 || !ok2 {
		return Reading{}, false
	}
	r = Reading{Raw: raw, Diff: diff}
	if p.detect >= 0 {
		r.Detect, r.Says = level(m[p.detect])
	}
	return r, true
}

// number reads counts. Beyond 1e15 a float64 no longer tells neighbours apart
// to a tenth; no converter has that many bits.
func number(s string) (float64, bool) {
	v, err := strconv.ParseFloat(strings.TrimSpace(s), 64)
	return v, err == nil && math.Abs(v) < 1e15
}

// words are the ways in which DUTs print a level.
var words = map[string]int64{
	"1": 1, "true": 1, "yes": 1, "on": 1, "wet": 1,
	"0": 0, "false": 0, "no": 0, "off": 0, "dry": 0,
}

func level(s string) (int64, bool) {
	v, ok := words[strings.ToLower(strings.TrimSpace(s))]
	return v, ok
}
