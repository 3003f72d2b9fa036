package virtual

import (
	"slices"
	"testing"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// The dead-man timer cuts the pumps when its line stops in either state,
// whatever the software asks for.
func TestDeadmanCutsPumps(t *testing.T) {
	for _, level := range []int64{0, 1} {
		d := newDriver(t, exactWater(), readProfile(t, "testdata/conductive.yaml"), 1)
		d.set(rig.PumpDrip, int64(30*rig.MlPerMin))
		d.set(rig.PumpSpray, int64(5*rig.MlPerMin))
		d.run(6 * time.Second)
		d.set(rig.Deadman, level)
		d.mute = true
		want := []string{rig.PumpDrip, rig.PumpSpray}
		d.run(399 * time.Millisecond) // the last toggle was up to 100 ms ago
		if got := d.b.Energised(); !slices.Equal(got, want) {
			t.Errorf("energised %v, want %v", got, want)
		}
		d.run(102 * time.Millisecond)
		d.set(rig.PumpDrip, int64(30*rig.MlPerMin))
		if got := d.b.Energised(); len(got) > 0 {
			t.Errorf("with the line stopped at %d %v stay energised", level, got)
		}
		d.run(time.Second)
		before := d.gateCount()
		d.run(5 * time.Second)
		if n := d.gateCount() - before; n > 0 {
			t.Errorf("%d drops fall", n)
		}
		d.mute = false
		d.run(time.Second)
		if d.gateCount() == before {
			t.Error("nothing falls although the line toggles again")
		}
	}
}

// Before the first toggle the pumps are dead, but not without a dead-man.
func TestDeadmanAtFirst(t *testing.T) {
	c := Default()
	for _, fitted := range []bool{true, false} {
		if !fitted {
			c.Deadman = 0
		}
		d := newDriver(t, c, readProfile(t, "testdata/conductive.yaml"), 1)
		d.mute = true
		d.set(rig.PumpDrip, int64(30*rig.MlPerMin))
		d.run(time.Second)
		if got := len(d.b.Energised()) > 0; got == fitted {
			t.Errorf("with a dead-man %v, the pump is energised: %v", fitted, got)
		}
	}
}

// The test line opens the loops that it has a contact in, closes them again,
// and neither cuts nor energises anything.
func TestLoopTest(t *testing.T) {
	d := newDriver(t, Default(), readProfile(t, "testdata/conductive.yaml"), 1)
	d.power()
	on := d.b.Energised()
	d.set(rig.LoopTest, 1)
	d.run(7 * time.Millisecond)
	if n := len(d.edges(rig.EStop)); n > 0 {
		t.Errorf("%d edges before the relay has moved", n)
	}
	d.run(20 * time.Millisecond)
	if got := d.b.Energised(); !slices.Equal(got, on) {
		t.Errorf("energised %v, want %v as before", got, on)
	}
	d.set(rig.LoopTest, 0)
	d.run(30 * time.Millisecond)
	for line, want := range map[string][]int64{rig.EStop: {0, 1}, rig.Tray: {0, 1}, rig.Lid: nil, rig.Reservoir: nil} {
		if got := d.edges(line); !slices.Equal(got, want) {
			t.Errorf("%s went to %v, want %v", line, got, want)
		}
	}
	if _, err := d.b.Set(d.ctx, chLoopTest, 2); err == nil {
		t.Error("a level of 2 was taken")
	}
}

// The emergency stop cuts pumps and supply by itself.
func TestEmergencyStop(t *testing.T) {
	c := Default()
	c.Faults = map[string]Fault{"estop_pressed": {From: 10 * time.Second}}
	d := newDriver(t, c, readProfile(t, "testdata/conductive.yaml"), 1)
	d.power()
	d.set(rig.PumpDrip, int64(30*rig.MlPerMin))
	d.set(rig.ValveAir, 1)
	d.run(3 * time.Second)
	if got, want := d.b.Energised(), []string{rig.PumpDrip, rig.ValveAir, rig.SupplySet}; !slices.Equal(got, want) {
		t.Fatalf("energised %v, want %v", got, want)
	}
	if _, ok := d.edge(rig.EStop, 0, 10*time.Second); !ok {
		t.Fatal("no edge")
	}
	if got, want := d.b.Energised(), []string{rig.ValveAir}; !slices.Equal(got, want) {
		t.Errorf("energised %v after the emergency stop, want %v", got, want)
	}
	d.run(20 * time.Second)
	if v := d.ask(rig.Rail); v > int64(physic.Volt) {
		t.Errorf("the rail is still at %v", physic.ElectricPotential(v))
	}
}
