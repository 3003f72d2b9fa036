package dut

import (
	"strings"
	"testing"

	"drench/rig"
)

func TestParse(t *testing.T) {
	const spec = `^raw=(?P<raw>\S+) diff=(?P<diff>\S+)(?: det=(?P<detect>\S+))?`
	for _, c := range []struct {
		line string
		want Reading
		ok   bool
	}{
		{"raw=1234 diff=-56 det=1", Reading{1234, -56, 1, true}, true},
		{"raw=1234 diff=-56 det=0", Reading{1234, -56, 0, true}, true},
		{"raw=1.5 diff=2e3 det=WET", Reading{1.5, 2000, 1, true}, true},
		{"raw=1 diff=2 det=dry", Reading{1, 2, 0, true}, true},
		{"raw=1 diff=2 det=maybe", Reading{1, 2, 0, false}, true},
		{"raw=1 diff=2", Reading{1, 2, 0, false}, true},
		{"boot 1.2", Reading{}, false},
		{"raw=x diff=2", Reading{}, false},
		{"raw=NaN diff=2", Reading{}, false},
		{"raw=Inf diff=2", Reading{}, false},
		{"raw=1e15 diff=2", Reading{}, false},
		{"raw=1 diff=12" + CutMark, Reading{}, false},
	} {
		p, err := NewPattern(rig.UARTSpec{Reading: spec})
		if err != nil {
			t.Fatal(err)
		}
		if got, ok := p.Parse(c.line); got != c.want || ok != c.ok {
			t.Errorf("%q: got %+v, %v, want %+v, %v", c.line, got, ok, c.want, c.ok)
		}
	}
}

func TestPatternErrors(t *testing.T) {
	for _, c := range []struct{ pattern, want string }{
		{"", "no uart.reading"},
		{"(", "uart.reading"},
		{"(?P<raw>.)", "(?P<diff>…)"},
	} {
		if _, err := NewPattern(rig.UARTSpec{Reading: c.pattern}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: got %v, want an error with %q", c.pattern, err, c.want)
		}
	}
}

func TestConfig(t *testing.T) {
	good := Config{Port: "/dev/x", Baud: 115200}
	if p := good.Check(); p != nil {
		t.Fatalf("good configuration: %v", p)
	}
	for _, c := range []struct {
		key   string
		spoil func(*Config)
	}{
		{"port", func(c *Config) { c.Port = "" }},
		{"baud", func(c *Config) { c.Baud = -1 }},
		{"max_line", func(c *Config) { c.MaxLine = 3 }},
		{"queue", func(c *Config) { c.Queue = -1 }},
		{"retry", func(c *Config) { c.Retry = 1 }},
	} {
		bad := good
		c.spoil(&bad)
		if p := bad.Check(); len(p) != 1 || p[0].Path[0] != c.key {
			t.Errorf("%s spoilt: %v", c.key, p)
		}
	}
}
