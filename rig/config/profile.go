package config

import (
	"fmt"
	"maps"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"drench/rig"
)

// LoadProfile reads a DUT profile: the keys of [rig.DUT], and model, which is
// decoded into the struct that model points to (see [Decode]) or passed over
// if model is nil. The name of a stock profile (see [StockProfiles]) is just
// that; anything with a slash, or that ends in .yaml or .yml, is a path, from
// baseDir if it is not absolute.
//
// A file that says something wrong gives [Errors].
func LoadProfile(nameOrPath, baseDir string, model any) (rig.DUT, Source, error) {
	src, err := findProfile(nameOrPath, baseDir)
	if err != nil {
		return rig.DUT{}, src, fmt.Errorf("read DUT profile: %w", err)
	}
	d, err := readProfile(src, model)
	return d, src, err
}

func readProfile(src Source, model any) (rig.DUT, error) {
	var d rig.DUT
	t := parse(src.Name, src.Text)
	if err := decode(t, &d, map[string]any{"model": model}); err != nil {
		return d, err
	}
	r := t.rules()
	r.dut(d)
	t.report(place{{t.root, t.root}}, r.found)
	return d, t.err()
}

func findProfile(nameOrPath, baseDir string) (Source, error) {
	ext := filepath.Ext(nameOrPath)
	if !strings.ContainsRune(nameOrPath, '/') && ext != ".yaml" && ext != ".yml" {
		return StockProfile(nameOrPath)
	}
	if !filepath.IsAbs(nameOrPath) {
		nameOrPath = filepath.Join(baseDir, nameOrPath)
	}
	return readFile(nameOrPath)
}

// dut checks what a maker may claim.
func (r *rules) dut(d rig.DUT) {
	r.refuse(strings.TrimSpace(d.Name) == "", "name", "name is missing", "the DUT's type, for reports")
	r.positive(
		entry{"supply", rig.Of(d.Supply)}, entry{"drop_out", rig.Of(d.DropOut)}, entry{"recovery", rig.Of(d.Recovery)},
		entry{"sampling.period", rig.Of(d.Sampling.Period)},
		entry{"heartbeat", rig.Of(d.Heartbeat)}, entry{"start_up", rig.Of(d.StartUp)},
	)
	r.notNegative(entry{"sampling.conversion", rig.Of(d.Sampling.Conversion)})
	readings := fmt.Sprintf("readings is %d", d.Sampling.Readings)
	if !r.has("sampling.readings") {
		readings = "sampling.readings is missing"
	}
	r.refuse(d.Sampling.Readings < 1, "sampling.readings", readings, "1 or more, the readings in a row that make a detection")
	r.refuse(d.DropOut > 0 && d.Recovery > 0 && d.DropOut >= d.Recovery, "drop_out",
		fmt.Sprintf("drop_out %v is not below recovery %v", rig.Of(d.DropOut), rig.Of(d.Recovery)), "a lower level: it stops below one and starts above the other")
	r.refuse(d.Recovery > 0 && d.Supply > 0 && d.Recovery >= d.Supply, "recovery",
		fmt.Sprintf("recovery %v is not below supply %v", rig.Of(d.Recovery), rig.Of(d.Supply)), "a lower level, or the DUT would never start")
	r.uart(d)
}

// uart checks that what is to be read from the DUT's lines can be.
func (r *rules) uart(d rig.DUT) {
	u := d.UART
	speaks := u.Reading != "" || u.Banner != "" || u.Settings != ""
	r.refuse(u.Baud < 0 || u.Baud == 0 && speaks, "uart.baud", fmt.Sprintf("baud is %d", u.Baud), "a rate such as 115200")
	r.pattern("uart.banner", u.Banner, nil)
	if u.Reading != "" {
		r.pattern("uart.reading", u.Reading, []string{"raw", "diff"})
	}
	r.pattern("uart.settings", u.Settings, slices.Sorted(maps.Keys(d.Settings)))
}

// pattern checks that a regular expression compiles and has the named groups.
func (r *rules) pattern(path, text string, groups []string) {
	re, err := regexp.Compile(text)
	if err != nil {
		r.refuse(true, path, fmt.Sprintf("%s is no regular expression: %v", path, err), "the syntax of Go's regexp package")
		return
	}
	for _, g := range groups {
		r.refuse(re.SubexpIndex(g) < 0, path, fmt.Sprintf("%s has no group %q", path, g), fmt.Sprintf("(?P<%s>…) around what shows it", g))
	}
}
