package scenarios_test

import (
	"bytes"
	"context"
	"slices"
	"testing"

	"drench/drivers/virtual"
	"drench/rig"
	"drench/rig/config"
	"drench/rig/engine"
	"drench/rig/interlock"
	"drench/rig/timeline"
	"drench/scenarios"
)

// linked is the virtual bench with a UART that can be let go, as real benches
// have it.
type linked struct {
	*virtual.Bench
	table []rig.Channel
}

func (b *linked) Channels() []rig.Channel { return b.table }

func (b *linked) Set(ctx context.Context, ch rig.ID, v int64) (rig.Instant, error) {
	if int(ch) == len(b.table)-1 {
		return b.Now(), ctx.Err()
	}
	return b.Bench.Set(ctx, ch, v)
}

// runLinked runs a script on such a bench, or on the plain one, and returns the
// events.
func runLinked(t *testing.T, s *scenarios.Script, with bool) ([]rig.Channel, []rig.Event) {
	t.Helper()
	world, model := virtual.Default(), virtual.Model{}
	l, err := config.LoadRig("", map[string]any{"virtual": &world})
	if err != nil {
		t.Fatal(err)
	}
	device, _, err := l.LoadProfile(&model)
	if err != nil {
		t.Fatal(err)
	}
	v, err := virtual.Open(world, device, model, 7)
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	var bench rig.Bench = v
	if with {
		bench = &linked{v, append(slices.Clone(v.Channels()), rig.Channel{Name: rig.UARTLink, Dir: rig.Output, Hazard: rig.Idle})}
	}
	var kept timeline.Memory
	w, err := timeline.NewWriter(&kept, timeline.Header{Channels: bench.Channels()}, timeline.VirtualPace)
	if err != nil {
		t.Fatal(err)
	}
	guard, err := interlock.New(t.Context(), bench, l.Interlock)
	if err != nil {
		t.Fatal(err)
	}
	run, err := engine.New(t.Context(), guard, w)
	if err != nil {
		t.Fatal(err)
	}
	if err := run.Do(t.Context(), func(ctx context.Context) error {
		return s.Run(ctx, run, scenarios.Setup{Device: device, Calibration: l.Calibration, Seed: 7, Counts: s.Scale(0)})
	}); err != nil {
		t.Fatal(err)
	}
	h, evs, err := timeline.ReadAll(bytes.NewReader(kept.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	return h.Channels, evs
}

const disturbances = `
trials = {"dip": 5}
def run():
    power()
    backfed()
    dip(level = "40 %", width = "100 ms", source = "low")
    dip(level = "0 %", width = "30 ms", source = "high")
    ramp(slope = "1 V/s", low = "10 %")
    cycle(off = "5 s")
    power_off()
    wait("1 s")
    power()
    quiet("10 s")
`

// TestUARTLetGo: whatever takes the DUT's supply finds its UART let go, and once
// the DUT has it again the UART is taken. All else is as without that.
func TestUARTLetGo(t *testing.T) {
	s, err := scenarios.Parse("disturbances", "disturbances.star", []byte(disturbances))
	if err != nil {
		t.Fatal(err)
	}
	table, evs := runLinked(t, s, true)
	id := func(name string) rig.ID {
		id, ok := rig.Find(table, name)
		if !ok {
			t.Fatalf("no %s", name)
		}
		return id
	}
	link := id(rig.UARTLink)
	held, taken, supplied := false, 0, int64(0)
	for _, ev := range evs {
		if ev.Kind == rig.TrialEnd && !held {
			t.Errorf("trial %d ended with the UART let go", ev.Value)
		}
		if ev.Kind != rig.Command {
			continue
		}
		falls := ev.Channel == id(rig.SupplySet) && ev.Value < supplied ||
			ev.Channel == id(rig.RelayDUT) && ev.Value == 0 || ev.Channel == id(rig.RelayDip) && ev.Value == 1
		switch {
		case ev.Channel == link:
			held = ev.Value == 1
			if held {
				taken++
			}
		case falls && held && ev.At < evs[len(evs)-1].At: // at the end all goes off, the link last
			t.Errorf("%s was set to %d at %v with the UART held", table[ev.Channel].Name, ev.Value, ev.At)
		}
		if ev.Channel == id(rig.SupplySet) {
			supplied = ev.Value
		}
	}
	if want := 1 + 1 + 4 + 1; taken != want || held {
		t.Errorf("taken %d times, want %d; held at the end: %v", taken, want, held)
	}
	_, plain := runLinked(t, s, false)
	evs = slices.DeleteFunc(evs, func(ev rig.Event) bool { return ev.Kind == rig.Command && ev.Channel == link })
	if !slices.Equal(evs, plain) {
		t.Error("beyond the UART the run differs from that on a bench without the channel")
	}
}
