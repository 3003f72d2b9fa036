package measure_test

import (
	"iter"
	"reflect"
	"testing"
	"time"

	"drench/results/measure"
	"drench/results/safety"
	"drench/rig"
	"drench/rig/interlock"
	"drench/rig/timeline"
)

// fuzzedHeader is of a rig with one channel of each sort.
func fuzzedHeader() timeline.Header {
	return timeline.Header{
		Channels: []rig.Channel{
			{Name: rig.Detect, Dir: rig.Input}, {Name: rig.Heartbeat, Dir: rig.Input}, {Name: rig.Witness, Dir: rig.Input},
			{Name: rig.DropGate, Dir: rig.Input}, {Name: rig.EStop, Dir: rig.Input},
			{Name: rig.PumpDrip, Dir: rig.Output, Unit: rig.LitreRate, Hazard: rig.Pump}, {Name: rig.ValveAir, Dir: rig.Output, Hazard: rig.Valve},
			{Name: rig.RelayDUT, Dir: rig.Output, Hazard: rig.Supply}, {Name: rig.SupplySet, Dir: rig.Output, Unit: rig.Volt, Hazard: rig.Supply},
			{Name: rig.Rail, Dir: rig.Gauge, Unit: rig.Volt}, {Name: rig.DUTEnergy, Dir: rig.Gauge, Unit: rig.Joule},
			{Name: rig.AirTemp, Dir: rig.Gauge, Unit: rig.Kelvin}, {Name: rig.AirRH, Dir: rig.Gauge, Unit: rig.RelHum}, {Name: rig.PlateTemp, Dir: rig.Gauge, Unit: rig.Kelvin},
			{Name: rig.UART, Dir: rig.Text, Unit: rig.Chars},
		},
		Device: rig.DUT{Sampling: rig.SamplingSpec{Period: 2 * time.Second, Readings: 2},
			UART: rig.UARTSpec{Reading: `raw=(?P<raw>\d+) diff=(?P<diff>-?\d+)`, Banner: "^up", Settings: `gain=(?P<gain>\d+)`}},
		Interlock: interlock.Config{Inputs: []string{rig.EStop}, PumpOn: time.Minute, Volume: 100 * rig.Millilitre},
	}
}

// fuzzedTexts are texts that events carry.
var fuzzedTexts = []string{"", `{"kind":"wet","within":6000000000,"dose":200000}`, `{"kind":"decoy","within":5000000000}`, `{"kind":"release","within":60000000000}`,
	`{"kind":"dip","dip":{"shape":"dip","level_mv":1300,"from_mv":3300,"width":100000000}}`, `{"kind":`, "raw=512 diff=3", "raw=99999999999999999999 diff=-1", "up fw=1", "gain=4", "drying", "quiet", "x"}

// eventsFrom makes seven bytes an event.
func eventsFrom(b []byte, channels int) iter.Seq2[rig.Event, error] {
	return func(yield func(rig.Event, error) bool) {
		var at rig.Instant
		for ; len(b) >= 7; b = b[7:] {
			at += rig.Instant(b[2]) << (b[3] % 34)
			ev := rig.Event{At: at, Kind: rig.Kind(1 + b[0]%12), Channel: rig.ID(int(b[1]) % channels), Value: int64(int8(b[4])) << (b[5] % 56), Text: fuzzedTexts[int(b[6])%len(fuzzedTexts)]}
			if !yield(ev, nil) {
				return
			}
		}
	}
}

// FuzzExtract: no sequence of events, however senseless, upsets what reads it,
// and the same events give the same measures.
func FuzzExtract(f *testing.F) {
	f.Add([]byte{4, 0, 0, 0, 1, 0, 1, 1, 5, 200, 22, 10, 40, 0, 0, 0, 250, 22, 1, 0, 0, 5, 0, 100, 24, 1, 0, 0, 10, 0, 1, 0, 0, 0, 0})
	f.Fuzz(func(t *testing.T, b []byte) {
		h := fuzzedHeader()
		first, err := measure.Extract(h, eventsFrom(b, len(h.Channels)))
		if err != nil {
			return
		}
		again, err := measure.Extract(h, eventsFrom(b, len(h.Channels)))
		if err != nil || !reflect.DeepEqual(first, again) {
			t.Errorf("read twice: %+v\nand %+v, %v", first, again, err)
		}
		limits := safety.Limits{Inputs: h.Interlock.Inputs, PumpOn: h.Interlock.PumpOn, Volume: h.Interlock.Volume}
		r, err := safety.Check(h, limits, eventsFrom(b, len(h.Channels)))
		if err == nil && (len(r.Findings) > 0) != (r.Breaches > 0) {
			t.Errorf("%d findings of %d breaches", len(r.Findings), r.Breaches)
		}
	})
}
