package gpio

import (
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"drench/rig"

	periph "periph.io/x/conn/v3/gpio"
)

// someChips are two chips that share a line name, one of which goes by a second
// device name.
func someChips() []Chip {
	return []Chip{
		{Path: "/dev/gpiochip0", Name: "gpiochip0", Label: "pinctrl", Links: []string{"gpiochip4"}, Lines: []LineInfo{
			{Name: "GPIO0"}, {Name: "GPIO1"}, {Name: "LED", Used: true}, {Name: "SDA1"}, {Name: "GPIO4"}}},
		{Path: "/dev/gpiochip1", Name: "gpiochip1", Label: "expander", Lines: []LineInfo{
			{Name: "LED"}, {Name: "GPIO9", Used: true}, {}, {Output: true}}},
		{Path: "/dev/gpiochip2", Name: "gpiochip2", Label: "expander", Lines: []LineInfo{{Name: "ONLY"}}},
	}
}

func TestResolve(t *testing.T) {
	for _, c := range []struct {
		line Line
		want string // of Resolved.String, or part of the error after "!"
	}{
		{Line{Name: "GPIO1"}, "line 1 of gpiochip0 [pinctrl] (GPIO1)"},
		{Line{Name: "LED", Chip: "gpiochip1"}, "line 0 of gpiochip1 [expander] (LED)"},
		{Line{Chip: "gpiochip1", Offset: 2}, "line 2 of gpiochip1 [expander]"},
		{Line{Chip: "/dev/gpiochip1", Offset: 3}, "line 3 of gpiochip1 [expander]"},
		{Line{Chip: "pinctrl", Offset: 0}, "line 0 of gpiochip0 [pinctrl] (GPIO0)"},
		{Line{Chip: "gpiochip4", Offset: 0}, "line 0 of gpiochip0 [pinctrl] (GPIO0)"},
		{Line{Name: "LED"}, `!channel x: the name "LED" is ambiguous: line 2 of gpiochip0 [pinctrl] (LED) and line 0 of gpiochip1 [expander] (LED); expected`},
		{Line{Name: "led"}, `!channel x: no line is called "led" on gpiochip0 [pinctrl], gpiochip1 [expander], gpiochip2 [expander]; expected`},
		{Line{Name: "GPIO1", Chip: "gpiochip1"}, `!no line is called "GPIO1" on gpiochip1 [expander]; expected`},
		{Line{Chip: "expander", Offset: 0}, `!the chip "expander" is ambiguous: gpiochip1 [expander] and gpiochip2 [expander]; expected`},
		{Line{Chip: "gpiochip7", Offset: 0}, `!no chip is called "gpiochip7"; expected one of gpiochip0 [pinctrl], `},
		{Line{Chip: "gpiochip0", Offset: 5}, "!gpiochip0 [pinctrl] has no line 5; expected 0 to 4"},
		{Line{Chip: "gpiochip0", Offset: -1}, "!gpiochip0 [pinctrl] has no line -1; expected 0 to 4"},
		{Line{}, "!no line given; expected"},
		{Line{Name: "GPIO1", Channel: "Bad-Name"}, "!channel Bad-Name: not a channel name; expected"},
		{Line{Name: "GPIO1", Dir: rig.Gauge}, "!can't be a gauge; expected input or output"},
		{Line{Name: "GPIO1", Bias: 9}, "!unknown bias 9"},
	} {
		if c.line.Channel == "" {
			c.line.Channel = "x"
		}
		at, err := resolve(someChips(), []Line{c.line})
		want, fails := strings.CutPrefix(c.want, "!")
		switch {
		case fails && (err == nil || !strings.Contains(err.Error(), want)):
			t.Errorf("%+v: error %v, want %q in it", c.line, err, want)
		case !fails && err != nil:
			t.Errorf("%+v: %v", c.line, err)
		case !fails && (at[0].String() != want || at[0].Channel != "x"):
			t.Errorf("%+v: %v, want %s", c.line, at[0], want)
		}
	}
}

// TestResolveTellsAll: every complaint is in the error, not only the first.
func TestResolveTellsAll(t *testing.T) {
	_, err := resolve(someChips(), []Line{
		{ID: 0, Channel: "a", Name: "GPIO0"},
		{ID: 1, Channel: "b", Chip: "gpiochip0", Offset: 0},
		{ID: 0, Channel: "c", Name: "GPIO1"},
		{ID: 3, Channel: "a", Name: "GPIO4"},
		{ID: 4, Channel: "e", Name: "NONE"},
	})
	if err == nil {
		t.Fatal("no error")
	}
	for _, want := range []string{
		"channels a and b are both wired to line 0 of gpiochip0 [pinctrl] (GPIO0); expected",
		"channels a and c both have the ID 0; expected",
		"channel a is given twice; expected",
		`channel e: no line is called "NONE"`,
	} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("error lacks %q:\n%v", want, err)
		}
	}
}

func planned(t *testing.T, lines ...Line) ([]plan, error) {
	t.Helper()
	for i := range lines {
		lines[i].ID = rig.ID(i)
	}
	at, err := resolve(someChips(), lines)
	if err != nil {
		t.Fatal(err)
	}
	return makePlans(someChips(), lines, at)
}

func TestPlan(t *testing.T) {
	in := flagInput | flagRising | flagFalling
	plans, err := planned(t,
		Line{Channel: "pump_drip", Name: "GPIO0", Dir: rig.Output, ActiveLow: true, Initial: periph.High},
		Line{Channel: "detect", Name: "GPIO1", Bias: periph.PullUp},
		Line{Channel: "lid", Name: "GPIO4", ActiveLow: true, Bias: periph.PullDown},
		Line{Channel: "tray", Chip: "gpiochip1", Offset: 2, Bias: periph.Float},
		Line{Channel: "wake", Chip: "gpiochip1", Offset: 3, Dir: rig.Output},
		Line{Channel: "reset", Chip: "gpiochip1", Offset: 0, Dir: rig.Output},
	)
	if err != nil {
		t.Fatal(err)
	}
	for i := range plans {
		plans[i].chip = Chip{Name: plans[i].chip.Name}
	}
	want := []plan{
		{Chip{Name: "gpiochip0"}, "drench:detect,lid", []wanted{
			{1, in | flagPullUp, false}, {4, in | flagActiveLow | flagPullDown, false}}, []int{1, 2}, 1024},
		// A lone input has an output of its own chip for company.
		{Chip{Name: "gpiochip1"}, "drench:tray,wake", []wanted{{2, in | flagBiasOff, false}, {3, flagOutput, false}}, []int{3, 4}, 1024},
		{Chip{Name: "gpiochip0"}, "drench:pump_drip", []wanted{{0, flagOutput | flagActiveLow, true}}, []int{0}, 0},
		{Chip{Name: "gpiochip1"}, "drench:reset", []wanted{{0, flagOutput, false}}, []int{5}, 0},
	}
	if !reflect.DeepEqual(plans, want) {
		t.Errorf("got\n%+v, want\n%+v", plans, want)
	}
}

// TestSpare: a lone input without an output of the bank beside it gets a free
// input line without a function, as it is.
func TestSpare(t *testing.T) {
	plans, err := planned(t, Line{Channel: "detect", Name: "GPIO4"})
	if err != nil {
		t.Fatal(err)
	}
	want := []wanted{{4, flagInput | flagRising | flagFalling, false}, {1, 0, false}} // not 3, which is SDA1
	if len(plans) != 1 || !slices.Equal(plans[0].lines, want) || !slices.Equal(plans[0].members, []int{0}) {
		t.Errorf("got %+v, want lines %+v", plans, want)
	}
	if plans, err = planned(t, Line{Channel: "detect", Name: "LED", Chip: "gpiochip1"}); err != nil || plans[0].lines[1].offset != 2 {
		t.Errorf("beside LED: %+v, %v; want the unnamed input 2, not the output 3 nor the used 1", plans, err)
	}
	if _, err = planned(t, Line{Channel: "detect", Name: "ONLY"}); err == nil || !strings.Contains(err.Error(), "channel detect: the only line of gpiochip2 [expander], which has no spare line") {
		t.Errorf("a chip of one line gave %v", err)
	}
}

func TestLabel(t *testing.T) {
	for _, c := range []struct {
		channels string
		want     string
	}{
		{"detect", "drench:detect"},
		{"detect heartbeat", "drench:detect,heartbeat"},
		{"detect heartbeat lid tray", "drench:detect,heartbeat,lid+1"},
		{"detect heartbeat witness", "drench:detect,heartbeat,witness"}, // just 31
		{"detect heartbeat witnesses", "drench:detect,heartbeat+1"},
		{"a_name_of_the_longest_kind_there_i", "drench:a_name_of_the_longest_ki"},
		{"a_name_of_the_longest_kind_there_i b", "drench:a_name_of_the_longest_ki"},
	} {
		var p plan
		var lines []Line
		for i, name := range strings.Fields(c.channels) {
			lines, p.members = append(lines, Line{Channel: name}), append(p.members, i)
		}
		if got := p.label(lines); got != c.want {
			t.Errorf("%s: %q, want %q", c.channels, got, c.want)
		}
		if got := p.label(lines); len(got) > 31 {
			t.Errorf("%q is %d characters long", got, len(got))
		}
	}
}

func TestInspectWithoutChips(t *testing.T) {
	dir := t.TempDir()
	if _, err := inspect(dir); err == nil || !strings.Contains(err.Error(), "no GPIO chip") {
		t.Errorf("an empty folder gave %v", err)
	}
	path := filepath.Join(dir, "gpiochip0")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := inspect(dir); err == nil || !strings.Contains(err.Error(), path+" is not a GPIO chip") {
		t.Errorf("a file that is no chip gave %v", err)
	}
}
