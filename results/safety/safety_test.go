package safety

import (
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"drench/rig"
	"drench/rig/timeline"
)

// Channels of the test bench.
const (
	chDrip rig.ID = iota
	chSpray
	chValve
	chHeat
	chSupply
	chReset
	chDeadman
	chStop
	chTray
	chDetect
	chRail
	chTest
	chSource
)

var table = []rig.Channel{
	chDrip:    {Name: rig.PumpDrip, Dir: rig.Output, Unit: rig.LitreRate, Hazard: rig.Pump},
	chSpray:   {Name: rig.PumpSpray, Dir: rig.Output, Unit: rig.LitreRate, Hazard: rig.Pump},
	chValve:   {Name: rig.ValveAir, Dir: rig.Output, Unit: rig.Level, Hazard: rig.Valve},
	chHeat:    {Name: rig.Plate, Dir: rig.Output, Unit: rig.Kelvin, Hazard: rig.Heat},
	chSupply:  {Name: rig.RelayDUT, Dir: rig.Output, Unit: rig.Level, Hazard: rig.Supply},
	chReset:   {Name: rig.Reset, Dir: rig.Output, Unit: rig.Level, Hazard: rig.Idle},
	chDeadman: {Name: rig.Deadman, Dir: rig.Output, Unit: rig.Level, Hazard: rig.Idle},
	chStop:    {Name: rig.EStop, Dir: rig.Input},
	chTray:    {Name: rig.Tray, Dir: rig.Input},
	chDetect:  {Name: rig.Detect, Dir: rig.Input},
	chRail:    {Name: rig.Rail, Dir: rig.Gauge, Unit: rig.Volt},
	chTest:    {Name: rig.LoopTest, Dir: rig.Output, Unit: rig.Level, Hazard: rig.Idle},
	chSource:  {Name: rig.SupplySet, Dir: rig.Output, Unit: rig.Volt, Hazard: rig.Supply},
}

var header = timeline.Header{Channels: table}

var limits = Limits{Inputs: []string{rig.EStop, rig.Tray}, PumpOn: 10 * time.Second, PumpRest: time.Second, Volume: rig.Millilitre}

const flow = int64(2 * rig.MlPerMin) // uses up the budget in 30 s

// A story is written in seconds.
func at(s float64) rig.Instant { return rig.Instant(math.Round(s * 1e9)) }
func set(s float64, ch rig.ID, v int64) rig.Event {
	return rig.Event{At: at(s), Kind: rig.Command, Channel: ch, Value: v}
}
func edge(s float64, ch rig.ID, v int64) rig.Event {
	return rig.Event{At: at(s), Kind: rig.Edge, Channel: ch, Value: v}
}
func trip(s float64) rig.Event { return rig.Event{At: at(s), Kind: rig.Trip, Text: "why"} }
func end(s float64) rig.Event  { return rig.Event{At: at(s), Kind: rig.End} }

func events(evs ...rig.Event) iter.Seq2[rig.Event, error] {
	return func(yield func(rig.Event, error) bool) {
		for _, ev := range evs {
			if !yield(ev, nil) {
				return
			}
		}
	}
}

// stories are what must be found in hand-made timelines, by rule, with the
// channel and the instant; none for one in which safety held.
var stories = []struct {
	name   string
	events []rig.Event
	want   []Finding // without Found
}{
	{"nothing", []rig.Event{end(1)}, nil},
	{"a dose", []rig.Event{edge(0, chStop, 1), set(1, chDrip, flow), set(2, chDrip, 0), end(3)}, nil},
	{"a trip in order", []rig.Event{set(1, chSupply, 1), set(1, chHeat, 1), set(1, chValve, 1), set(1, chDrip, flow), set(1, chReset, 1),
		edge(2, chStop, 0), trip(2), set(2.01, chDrip, 0), set(2.02, chValve, 0), set(2.03, chHeat, 0), set(2.05, chSupply, 0), set(2.2, chReset, 0), end(2.2)}, nil},
	{"a command under way when the line opened", []rig.Event{set(1.995, chDrip, flow), edge(1.99, chStop, 0), trip(1.99), set(2, chDrip, 0), end(2)}, nil},
	{"a clean-up before the trip's own commands", []rig.Event{set(1, chSupply, 1), set(1, chDrip, flow), set(1, chValve, 1), edge(2, chStop, 0),
		set(2.04, chValve, 0), trip(2), set(2.01, chDrip, 0), set(2.02, chValve, 0), set(2.03, chSupply, 0), end(2.1)}, nil},
	{"a line that is no interlock", []rig.Event{edge(1, chDetect, 0), set(2, chDrip, flow), set(3, chDrip, 0), end(3)}, nil},
	{"a reset line after a trip", []rig.Event{trip(1), set(2, chReset, 1), set(3, chReset, 0), end(3)}, nil},
	{"a zero after a trip", []rig.Event{trip(1), set(2, chDrip, 0), end(3)}, nil},
	{"on-times that add up, with flows that change", []rig.Event{set(0, chDrip, flow), set(5, chDrip, flow/2), set(10, chDrip, 0), set(11, chDrip, flow), set(21, chDrip, 0), end(21)}, nil},
	{"the budget to its last drop, and the pump that was tripped for it", []rig.Event{set(0, chDrip, 6*flow), set(5, chDrip, 0), set(6, chDrip, 6*flow/600), set(8.9, chDrip, 0), set(10, chDrip, 6*flow), trip(10), set(10.04, chDrip, 0), end(11)}, nil},
	{"two pumps within the budget", []rig.Event{set(0, chDrip, flow), set(0, chSpray, flow), set(10, chDrip, 0), set(10, chSpray, 0), set(11, chDrip, flow), set(20.999, chDrip, 0), end(21)}, nil},

	{"energised after an edge", []rig.Event{edge(1, chStop, 0), set(1.01, chValve, 1), trip(1.02), set(1.02, chValve, 0), end(2)},
		[]Finding{{At: at(1.01), Channel: rig.ValveAir, Rule: Opened}}},
	{"energised though the line closed again", []rig.Event{edge(1, chTray, 0), edge(1.001, chTray, 1), trip(1.001), set(2, chSupply, 1), set(2.01, chSupply, 0), end(3)},
		[]Finding{{At: at(2), Channel: rig.RelayDUT, Rule: Latched}, {At: at(2.01), Channel: rig.RelayDUT, Rule: Late}}},
	{"open from the start", []rig.Event{edge(0, chTray, 0), set(0, chHeat, 1), trip(0), set(0, chHeat, 0), end(1)},
		[]Finding{{At: at(0), Channel: rig.Plate, Rule: Opened}}},
	{"turned up after a trip", []rig.Event{set(1, chDrip, flow), trip(2), set(2.01, chDrip, 2*flow), set(2.02, chDrip, 0), end(3)},
		[]Finding{{At: at(2.01), Channel: rig.PumpDrip, Rule: Latched}}},
	{"late", []rig.Event{set(1, chDrip, flow), trip(2), set(2.051, chDrip, 0), end(3)},
		[]Finding{{At: at(2.051), Channel: rig.PumpDrip, Rule: Late}}},
	{"late after the edge, though soon after the trip", []rig.Event{set(1, chSupply, 1), edge(2, chStop, 0), trip(2.04), set(2.06, chSupply, 0), end(3)},
		[]Finding{{At: at(2.06), Channel: rig.RelayDUT, Rule: Late}}},
	{"commanded long after an edge that was noticed late", []rig.Event{set(2, chValve, 1), set(2.1, chValve, 0), edge(1, chStop, 0), trip(2.1), end(3)},
		[]Finding{{At: at(2.1), Channel: rig.ValveAir, Rule: Late}}},
	{"never off", []rig.Event{set(1, chSpray, flow), trip(2), end(3)},
		[]Finding{{At: at(3), Channel: rig.PumpSpray, Rule: AtEnd}, {At: at(3), Channel: rig.PumpSpray, Rule: Late}}},
	{"supply before valve", []rig.Event{set(1, chSupply, 1), set(1, chValve, 1), trip(2), set(2, chSupply, 0), set(2, chValve, 0), end(2)},
		[]Finding{{At: at(2), Channel: rig.ValveAir, Rule: Order}}},
	{"everything after the supply", []rig.Event{set(1, chSupply, 1), set(1, chValve, 1), set(1, chHeat, 1), trip(2), set(2, chSupply, 0), set(2, chValve, 0), set(2, chHeat, 0), end(2)},
		[]Finding{{At: at(2), Channel: rig.ValveAir, Rule: Order}, {At: at(2), Channel: rig.Plate, Rule: Order}}},
	{"pump last", []rig.Event{set(1, chReset, 1), set(1, chDrip, flow), trip(2), set(2, chReset, 0), set(2, chDrip, 0), end(2)},
		[]Finding{{At: at(2), Channel: rig.PumpDrip, Rule: Order}}},
	{"on too long", []rig.Event{set(1, chDrip, flow), set(4, chDrip, flow/2), set(11.051, chDrip, 0), end(12)},
		[]Finding{{At: at(11.051), Channel: rig.PumpDrip, Rule: OnTime}}},
	{"on too long with pauses that are no rest", []rig.Event{set(1, chDrip, flow), set(6, chDrip, 0), set(6.999, chDrip, flow), set(9, chDrip, flow/2), set(10, chDrip, 0), set(10, chDrip, flow), set(12.052, chDrip, 0), end(13)},
		[]Finding{{At: at(12.052), Channel: rig.PumpDrip, Rule: OnTime}}},
	{"another pump's rest is none", []rig.Event{set(1, chDrip, flow/10), set(1, chSpray, flow/10), set(2, chSpray, 0), set(6, chDrip, 0), set(6.5, chDrip, flow/10), set(6.5, chSpray, flow/10), set(11.6, chDrip, 0), set(16.4, chSpray, 0), end(17)},
		[]Finding{{At: at(11.6), Channel: rig.PumpDrip, Rule: OnTime}}},
	{"on too long, to the end", []rig.Event{set(1, chSpray, flow/10), end(12)},
		[]Finding{{At: at(12), Channel: rig.PumpSpray, Rule: AtEnd}, {At: at(12), Channel: rig.PumpSpray, Rule: OnTime}}},
	{"too much water", []rig.Event{set(0, chDrip, flow), set(10, chDrip, 0), set(20, chSpray, flow), set(30, chSpray, 0), set(40, chDrip, flow), set(50, chDrip, 0), set(60, chDrip, flow), set(60.1, chDrip, 2*flow), set(60.2, chDrip, 0), end(61)},
		[]Finding{{At: at(60.1), Channel: rig.PumpDrip, Rule: Water}}},
	{"too much of two pumps", []rig.Event{set(0, chDrip, 3*flow), set(0, chSpray, 3*flow), set(5.2, chDrip, 0), set(5.2, chSpray, 0), end(6)},
		[]Finding{{At: at(5.2), Channel: rig.PumpDrip, Rule: Water}}},
	{"not off at the end", []rig.Event{set(1, chReset, 1), end(2)},
		[]Finding{{At: at(2), Channel: rig.Reset, Rule: AtEnd}}},
	{"no trip", []rig.Event{edge(1, chStop, 0), edge(2, chStop, 1), end(3)},
		[]Finding{{At: at(1), Channel: rig.EStop, Rule: Untripped}}},
	{"dead-man by the run", []rig.Event{set(1, chDeadman, 1), set(1.1, chDeadman, 0), end(3)},
		[]Finding{{At: at(1), Channel: rig.Deadman, Rule: Deadman}, {At: at(1.1), Channel: rig.Deadman, Rule: Deadman}}},
}

func TestStories(t *testing.T) {
	broken := map[Rule]bool{}
	for _, s := range stories {
		t.Run(s.name, func(t *testing.T) {
			r, err := Check(header, limits, events(s.events...))
			if err != nil {
				t.Fatal(err)
			}
			var got []Finding
			for _, f := range r.Findings {
				broken[f.Rule] = true
				if f.Found == "" || !strings.Contains(f.String(), f.Channel) {
					t.Errorf("%q tells little", f)
				}
				f.Found = ""
				got = append(got, f)
			}
			if !slices.Equal(got, s.want) || r.Breaches != len(s.want) || r.Held() != (len(s.want) == 0) {
				t.Errorf("found %v\nwant  %v", r.Findings, s.want)
			}
			if r.Cut != "" || r.On != nil || r.Events != len(s.events) {
				t.Errorf("%d events, cut %q with %v on", r.Events, r.Cut, r.On)
			}
		})
	}
	for _, rule := range []Rule{Opened, Latched, Late, Order, OnTime, Water, AtEnd, Untripped, Deadman} {
		if !broken[rule] {
			t.Errorf("no story breaks rule %q", rule)
		}
	}
}

// A finding reads as a sentence that says where, what and what was expected.
func TestFindingText(t *testing.T) {
	r, err := Check(header, limits, events(set(1, chDrip, flow), edge(2, chStop, 0), trip(2), set(2.2, chDrip, 0), end(3)))
	if err != nil || len(r.Findings) != 1 {
		t.Fatalf("%v, %v", r, err)
	}
	const want = `2.200000 s: pump_drip: was on 200ms after 2.000000 s (interlock line estop opened); expected off within 50ms (rule "late")`
	if got := r.Findings[0].String(); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

// What a report says beside findings: how far the run came to its budgets.
func TestSums(t *testing.T) {
	r, err := Check(header, limits, events(set(0, chDrip, flow), set(0, chSpray, flow), set(4, chSpray, flow/2), set(6, chDrip, 0), set(8, chSpray, 0), trip(9), end(9)))
	if err != nil {
		t.Fatal(err)
	}
	// 2 ml/min for 6 s and for 4 s, 1 ml/min for 4 s
	if want := rig.Volume(2e6*10/60 + 1e6*4/60); r.Delivered != want || r.Longest != 8*time.Second || r.Trip != "why" {
		t.Errorf("delivered %d nl, longest %v, trip %q; want %d nl, 8 s", r.Delivered, r.Longest, r.Trip, want)
	}
}

// A timeline that breaks off is no breach, whatever was on, unless more was
// recorded since it should have been off.
func TestCutOff(t *testing.T) {
	for _, c := range []struct {
		name   string
		events []rig.Event
		tail   error
		on     []string
		rules  []Rule
	}{
		{"without an end", []rig.Event{set(1, chDrip, flow), set(1, chSupply, 1), edge(2, chDetect, 1)}, nil, []string{rig.PumpDrip, rig.RelayDUT}, nil},
		{"with a damaged tail", []rig.Event{set(1, chDrip, flow)}, &timeline.TailError{Chunk: 3, Err: errors.New("torn")}, []string{rig.PumpDrip}, nil},
		{"right after a trip", []rig.Event{set(1, chDrip, flow), edge(2, chStop, 0), trip(2)}, nil, []string{rig.PumpDrip}, nil},
		{"after a slow reading", []rig.Event{set(1, chDrip, flow), edge(2, chStop, 0), trip(2), {At: at(2.1), Kind: rig.Reading, Channel: chRail}}, nil, []string{rig.PumpDrip}, nil},
		{"long after a trip", []rig.Event{set(1, chSupply, 1), trip(2), {At: at(2.1), Kind: rig.Line, Channel: chDetect}}, nil, []string{rig.RelayDUT}, []Rule{Late}},
		{"long after an edge", []rig.Event{set(1, chSupply, 1), edge(2, chStop, 0), {At: at(2.1), Kind: rig.Gap, Channel: chDetect}}, nil, []string{rig.RelayDUT}, []Rule{Late}},
		{"long after a budget", []rig.Event{set(1, chDrip, 10*flow), edge(12, chDetect, 1)}, nil, []string{rig.PumpDrip}, []Rule{OnTime, Water}},
		{"with an earlier breach", []rig.Event{trip(1), set(2, chValve, 1), set(2, chValve, 0)}, nil, nil, []Rule{Latched, Late}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := Check(header, limits, func(yield func(rig.Event, error) bool) {
				for ev := range events(c.events...) {
					if !yield(ev, nil) {
						return
					}
				}
				if c.tail != nil {
					yield(rig.Event{}, c.tail)
				}
			})
			if err != nil {
				t.Fatal(err)
			}
			var rules []Rule
			for _, f := range r.Findings {
				rules = append(rules, f.Rule)
			}
			if r.Cut == "" || c.tail != nil && r.Cut != c.tail.Error() || !slices.Equal(r.On, c.on) || !slices.Equal(rules, c.rules) {
				t.Errorf("cut %q with %v on, found %v; want %v on and rules %v", r.Cut, r.On, r.Findings, c.on, c.rules)
			}
		})
	}
}

// What can't be judged is an error, never a report.
func TestRefusals(t *testing.T) {
	reset := timeline.Header{Channels: table[chReset:]} // no pump
	for name, c := range map[string]struct {
		h      timeline.Header
		l      Limits
		events []rig.Event
		want   string
	}{
		"no inputs":                {header, Limits{PumpOn: 1, Volume: 1}, nil, "has a pump (pump_drip)"},
		"no on-time":               {header, Limits{Inputs: []string{rig.EStop}, Volume: 1}, nil, "has a pump"},
		"no volume":                {header, Limits{Inputs: []string{rig.EStop}, PumpOn: 1}, nil, "has a pump"},
		"unknown input":            {header, Limits{Inputs: []string{"door"}}, nil, `"door" is not an input line`},
		"a test line that is none": {header, Limits{Inputs: []string{rig.EStop}, Tests: map[string]string{rig.EStop: rig.Tray}, PumpOn: 1, Volume: 1}, nil, `test line "tray" of interlock input estop is not an output`},
		"input is an output":       {reset, Limits{Inputs: []string{rig.Reset}}, nil, `"reset" is not an input line`},
		"nothing to watch":         {reset, Limits{}, []rig.Event{end(1)}, ""},
		"edge nowhere":             {header, limits, []rig.Event{edge(1, 99, 0)}, "event 1 at 1.000000 s: edge on channel 99"},
		"command nowhere":          {header, limits, []rig.Event{set(1, 99, 0)}, "command on channel 99"},
		"command to input":         {header, limits, []rig.Event{set(1, chStop, 1)}, "command on channel 7, which is not an output"},
		"failed nowhere":           {header, limits, []rig.Event{{At: at(1), Kind: rig.Failed, Channel: chStop}}, "failed on channel 7, which is not an output"},
		"negative":                 {header, limits, []rig.Event{set(1, chDrip, -1)}, "command is -1; expected 0 or more"},
		"back in time":             {header, limits, []rig.Event{set(5, chDrip, 1), set(3, chDrip, 0)}, "stamped 2s before"},
		"after the end":            {header, limits, []rig.Event{end(5), set(6, chDrip, 1)}, "event 2 at 6.000000 s: comes after the run's end"},
	} {
		r, err := Check(c.h, c.l, events(c.events...))
		if (err == nil) != (c.want == "") || err != nil && (!strings.Contains(err.Error(), c.want) || r.Events != 0) {
			t.Errorf("%s: %v; want %q", name, err, c.want)
		}
	}
	broken := errors.New("disk gone")
	_, err := Check(header, limits, func(yield func(rig.Event, error) bool) { yield(rig.Event{}, broken) })
	if !errors.Is(err, broken) {
		t.Errorf("a read error: %v", err)
	}
}

// Findings are counted, but not kept, without bound; one rule's do not hide
// another's.
func TestManyFindings(t *testing.T) {
	n := 10 * MaxFindings
	r, err := Check(header, limits, func(yield func(rig.Event, error) bool) {
		_ = yield(trip(1), nil)
		for i := range n {
			_ = yield(set(2+float64(i), chValve, int64(1+i)), nil)
		}
		_ = yield(set(2+float64(n), chDeadman, 1), nil)
	})
	if err != nil || r.Breaches != n+1 || len(r.Findings) != MaxFindings+1 || r.Findings[MaxFindings].Rule != Deadman {
		t.Errorf("%d findings, %d of them kept, %v", r.Breaches, len(r.Findings), err)
	}
}

func ExampleCheck() {
	h := timeline.Header{Channels: []rig.Channel{
		{Name: rig.PumpDrip, Dir: rig.Output, Unit: rig.LitreRate, Hazard: rig.Pump},
		{Name: rig.Tray, Dir: rig.Input},
	}}
	allowed := Limits{Inputs: []string{rig.Tray}, PumpOn: time.Minute, Volume: rig.Millilitre}
	r, err := Check(h, allowed, events(
		rig.Event{At: 1e9, Kind: rig.Command, Value: int64(rig.MlPerMin)},
		rig.Event{At: 2e9, Kind: rig.Edge, Channel: 1, Value: 0},
		rig.Event{At: 2e9, Kind: rig.Trip, Text: "water in the tray"},
		rig.Event{At: 3e9, Kind: rig.End},
	))
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, f := range r.Findings {
		fmt.Println(f)
	}
	// Output:
	// 3.000000 s: pump_drip: is at 1 ml/min at the end of the run; expected 0 (rule "at end")
	// 3.000000 s: pump_drip: was on 1s after 2.000000 s (interlock line tray opened); expected off within 50ms (rule "late")
}
