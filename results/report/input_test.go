package report

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"

	"drench/results/limits"
	"drench/results/measure"
	"drench/results/verdict"
	"drench/rig"
	"drench/rig/timeline"
)

// store writes events as a timeline and returns what opens it, and its sum.
func store(t testing.TB, h timeline.Header, events []rig.Event) (open func() (*timeline.Reader, error), sum string) {
	t.Helper()
	var c timeline.Memory
	w, err := timeline.NewWriter(&c, h, timeline.Pace{Events: 50, Span: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	for _, ev := range events {
		if err := w.Append(ev); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return c.Reader, w.Sum()
}

// The channels of the example benches, by their place in the table.
const (
	detectID rig.ID = iota
	heartbeatID
	witnessID
	gateID
	pumpID
	supplyID
	railID
	uartID
	deadmanID
	airID
)

var exampleChannels = []rig.Channel{
	{Name: rig.Detect, Dir: rig.Input},
	{Name: rig.Heartbeat, Dir: rig.Input},
	{Name: rig.Witness, Dir: rig.Input},
	{Name: rig.DropGate, Dir: rig.Input},
	{Name: rig.PumpDrip, Dir: rig.Output, Unit: rig.LitreRate, Hazard: rig.Pump},
	{Name: rig.SupplySet, Dir: rig.Output, Unit: rig.Volt, Hazard: rig.Supply},
	{Name: rig.Rail, Dir: rig.Gauge, Unit: rig.Volt},
	{Name: rig.UART, Dir: rig.Text, Unit: rig.Chars},
	{Name: rig.Deadman, Dir: rig.Output, Hazard: rig.Idle},
	{Name: rig.AirTemp, Dir: rig.Gauge, Unit: rig.Kelvin},
}

func exampleHeader() timeline.Header {
	return timeline.Header{
		Tool: "0.1.0", Scenario: "drip", Seed: 42, DUT: "unit 17", Bench: "virtual", Channels: exampleChannels,
		Hashes: map[string]string{"script": "6b86b273ff34fce19d6b804eff5a3f5747ada4eaa22f1d49c01e52ddb7875b4b",
			"profile": "d4735e3a265e16eee03f59718b9b5d03019c07d8b6c51f90da3a666eec13ab35"},
		Device: rig.DUT{Name: "paddle 2 s", Supply: 3300 * physic.MilliVolt, DropOut: 2400 * physic.MilliVolt,
			Sampling:  rig.SamplingSpec{Period: 2 * time.Second, Readings: 1, Conversion: 10 * time.Millisecond},
			Heartbeat: time.Second},
		Calibration: rig.Calibration{
			Drip:    rig.DripCal{Rate: 30 * rig.MlPerMin, RateU: 10e6, Drop: 50 * rig.Microlitre, Lag: 230 * time.Millisecond, LagU: 40 * time.Millisecond},
			Gate:    rig.GateCal{Fall: 143 * time.Millisecond, FallU: 2 * time.Millisecond},
			Witness: rig.LagCal{Lag: 3 * time.Millisecond, U: time.Millisecond},
			Stamp:   rig.LagCal{U: 50 * time.Microsecond},
			Supply:  rig.SupplyCal{RailU: 10 * physic.MilliVolt},
			Chamber: rig.ChamberCal{AirTempU: 200 * physic.MilliKelvin},
		},
	}
}

func exampleRun(sum string) Run {
	began := time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
	return Run{ID: 17, Started: began, Ended: began.Add(12*time.Minute + 3500*time.Millisecond), DUT: "unit 17",
		LimitsName: "shop.limits", LimitsText: "latency p95 < 2.5 s with 95 % confidence\nmissed <= 0\n", Sum: sum}
}

// ms is an instant in milliseconds.
func ms(n int64) rig.Instant { return rig.Instant(n * 1e6) }

func begin(n int64, at rig.Instant, spec rig.Trial) rig.Event {
	text, err := json.Marshal(spec)
	if err != nil {
		panic(err) // in tests only: a Trial always has JSON
	}
	return rig.Event{At: at, Kind: rig.TrialBegin, Value: n, Text: string(text)}
}

// small is a run of four trials, short enough to check by eye. It has what
// formats trip over: control characters, markup, an event out of order, lost
// edges, an edge within the same microsecond.
func small(t testing.TB) Input {
	wet := rig.Trial{Kind: rig.Wet, Within: 4 * time.Second, Dose: 400 * rig.Microlitre, Label: "0.4 ml"}
	decoy := rig.Trial{Kind: rig.Decoy, Within: 3 * time.Second, Dose: 50 * rig.Microlitre, Label: "one drop, \"small\""}
	dip := rig.Trial{Kind: rig.Dip, Dip: &rig.DipSpec{Shape: rig.Interruption, From: 3300, Width: 30 * time.Millisecond, Source: rig.LowImpedance}}
	edge := func(at rig.Instant, ch rig.ID, v int64) rig.Event {
		return rig.Event{At: at, Kind: rig.Edge, Channel: ch, Value: v}
	}
	set := func(at rig.Instant, ch rig.ID, v int64) rig.Event {
		return rig.Event{At: at, Kind: rig.Command, Channel: ch, Value: v}
	}
	read := func(at rig.Instant, v int64) rig.Event {
		return rig.Event{At: at, Kind: rig.Reading, Channel: railID, Value: v}
	}
	events := []rig.Event{
		edge(ms(1000), detectID, 0), edge(ms(1000), heartbeatID, 0), edge(ms(1000), witnessID, 0),
		set(ms(1000), supplyID, 3.3e9), read(ms(1010), 3.3e9), {At: ms(1500), Kind: rig.Mark, Text: rig.MarkPowered},
		edge(ms(2000), heartbeatID, 1),
		begin(1, ms(2500), wet), set(ms(2500), pumpID, 30e6), edge(ms(2600), gateID, 1), edge(ms(2600)+400, gateID, 0),
		edge(ms(2750), witnessID, 1), edge(ms(3000), heartbeatID, 0), set(ms(3300), pumpID, 0),
		{At: ms(3199), Kind: rig.Line, Channel: uartID, Text: "raw=812 diff=-3\x00\x1b[0m <b>&$end é"},
		edge(ms(4250), detectID, 1), {At: ms(4251), Kind: rig.TrialEnd, Value: 1}, edge(ms(4000), heartbeatID, 1),
		edge(ms(5000), detectID, 0), edge(ms(5001), witnessID, 0),
		begin(2, ms(6000), wet), set(ms(6000), pumpID, 30e6), edge(ms(6250), witnessID, 1), {At: ms(10250), Kind: rig.TrialEnd, Value: 2},
		begin(3, ms(11000), decoy), {At: ms(13000), Kind: rig.Gap, Channel: detectID, Value: 500e6}, {At: ms(14000), Kind: rig.TrialEnd, Value: 3},
		begin(4, ms(15000), dip), set(ms(15001), supplyID, 0), read(ms(15010), 0.12e9), set(ms(15031), supplyID, 3.3e9), read(ms(15040), 3.3e9),
		{At: ms(16000), Kind: rig.TrialEnd, Value: 4}, {At: ms(16500), Kind: rig.Note, Text: "tray wiped\nby hand"}, {At: ms(17000), Kind: rig.End},
	}
	h := exampleHeader()
	h.Planned = map[rig.TrialKind]int{rig.Wet: 2, rig.Decoy: 1, rig.Dip: 1}
	in := Input{Header: h, Set: smallSet(wet, decoy, dip), Judgement: smallJudgement()}
	in.Set.Events = len(events)
	var sum string
	in.Open, sum = store(t, h, events)
	in.Run = exampleRun(sum)
	return in
}

func smallSet(wet, decoy, dip rig.Trial) *measure.Set {
	witness := func(at rig.Instant) *measure.Wetting {
		return &measure.Wetting{At: at, U: time.Millisecond, Source: measure.FromWitness}
	}
	return &measure.Set{
		Trials: []measure.Trial{
			{N: 1, Spec: wet, Begin: ms(2500), End: ms(4251), Wetting: witness(ms(2747)), Drops: 1, Detected: true, DetectAt: ms(4250),
				Latency: 1503 * time.Millisecond, U: 1001249 * time.Nanosecond, Verdict: verdict.Pass},
			{N: 2, Spec: wet, Begin: ms(6000), End: ms(10250), Wetting: witness(ms(6247)), Verdict: verdict.Fail, Reason: "no answer within 4 s"},
			{N: 3, Spec: decoy, Begin: ms(11000), End: ms(14000), Verdict: verdict.Inconc, Reason: "edges of detect were lost"},
			{N: 4, Spec: dip, Begin: ms(15000), End: ms(16000), Dip: &measure.DipSeen{Lowest: 120, Width: 28 * time.Millisecond, Restarted: true}, Verdict: verdict.Pass},
		},
		Measures: []*measure.Measure{
			{Name: measure.Latency, Kind: measure.Samples, Unit: rig.Second, Samples: []measure.Sample{
				{Value: 1503e6, U: 1001249, Trial: 1}, {Value: 4e9, Censored: true, Trial: 2}}},
			{Name: measure.Missed, Kind: measure.Proportion, Unit: rig.Proportion, Count: 1, N: 2, Trials: []int{2}},
		},
		Beats: []measure.Point{{At: ms(3000), Value: 1e9}, {At: ms(4000), Value: 1e9}},
		Rail:  []measure.Point{{At: ms(1010), Value: 3.3e9}, {At: ms(15010), Value: 0.12e9}, {At: ms(15040), Value: 3.3e9}},
		Begin: ms(1000), End: ms(17000), Lost: 1,
	}
}

func smallJudgement() limits.Judgement {
	return limits.Judgement{Verdict: verdict.Fail, Reason: "1 of 2 wet trials was missed; none is allowed.", Results: []limits.Result{
		{Limit: limits.Limit{Line: 1, Text: "latency p95 < 2.5 s with 95 % confidence", Measure: measure.Latency, Statistic: "p95", Op: "<",
			Value: 2.5e9, Unit: rig.Second, Confidence: 0.95}, Verdict: verdict.Inconc,
			Reason: "2 trials can't bound p95 with 95 % confidence; 59 are needed.", N: 2, Needed: 59, Value: 1503e6, HasValue: true, Method: "order statistic"},
		{Limit: limits.Limit{Line: 2, Text: "missed <= 0", Measure: measure.Missed, Op: "<=", Unit: rig.Level}, Verdict: verdict.Fail,
			Reason: "1 of 2 wet trials was missed.", N: 2, Value: 1, HasValue: true, Bound: 1, HasBound: true, Margin: -1},
	}}
}

// large is a run as a bench would record it: 80 trials of all the water kinds
// on a device that samples every 2 s and misses one.
func large(t testing.TB) Input {
	g := &generator{rng: rand.New(rand.NewPCG(42, 8)), set: &measure.Set{}, at: ms(500)}
	for n := 1; n <= 80; n++ {
		g.trial(n)
	}
	g.background()
	h := exampleHeader()
	g.set.Begin, g.set.End, g.set.Events = ms(0), g.at, len(g.events)
	h.Planned = map[rig.TrialKind]int{rig.Wet: 32, rig.Release: 32, rig.Decoy: 8, rig.Dry: 8}
	in := Input{Header: h, Set: g.set, Judgement: largeJudgement()}
	var sum string
	in.Open, sum = store(t, h, g.inOrderOfArrival())
	in.Run = exampleRun(sum)
	return in
}

type generator struct {
	rng    *rand.Rand
	set    *measure.Set
	at     rig.Instant
	events []rig.Event
}

func (g *generator) add(at rig.Instant, k rig.Kind, ch rig.ID, v int64) {
	g.events = append(g.events, rig.Event{At: at, Kind: k, Channel: ch, Value: v})
}

func (g *generator) trial(n int) {
	kind := []rig.TrialKind{rig.Wet, rig.Release, rig.Wet, rig.Release, rig.Wet, rig.Release, rig.Decoy, rig.Wet, rig.Release, rig.Dry}[(n-1)%10]
	t := measure.Trial{N: n, Spec: rig.Trial{Kind: kind, Within: 6 * time.Second}, Begin: g.at, Verdict: verdict.Pass}
	switch kind {
	case rig.Wet:
		g.wet(&t)
	case rig.Release:
		t.Detected, t.Latency, t.U = true, time.Duration(8e9+g.rng.Float64()*4e9), 60*time.Microsecond
		t.DetectAt = g.at.Add(t.Latency)
		g.add(t.DetectAt, rig.Edge, detectID, 0)
		g.add(t.DetectAt.Add(-time.Second), rig.Edge, witnessID, 0)
		t.End = t.DetectAt
	default:
		t.End = g.at.Add(6 * time.Second)
	}
	g.events = append(g.events, begin(int64(n), t.Begin, t.Spec), rig.Event{At: t.End, Kind: rig.TrialEnd, Value: int64(n)})
	g.at = t.End.Add(time.Duration(1e9 + g.rng.Float64()*2e9))
	g.set.Trials = append(g.set.Trials, t)
	g.measure(t)
}

func (g *generator) wet(t *measure.Trial) {
	t.Spec.Dose = []rig.Volume{50, 100, 200, 400}[t.N%4] * rig.Microlitre
	pumped := t.Spec.Dose * 60 / 30 * 1e3 // ns at 30 ml/min
	g.add(g.at, rig.Command, pumpID, 30e6)
	g.add(g.at+rig.Instant(pumped), rig.Command, pumpID, 0)
	for drop := rig.Volume(0); drop < t.Spec.Dose; drop += 50 * rig.Microlitre {
		at := g.at + ms(90) + rig.Instant(drop*2000)
		g.add(at, rig.Edge, gateID, 1)
		g.add(at+ms(4), rig.Edge, gateID, 0)
		t.Drops++
	}
	water := g.at + ms(233) + rig.Instant(g.rng.Float64()*5e6)
	g.add(water+ms(3), rig.Edge, witnessID, 1)
	t.Wetting = &measure.Wetting{At: water, U: time.Millisecond, Source: measure.FromWitness}
	if t.N%20 == 3 {
		*t.Wetting = measure.Wetting{At: water, U: 2100 * time.Microsecond, Source: measure.FromGate}
	}
	t.Latency, t.U = time.Duration(10e6+g.rng.Float64()*2e9), 1100*time.Microsecond
	if t.N == 35 {
		t.Verdict, t.Reason, t.Latency, t.U = verdict.Fail, "no answer within 6 s", 0, 0
		t.End = g.at.Add(6 * time.Second)
		return
	}
	if t.N == 61 {
		t.Verdict, t.Reason = verdict.Inconc, "the drop gate saw 1 drop of 4"
	}
	t.Detected, t.DetectAt = true, water.Add(t.Latency)
	g.add(t.DetectAt, rig.Edge, detectID, 1)
	t.End = t.DetectAt + ms(1)
}

func (g *generator) measure(t measure.Trial) {
	name, ok := map[rig.TrialKind]string{rig.Wet: measure.Latency, rig.Release: measure.ReleaseTime}[t.Spec.Kind]
	if !ok {
		return
	}
	m := g.set.Find(name)
	if m == nil {
		m = &measure.Measure{Name: name, Kind: measure.Samples, Unit: rig.Second}
		g.set.Measures = append(g.set.Measures, m)
	}
	switch {
	case t.Verdict == verdict.Inconc:
		m.Inconc, m.Why = m.Inconc+1, []string{t.Reason}
	case t.Detected:
		m.Samples = append(m.Samples, measure.Sample{Value: int64(t.Latency), U: int64(t.U), Trial: t.N})
	default:
		m.Samples = append(m.Samples, measure.Sample{Value: int64(t.Spec.Within), Censored: true, Trial: t.N})
	}
}

// background is what goes on whatever the trials do: heartbeats, one of them
// late, rail readings, lines of text, the dead-man's toggling.
func (g *generator) background() {
	gaps := &measure.Summary{Min: math.MaxInt64}
	last := rig.Instant(0)
	for i := int64(0); ; i++ {
		at := ms(1000*i) + rig.Instant(g.rng.NormFloat64()*2e6)
		if i == 200 {
			at += ms(350)
		}
		if at > g.at {
			break
		}
		g.add(at, rig.Edge, heartbeatID, i%2)
		rail := int64(3.3e9 + g.rng.NormFloat64()*4e6)
		g.add(at+ms(100), rig.Reading, railID, rail)
		g.set.Rail = append(g.set.Rail, measure.Point{At: at + ms(100), Value: rail})
		g.add(at+ms(150), rig.Command, deadmanID, i%2)
		g.events = append(g.events, rig.Event{At: at + ms(210), Kind: rig.Line, Channel: uartID, Text: fmt.Sprintf("raw=%d diff=%d", 800+i%7, i%3)})
		if i > 0 {
			gap := int64(at - last)
			g.set.Beats = append(g.set.Beats, measure.Point{At: at, Value: gap})
			gaps.N++
			gaps.Mean += (float64(gap) - gaps.Mean) / float64(gaps.N)
			gaps.Min = min(gaps.Min, gap)
			if gap > gaps.Max {
				gaps.Max, gaps.MaxAt = gap, at
			}
		}
		last = at
	}
	gaps.SD = 2.8e6
	g.set.Measures = append(g.set.Measures, &measure.Measure{Name: measure.BeatGap, Kind: measure.Samples, Unit: rig.Second, Summary: gaps})
}

// inOrderOfArrival sorts as a bench records: text comes 16 ms after its stamp.
func (g *generator) inOrderOfArrival() []rig.Event {
	arrival := func(ev rig.Event) rig.Instant {
		if ev.Kind == rig.Line {
			return ev.At + ms(16)
		}
		return ev.At
	}
	slices.SortStableFunc(g.events, func(a, b rig.Event) int { return int(arrival(a) - arrival(b)) })
	return g.events
}

func largeJudgement() limits.Judgement {
	limit := func(line int, text, name, stat, op string, value int64, u rig.Unit, conf float64) limits.Limit {
		return limits.Limit{Line: line, Text: text, Measure: name, Statistic: stat, Op: op, Value: value, Unit: u, Confidence: conf}
	}
	return limits.Judgement{Verdict: verdict.Fail, Reason: "1 of 32 wet trials was missed; with 95 % confidence up to 14.0 % would be, and 5 % is allowed.", Results: []limits.Result{
		{Limit: limit(1, "latency p90 < 2.5 s with 90 % confidence", measure.Latency, "p90", "<", 2.5e9, rig.Second, 0.9), Verdict: verdict.Pass,
			Reason: "p90 is at most 2.002 s with 90 % confidence.", N: 31, Needed: 22, Value: 1.81e9, HasValue: true, Bound: 2.002e9, HasBound: true, Margin: 0.498e9, Method: "order statistic 31 of 31"},
		{Limit: limit(2, "missed <= 5 % with 95 % confidence", measure.Missed, "", "<=", 50e6, rig.Proportion, 0.95), Verdict: verdict.Fail,
			Reason: "1 of 32 wet trials was missed; with 95 % confidence up to 14.0 % would be.", N: 32, Needed: 59, Value: 31.25e6, HasValue: true, Bound: 140e6, HasBound: true, Margin: -90e6, Method: "Clopper-Pearson"},
		{Limit: limit(3, "false alarms <= 0", measure.FalseAlarms, "", "<=", 0, rig.Level, 0), Verdict: verdict.Pass, Reason: "None in 96 s.", N: 16, HasValue: true, HasBound: true},
		{Limit: limit(4, "heartbeat gap <= 1.2 periods", measure.BeatGap, "", "<=", 1.2e9, rig.Second, 0), Verdict: verdict.Fail,
			Reason: "The longest gap was 1.352 s.", N: 690, Value: 1.352e9, HasValue: true, Bound: 1.352e9, HasBound: true, Margin: -0.152e9, Method: "greatest, guard band 82 µs"},
		{Limit: limit(5, "release p95 < 60 s with 90 % confidence", measure.ReleaseTime, "p95", "<", 60e9, rig.Second, 0.9), Verdict: verdict.Inconc,
			Reason: "32 trials can't bound p95 with 90 % confidence; 45 are needed.", N: 32, Needed: 45, Value: 11.8e9, HasValue: true},
		{Limit: limit(6, "standby <= 0.3 W", measure.Standby, "", "<=", 0.3e9, rig.Watt, 0), Verdict: verdict.Error, Reason: "The power meter did not answer.", Method: ""},
	}}
}
