package virtual

import (
	"testing"
	"time"

	"drench/rig"
)

func TestDoseIsDetected(t *testing.T) {
	p := readProfile(t, "testdata/conductive.yaml")
	d := newDriver(t, Default(), p, 1)
	d.power()
	d.prime()
	d.run(3 * time.Second)
	before := len(d.b.Truth())
	d.dose(50*rig.Microlitre, 30*rig.MlPerMin)
	if _, ok := d.edge(rig.Detect, 1, 4*time.Second); !ok {
		t.Error("three drops are not detected")
	}
	if n := len(d.b.Truth()); n != before+1 {
		t.Errorf("%d wettings, want %d", n, before+1)
	}
	d.dry()
	if v := d.ask(rig.Detect); v != 0 {
		if _, ok := d.edge(rig.Detect, 0, 3*time.Second); !ok {
			t.Error("detect does not clear")
		}
	}
}

// Eight hours of a thousand doses, each detected and dried.
func BenchmarkNight(b *testing.B) {
	p := readProfile(b, "testdata/conductive.yaml")
	b.ReportAllocs()
	for range b.N {
		d := newDriver(b, Default(), p, 1)
		d.forget = true
		d.power()
		d.prime()
		for i := range 1000 {
			next := rig.Instant(time.Duration(i+1) * 28800 * time.Millisecond)
			d.dose(100*rig.Microlitre, 30*rig.MlPerMin)
			if _, ok := d.edge(rig.Detect, 1, 4*time.Second); !ok {
				b.Fatalf("dose %d is not detected", i)
			}
			d.dry()
			d.until(next, func(rig.Event) bool { return false })
		}
		b.ReportMetric(float64(len(d.b.Truth())), "wettings")
	}
}
