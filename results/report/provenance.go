package report

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"time"

	"drench/results/measure"
	"drench/rig"
)

// provenanceSection lists what a reader needs to trust the run, or to run it
// again.
func provenanceSection(in Input) section {
	h := in.Header
	facts := &table{Caption: "The run", Head: []column{{"what", false}, {"value", false}}}
	facts.add("run", strconv.FormatInt(in.Run.ID, 10))
	facts.add("begun", wall(in.Run.Started))
	facts.add("ended", wall(in.Run.Ended))
	facts.add("written by", tool(h.Tool))
	facts.add("scenario", h.Scenario)
	facts.add("seed", strconv.FormatUint(h.Seed, 10))
	facts.add("bench", h.Bench)
	facts.add("device's profile", h.Device.Name)
	facts.add("bench time", fmt.Sprintf("%s s to %s s", seconds(int64(in.Set.Begin)), seconds(int64(in.Set.End))))
	facts.add("events", strconv.Itoa(in.Set.Events))
	facts.add("times that edges were lost", strconv.Itoa(in.Set.Lost))
	facts.add("timeline, SHA-256", in.Run.Sum)
	for _, what := range slices.Sorted(maps.Keys(h.Hashes)) {
		facts.add(what+", SHA-256", h.Hashes[what])
	}
	for _, trip := range in.Set.Trips {
		facts.add("interlock tripped", trip)
	}
	if in.Set.Interrupted != "" {
		facts.add("cut short", in.Set.Interrupted)
	}
	s := section{ID: "provenance", Heading: "Provenance", Shown: []*table{facts},
		Words: []string{"All above is computed from the timeline with this sum. Judged again under the same limits it gives the same page."}}
	if t := sourceTable(in.Set.Trials); t != nil {
		s.Shown = append(s.Shown, t)
	}
	if t := calibrationTable(h.Calibration); len(t.Rows) > 0 {
		s.Shown = append(s.Shown, t)
	}
	s.Text = printable(in.Run.LimitsText)
	return s
}

// sourceTable counts where the wetting instants come from; nil if there are
// none.
func sourceTable(trials []measure.Trial) *table {
	us := map[measure.Source][]time.Duration{}
	for _, t := range trials {
		if t.Wetting != nil {
			us[t.Wetting.Source] = append(us[t.Wetting.Source], t.Wetting.U)
		}
	}
	if len(us) == 0 {
		return nil
	}
	t := &table{Caption: "How the arrival of water is known", Narrow: true, Head: []column{{"source", false}, {"trials", true}, {"standard uncertainty, median", true}}}
	for _, src := range slices.Sorted(maps.Keys(us)) {
		slices.Sort(us[src])
		t.add(string(src), strconv.Itoa(len(us[src])), span(us[src][len(us[src])/2]))
	}
	return t
}

// calibrationTable lists the rig's calibration with standard uncertainties;
// what is zero was not calibrated.
func calibrationTable(c rig.Calibration) *table {
	t := &table{Caption: "Calibration of the rig", Narrow: true, Head: []column{{"what", false}, {"value", true}, {"standard uncertainty", true}}}
	for _, r := range []struct {
		what     string
		value, u rig.Quantity
	}{
		{"drip pump, rate", rig.Of(c.Drip.Rate), rig.Of(c.Drip.RateU)},
		{"drip pump, drop", rig.Of(c.Drip.Drop), rig.Quantity{}},
		{"drip pump, command to sensor", rig.Of(c.Drip.Lag), rig.Of(c.Drip.LagU)},
		{"drip pump, tube volume", rig.Of(c.Drip.LineVolume), rig.Quantity{}},
		{"drop gate to sensor", rig.Of(c.Gate.Fall), rig.Of(c.Gate.FallU)},
		{"witness electrode, lag", rig.Of(c.Witness.Lag), rig.Of(c.Witness.U)},
		{"edge stamp, bias", rig.Of(c.Stamp.Lag), rig.Of(c.Stamp.U)},
		{"spray, area", rig.Of(c.Spray.Area), rig.Of(c.Spray.RateU)},
		{"spray, command to sensor", rig.Of(c.Spray.Lag), rig.Of(c.Spray.LagU)},
		{"supply, slew up", rig.Of(c.Supply.SlewUp), rig.Quantity{}},
		{"supply, slew down", rig.Of(c.Supply.SlewDown), rig.Quantity{}},
		{"dip switch, operate time", rig.Of(c.Supply.Switch), rig.Quantity{}},
		{"rail readback", rig.Quantity{}, rig.Of(c.Supply.RailU)},
		{"energy reading", rig.Quantity{}, rig.Of(c.Power.U)},
		{"air temperature", rig.Quantity{}, kelvins(int64(c.Chamber.AirTempU))},
		{"air humidity", rig.Quantity{}, rig.Of(c.Chamber.AirRHU)},
		{"plate temperature", rig.Quantity{}, kelvins(int64(c.Chamber.PlateU))},
	} {
		if r.value.N == 0 && r.u.N == 0 {
			continue
		}
		t.add(r.what, known(r.value), known(r.u))
	}
	if c.Chamber.Transfer != 0 {
		t.add("heat transfer over the plate", decimal(c.Chamber.Transfer, 3)+" W/(m² K)", known(rig.Of(c.Chamber.TransferU)))
	}
	return t
}

// kelvins keeps a temperature's uncertainty from being read as a temperature.
func kelvins(n int64) rig.Quantity { return rig.Quantity{N: n, Unit: rig.TempRate} }

func known(q rig.Quantity) string {
	switch {
	case q.N == 0 && q.Unit == rig.Level:
		return ""
	case q.Unit == rig.TempRate:
		return difference(float64(q.N), rig.Kelvin)
	}
	return q.String()
}
