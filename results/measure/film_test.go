package measure

import (
	"math"
	"testing"
	"time"

	"drench/results/verdict"
	"drench/rig"
)

// airAndPlate reads the chamber every second in [from, to): air at 25 °C and
// 80 %, the plate at 10 °C, which is 300.041 g/(m² h) of condensate at
// h = 10 W/(m² K) (worked from Hyland and Wexler's saturation pressures and the
// analogy of Chilton and Colburn).
func airAndPlate(s *story, from, to time.Duration, plate int64) {
	for at := from; at < to; at += sec {
		s.reading(at, rig.AirTemp, 298_150_000_000)
		s.reading(at, rig.AirRH, 8_000_000)
		s.reading(at, rig.PlateTemp, plate)
	}
}

const (
	flux      = 8.33448587e-5 * 1e9 // µg/(m² s)
	coldPlate = 283_150_000_000
	warmPlate = 299_150_000_000
)

func filmStory(t *testing.T, film rig.Film, detect time.Duration, u rig.Share) *Set {
	t.Helper()
	s := newStory(t, rig.Detect, rig.AirTemp, rig.AirRH, rig.PlateTemp)
	s.header.Calibration.Chamber.TransferU = u
	s.begin(100*sec, rig.Trial{Kind: rig.Wet, Film: film})
	for at := 100 * sec; at < 700*sec; at += 10 * sec {
		if detect >= at && detect < at+10*sec {
			airAndPlate(s, at, detect, coldPlate)
			s.edge(detect, rig.Detect, 1)
			airAndPlate(s, detect.Truncate(sec)+sec, at+10*sec, coldPlate)
			continue
		}
		airAndPlate(s, at, at+10*sec, coldPlate)
	}
	s.end(700 * sec)
	s.close(710 * sec)
	return s.set()
}

func TestFilm(t *testing.T) {
	for _, c := range []struct {
		name    string
		film    rig.Film
		detect  time.Duration
		u       rig.Share
		verdict verdict.Verdict
		reason  string
		mass    float64 // g/m²
		missed  int     // -1: in doubt
		reached time.Duration
	}{
		// 300.5 s after it began the film has 25.045 g/m².
		{"in time", 30 * rig.GramPerM2, 400500 * ms, 0, verdict.Pass, "", 25.04513, 0, 459950 * ms},
		{"too late", 20 * rig.GramPerM2, 400500 * ms, 0, verdict.Fail, "detected only when the film had 25.05 g/m²", 25.04513, 1, 339966 * ms},
		{"in time in spite of the uncertainty", 40 * rig.GramPerM2, 400500 * ms, 15e7, verdict.Pass, "", 25.04513, 0, 579933 * ms},
		{"straddles", 30 * rig.GramPerM2, 400500 * ms, 15e7, verdict.Inconc,
			"the film's uncertainty straddles what had to be detected: 25.05 g/m², standard uncertainty 3.757 g/m²", 25.04513, -1, 459950 * ms},
		// To the end of the trial: 600 s, 50.007 g/m².
		{"never", 30 * rig.GramPerM2, 0, 0, verdict.Fail, "not detected, with a film of 50.01 g/m²", 50.00692, 1, 459950 * ms},
		{"film too thin", 60 * rig.GramPerM2, 0, 0, verdict.Inconc, "the film reached only 50.01 g/m² of 60 g/m²", 50.00692, -1, 0},
	} {
		set := filmStory(t, c.film, c.detect, c.u)
		trial := set.Trials[0]
		if trial.Verdict != c.verdict || trial.Reason != c.reason {
			t.Errorf("%s: %v, %q; want %v, %q", c.name, trial.Verdict, trial.Reason, c.verdict, c.reason)
		}
		m := find(t, set, Film).Samples[0]
		if math.Abs(float64(m.Value)-c.mass*1e6) > 10 || m.Censored != (c.detect == 0) || math.Abs(float64(trial.Film)-c.mass*1e6) > 10 {
			t.Errorf("%s: film %+v; want %v g/m²", c.name, m, c.mass)
		}
		if want := c.mass * 1e6 * float64(c.u) / 1e9; math.Abs(float64(m.U)-want) > 10 {
			t.Errorf("%s: u is %d; want %v", c.name, m.U, want)
		}
		missed := find(t, set, Missed)
		if c.missed < 0 {
			equal(t, c.name+": missed in doubt", missed.Inconc, 1)
		} else {
			equal(t, c.name+": missed", missed.Count, c.missed)
			equal(t, c.name+": of", missed.N, 1)
		}
		noMeasure(t, set, Latency)
		if c.reached == 0 {
			equal(t, c.name+": wetting", trial.Wetting == nil, true)
			continue
		}
		if trial.Wetting == nil || math.Abs(float64(trial.Wetting.At.Sub(rig.Instant(c.reached)))) > 1e6 || trial.Wetting.Source != FromClimate {
			t.Errorf("%s: wetting %+v; want at %v", c.name, trial.Wetting, c.reached)
		}
		if want := float64(c.film) / flux * float64(c.u); trial.Wetting != nil && math.Abs(float64(trial.Wetting.U)-want) > 1e-2*want {
			t.Errorf("%s: wetting's u %v; want %v", c.name, trial.Wetting.U, time.Duration(want))
		}
	}
}

// Gauge errors shift the whole integral; a shift of the plate by 1 K is taken
// from the formula itself, as the difference of two fluxes.
func TestFilmGaugeUncertainty(t *testing.T) {
	f := newFilm(rig.ChamberCal{Transfer: 10_000, PlateU: 1e9})
	for i := range 61 {
		at := rig.Instant(i) * 1e9
		f.reading(airTemp, at, 298_150_000_000)
		f.reading(airHumidity, at, 8_000_000)
		f.reading(plateTemp, at, coldPlate)
	}
	mass, u := f.massAt(60e9)
	warmer := climate{298.15, 0.8, 284.15}.flux(f.cal)
	if math.Abs(mass-60*flux) > 1 || math.Abs(u-60*(flux-warmer)) > 1 {
		t.Errorf("mass %v, u %v; want %v, %v", mass, u, 60*flux, 60*(flux-warmer))
	}
}

// A warm plate has no dew: a detect edge there is a false alarm. A film that
// evaporates ends at nothing.
func TestFilmDry(t *testing.T) {
	s := newStory(t, rig.Detect, rig.AirTemp, rig.AirRH, rig.PlateTemp)
	s.begin(0, rig.Trial{Kind: rig.Wet, Film: 30 * rig.GramPerM2})
	airAndPlate(s, 0, 10*sec, warmPlate)
	s.edge(10*sec, rig.Detect, 1)
	airAndPlate(s, 11*sec, 20*sec, coldPlate)
	s.end(20 * sec)
	s.close(30 * sec)
	set := s.set()
	equal(t, "verdict", set.Trials[0].Verdict, verdict.Fail)
	equal(t, "alarms", find(t, set, FalseAlarms).Count, 1)
	equal(t, "doubt", find(t, set, Film).Inconc, 1)

	f := newFilm(s.header.Calibration.Chamber)
	for i, plate := range []int64{coldPlate, coldPlate, warmPlate, warmPlate, warmPlate, warmPlate} {
		at := rig.Instant(i) * 100e9
		f.reading(airTemp, at, 298_150_000_000)
		f.reading(airHumidity, at, 8_000_000)
		f.reading(plateTemp, at, plate)
	}
	if m, _ := f.massAt(600e9); m != 0 {
		t.Errorf("after drying the film has %v", m)
	}
}

func TestFilmWithoutClimate(t *testing.T) {
	s := newStory(t, rig.Detect, rig.AirTemp, rig.AirRH, rig.PlateTemp)
	s.begin(0, rig.Trial{Kind: rig.Wet, Film: 30 * rig.GramPerM2})
	s.reading(0, rig.AirTemp, 298_150_000_000)
	s.reading(0, rig.AirRH, 8_000_000)
	s.reading(0, rig.PlateTemp, -5) // below absolute zero: a broken gauge
	s.edge(10*sec, rig.Detect, 1)
	s.end(20 * sec)
	s.close(30 * sec)
	set := s.set()
	equal(t, "verdict", set.Trials[0].Verdict, verdict.Inconc)
	equal(t, "reason", set.Trials[0].Reason, "air temperature, humidity or plate temperature was not read")
	noMeasure(t, set, FalseAlarms)
}
