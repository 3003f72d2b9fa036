package report

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"drench/rig"
	"drench/rig/timeline"
)

// waves is a value change dump as read back.
type waves struct {
	timescale string
	kinds     map[string]string   // by name
	changes   map[string][]string // by name, "time value"
	last      int64
	comments  []string
}

// readVCD reads a dump by the grammar of IEEE 1364-2005 clause 18 and refuses
// what isn't in it.
func readVCD(text string) (*waves, error) {
	w := &waves{kinds: map[string]string{}, changes: map[string][]string{}, last: -1}
	names := map[string]string{}
	words := strings.Fields(text)
	next := func() string {
		if len(words) == 0 {
			return ""
		}
		word := words[0]
		words = words[1:]
		return word
	}
	until := func() ([]string, error) {
		end := slices.Index(words, "$end")
		if end < 0 {
			return nil, fmt.Errorf("a command has no $end")
		}
		body := words[:end]
		words = words[end+1:]
		return body, nil
	}
	defined, dumping := false, false
	for len(words) > 0 {
		word := next()
		switch {
		case word == "$end" && dumping:
			dumping = false
		case word == "$dumpvars" && defined && !dumping && w.last >= 0:
			dumping = true
		case strings.HasPrefix(word, "$"):
			body, err := until()
			if err != nil {
				return nil, err
			}
			if err := w.command(word, body, names, &defined); err != nil {
				return nil, err
			}
		case !defined:
			return nil, fmt.Errorf("%q before the end of definitions", word)
		case word[0] == '#':
			at, err := strconv.ParseInt(word[1:], 10, 64)
			if err != nil || at < 0 || at <= w.last {
				return nil, fmt.Errorf("time %q after %d", word, w.last)
			}
			w.last = at
		case word[0] == 'b' || word[0] == 'r':
			if err := w.change(names[next()], word[1:], map[byte]string{'b': "integer", 'r': "real"}[word[0]]); err != nil {
				return nil, err
			}
		case strings.ContainsRune("01xz", rune(word[0])):
			if err := w.change(names[word[1:]], word[:1], "wire"); err != nil {
				return nil, err
			}
		default:
			return nil, fmt.Errorf("%q is no change", word)
		}
	}
	return w, nil
}

var (
	simpleIdentifier = regexp.MustCompile(`^[a-zA-Z_][a-zA-Z0-9_$]*$`)
	variableCode     = regexp.MustCompile(`^[!-~]+$`)
)

func (w *waves) command(word string, body []string, names map[string]string, defined *bool) error {
	switch word {
	case "$comment":
		w.comments = append(w.comments, strings.Join(body, " "))
		return nil
	case "$date", "$version", "$upscope":
	case "$timescale":
		w.timescale = strings.Join(body, "")
	case "$scope":
		if len(body) != 2 || body[0] != "module" {
			return fmt.Errorf("scope %q", body)
		}
	case "$var":
		if len(body) != 4 || !simpleIdentifier.MatchString(body[3]) || !variableCode.MatchString(body[2]) || names[body[2]] != "" || w.kinds[body[3]] != "" {
			return fmt.Errorf("variable %q", body)
		}
		if size := map[string]string{"wire": "1", "real": "64", "integer": "32"}[body[0]]; body[1] != size {
			return fmt.Errorf("variable %q", body)
		}
		names[body[2]], w.kinds[body[3]] = body[3], body[0]
	case "$enddefinitions":
		*defined = true
	default:
		return fmt.Errorf("command %q", word)
	}
	if word != "$enddefinitions" && *defined {
		return fmt.Errorf("%s after the definitions", word)
	}
	return nil
}

func (w *waves) change(name, value, kind string) error {
	if w.kinds[name] != kind {
		return fmt.Errorf("a %s value for %q, a %s", kind, name, w.kinds[name])
	}
	if kind == "real" {
		if _, err := strconv.ParseFloat(value, 64); err != nil {
			return err
		}
	}
	if w.last < 0 {
		return fmt.Errorf("value of %s before any time", name)
	}
	w.changes[name] = append(w.changes[name], fmt.Sprintf("%d %s", w.last, value))
	return nil
}

func TestVCDSmall(t *testing.T) {
	w, err := readVCD(render(t, VCD, small(t)))
	if err != nil {
		t.Fatal(err)
	}
	if w.timescale != "1us" || w.last != 17_000_000 {
		t.Errorf("timescale %q, last time %d", w.timescale, w.last)
	}
	for name, want := range map[string][]string{
		"detect":    {"1000000 x", "1000000 0", "4250000 1", "5000000 0", "12500000 x"}, // edges lost for 0.5 s
		"heartbeat": {"1000000 x", "1000000 0", "2000000 1", "3000000 0", "4000000 1"},  // the last one came late
		"drop_gate": {"1000000 x", "2600000 1", "2600000 0"},                            // a pulse shorter than a microsecond
		"rail":      {"1010000 3.3", "15010000 0.12", "15040000 3.3"},
		"pump_drip": {"2500000 30", "3300000 0", "6000000 30"}, // ml/min
		"deadman":   {"1000000 x"},
		"air_temp":  nil,
		"trial":     {"1000000 0", "2500000 1", "4251000 0", "6000000 10", "10250000 0", "11000000 11", "14000000 0", "15000000 100", "16000000 0"},
	} {
		if got := w.changes[name]; !slices.Equal(got, want) {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	if all := strings.Join(w.comments, "\n"); !strings.Contains(all, "uart: raw=812 diff=-3??[0m <b>&$ end") || !strings.Contains(all, "rail in V") ||
		!strings.Contains(all, "mark: powered") || !strings.Contains(all, "edges of detect were lost") {
		t.Errorf("comments: %q", all)
	}
}

// TestVCDOrder has any timeline, with events late by up to a second, come out
// in order and with every channel's values in the order of their stamps.
func TestVCDOrder(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(0, 60).Draw(rt, "n")
		at := rig.Instant(rapid.Int64Range(-1e9, 1e15).Draw(rt, "epoch"))
		var events []rig.Event
		for range n {
			at = at.Add(time.Duration(rapid.Int64Range(0, 5e8).Draw(rt, "step")))
			late := rig.Instant(rapid.Int64Range(0, 1e9).Draw(rt, "late"))
			events = append(events, rig.Event{At: at - late, Kind: rig.Edge, Channel: rig.ID(rapid.IntRange(0, 3).Draw(rt, "channel")),
				Value: rapid.Int64Range(0, 1).Draw(rt, "value")})
		}
		in := Input{Header: exampleHeader()}
		in.Open, _ = store(t, in.Header, events)
		w, err := readVCD(render(t, VCD, in))
		if err != nil {
			rt.Fatal(err)
		}
		sort.SliceStable(events, func(i, j int) bool { return events[i].At < events[j].At })
		shift := rig.Instant(0)
		if n > 0 {
			shift = max(0, -events[0].At)
		}
		for ch := range 4 {
			var want []string
			level := int64(-1)
			for _, ev := range events {
				if int(ev.Channel) == ch && ev.Value != level {
					want = append(want, fmt.Sprintf("%d %d", (ev.At+shift)/1e3, ev.Value))
					level = ev.Value
				}
			}
			if got := w.changes[exampleChannels[ch].Name][1:]; !slices.Equal(got, want) {
				rt.Fatalf("%s: %q, want %q", exampleChannels[ch].Name, got, want)
			}
		}
	})
}

func TestVCDNames(t *testing.T) {
	in := small(t)
	in.Header.Channels = slices.Clone(in.Header.Channels)
	for i, name := range []string{"trial", "2nd", "über raum", "", "a$end", "x", "x"} {
		in.Header.Channels[i].Name = name
	}
	in.Header.Scenario, in.Run.DUT = "x $end $enddefinitions", "y\n#5"
	w, err := readVCD(render(t, VCD, in))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"trial", "_2nd", "_ber_raum", "_", "a_end", "x", "x_", "trial_"} {
		if w.kinds[name] == "" {
			t.Errorf("no variable %q in %q", name, w.kinds)
		}
	}
}

func TestVCDCodes(t *testing.T) {
	seen := map[string]bool{}
	for i := range 94 * 96 {
		c := code(i)
		if !variableCode.MatchString(c) || seen[c] {
			t.Fatalf("code %d is %q", i, c)
		}
		seen[c] = true
	}
	if code(0) != "!" || code(93) != "~" || len(code(94)) != 2 {
		t.Errorf("codes %q %q %q", code(0), code(93), code(94))
	}
}

// TestVCDDamagedTail tells of a timeline that is cut off, and writes the rest.
func TestVCDDamagedTail(t *testing.T) {
	in := small(t)
	in.Open = cutShort(t, in)
	w, err := readVCD(render(t, VCD, in))
	if err != nil {
		t.Fatal(err)
	}
	if n := len(w.comments); n == 0 || !strings.Contains(w.comments[n-1], "cut off or damaged") {
		t.Errorf("comments %q", w.comments)
	}
}

// cutShort opens the input's timeline without its last bytes.
func cutShort(t *testing.T, in Input) func() (*timeline.Reader, error) {
	var c timeline.Memory
	w, err := timeline.NewWriter(&c, in.Header, timeline.Pace{Events: 5, Span: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := in.events(w.Append); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return func() (*timeline.Reader, error) {
		return timeline.NewReader(strings.NewReader(c.String()[:c.Len()-3]))
	}
}

// need skips the test if a program isn't there, or fails it if all must be.
func need(t *testing.T, programs ...string) {
	t.Helper()
	for _, p := range programs {
		if _, err := exec.LookPath(p); err != nil {
			if os.Getenv("DRENCH_REQUIRE") == "all" {
				t.Fatalf("%s is missing: install Debian's gtkwave, xvfb and chromium", p)
			}
			t.Skipf("%s is missing", p)
		}
	}
}

// TestVCDThroughFST has another program read the dump, convert it to its own
// format and back.
func TestVCDThroughFST(t *testing.T) {
	need(t, "vcd2fst", "fst2vcd")
	dir := t.TempDir()
	vcd, fst, back := filepath.Join(dir, "a.vcd"), filepath.Join(dir, "a.fst"), filepath.Join(dir, "b.vcd")
	text := render(t, VCD, large(t))
	if err := os.WriteFile(vcd, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	run(t, "vcd2fst", "-v", vcd, "-f", fst)
	run(t, "fst2vcd", "-f", fst, "-o", back)
	b, err := os.ReadFile(back)
	if err != nil {
		t.Fatal(err)
	}
	want, err := readVCD(text)
	if err != nil {
		t.Fatal(err)
	}
	got, err := readVCD(string(b))
	if err != nil {
		t.Fatal(err)
	}
	for name := range want.kinds {
		if g, w := settled(got.changes[name]), settled(want.changes[name]); !slices.Equal(g, w) {
			t.Errorf("%s: %d changes came back of %d", name, len(g), len(w))
		}
	}
}

// settled keeps the last value of each instant, with binary numbers in their
// shortest form; the converter keeps no more.
func settled(changes []string) []string {
	var list []string
	for _, c := range changes {
		at, value, _ := strings.Cut(c, " ")
		if short := strings.TrimLeft(value, "0"); len(value) == 32 {
			value = "0"
			if short != "" {
				value = short
			}
		}
		if n := len(list); n > 0 && strings.HasPrefix(list[n-1], at+" ") {
			list = list[:n-1]
		}
		list = append(list, at+" "+value)
	}
	return list
}

func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.CommandContext(t.Context(), name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %q: %v\n%s", name, args, err, out)
	}
	return string(out)
}

// TestVCDInViewer opens the dump in a waveform viewer and asks it for signals
// and values.
func TestVCDInViewer(t *testing.T) {
	need(t, "gtkwave", "xvfb-run")
	dir := t.TempDir()
	vcd, script := filepath.Join(dir, "a.vcd"), filepath.Join(dir, "ask.tcl")
	ask := `set names {}
for {set i 0} {$i < [gtkwave::getNumFacs]} {incr i} { lappend names [gtkwave::getFacName $i] }
puts "names $names"
puts "range [gtkwave::getMinTime] [gtkwave::getMaxTime] [gtkwave::getTimeDimension]"
gtkwave::addSignalsFromList $names
foreach t {4500000 13000000 15020000} {
  gtkwave::setMarker $t
  foreach s $names { puts "at $t $s [gtkwave::getTraceValueAtMarkerFromName $s]" }
}
flush stdout
exit 0
`
	for path, text := range map[string]string{vcd: render(t, VCD, small(t)), script: ask} {
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	out := run(t, "xvfb-run", "-a", "gtkwave", "-S", script, vcd)
	for _, want := range []string{
		"names rig.air_temp rig.deadman rig.detect rig.drop_gate rig.heartbeat rig.pump_drip rig.rail rig.supply rig.trial rig.witness",
		"range 1000000 17000000 u",
		"at 4500000 rig.detect 1", "at 4500000 rig.heartbeat 1", "at 4500000 rig.drop_gate 0", "at 4500000 rig.trial 0",
		"at 13000000 rig.detect x", "at 13000000 rig.trial 3",
		"at 15020000 rig.rail 0.12", "at 15020000 rig.supply 0", "at 15020000 rig.trial 4", "at 15020000 rig.deadman x",
	} {
		if !strings.Contains(out, want+"\n") {
			t.Errorf("the viewer does not say %q:\n%s", want, out)
		}
	}
}
