package virtual

import (
	"reflect"
	"strings"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/config"
)

// Every key of the configuration has its default in bench.yaml, but for faults.
func TestDefaultSetsEveryKey(t *testing.T) {
	c := reflect.ValueOf(Default())
	for i := range c.NumField() {
		section := c.Field(i)
		name := c.Type().Field(i).Tag.Get("yaml")
		if section.Kind() != reflect.Struct {
			if section.IsZero() != (name == "faults") {
				t.Errorf("%s is %v", name, section)
			}
			continue
		}
		for j := range section.NumField() {
			if section.Field(j).IsZero() {
				t.Errorf("%s.%s has no default", name, section.Type().Field(j).Tag.Get("yaml"))
			}
		}
	}
}

func TestConfigIsChecked(t *testing.T) {
	for _, test := range []struct{ text, want string }{
		{"drip: {fall: 10 mm, gate: 20 mm}", "the sensor is not below the drop gate"},
		{"water: {liquid: beer}", `liquid "beer" is unknown`},
		{"supply: {slew_up: 0 V/s}", "slew_up is not above 0"},
		{"film: {cling: 0 um}", "cling is not above 0"},
		{"faults: {lazy: {from: 1 s}}", `there is no fault "lazy"`},
		{"faults: {late: {by: 1 s}}", "unknown key"},
		{"deadman: 250 ms", ""},
		{"faults: {late: {time: 1 s}, supply_link: {}}", ""},
	} {
		c := Default()
		err := config.Decode("rig.yaml", []byte(test.text), &c)
		if test.want == "" && err != nil || test.want != "" && (err == nil || !strings.Contains(err.Error(), test.want)) {
			t.Errorf("%s: %v, want %q", test.text, err, test.want)
		}
	}
}

// What does not go together is refused, and says where.
func TestOpenRefuses(t *testing.T) {
	for _, test := range []struct {
		change func(c *Config, p *profile)
		want   string
	}{
		{func(c *Config, p *profile) { c.Supply.Limit = 0 }, "supply.limit: limit is not above 0; expected more than 0"},
		{func(c *Config, p *profile) { p.Model.Level = 9 }, "level: level has no threshold"},
		{func(c *Config, p *profile) { p.Model.Sensor.Kind = "optical" }, "sensor.kind: kind is neither conductive nor capacitive"},
		{func(c *Config, p *profile) { p.Model.Sensor.Gaps = 0 }, "sensor.gaps"},
		{func(c *Config, p *profile) { p.Sampling.Readings = 0 }, "readings"},
		{func(c *Config, p *profile) { p.Sampling.Conversion = 3 * time.Second }, "conversion takes 3s; expected less than the sampling period of 2s"},
		{func(c *Config, p *profile) { p.Recovery = p.DropOut }, "expected more than its drop-out"},
		{func(c *Config, p *profile) { p.Model.Prints.Reading = "raw {raw}" }, `the reading line that it prints does not suit uart: pattern`},
		{func(c *Config, p *profile) { p.Model.Prints.Banner = "hello" }, "the banner line"},
		{func(c *Config, p *profile) { p.Settings["level"] = "x" }, "the settings line"},
		{func(c *Config, p *profile) { p.Settings["gain"] = "1" }, `has no group "gain"`},
		{func(c *Config, p *profile) { p.UART.Banner = "(" }, "missing closing"},
	} {
		c, p := Default(), readProfile(t, "testdata/conductive.yaml")
		test.change(&c, &p)
		if _, err := Open(c, p.DUT, p.Model, 1); err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("Open: %v, want %q", err, test.want)
		}
	}
}

// All stock DUTs have a model that opens, starts and prints what its profile
// reads.
func TestStockDUTsStart(t *testing.T) {
	for _, name := range config.StockProfiles() {
		p := readProfile(t, name)
		d := newDriver(t, Default(), p, 1)
		d.power()
		lines := 0
		for _, ev := range d.events {
			if ev.Kind == rig.Line {
				lines++
			}
		}
		if lines < 3 || d.b.w.dut.state != running {
			t.Errorf("%s prints %d lines in the first seconds", name, lines)
		}
	}
}
