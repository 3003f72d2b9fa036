package measure

import (
	"fmt"
	"math"
	"time"

	"drench/results/verdict"
	"drench/rig"
)

// film integrates the condensate on the plate, by the trapezoid rule over the
// readings of air and plate. It does so four times, with each gauge in turn off
// by its standard uncertainty, as such an error stays for the whole trial
// (JCGM 100, 5.1.3 with note 2: the partial derivatives as differences).
type film struct {
	cal   rig.ChamberCal
	now   climate
	known map[role]bool
	at    when
	mass  [4]float64 // µg/m²
	flux  [4]float64 // µg/(m² s)
}

func newFilm(cal rig.ChamberCal) *film { return &film{cal: cal, known: map[role]bool{}} }

// reading takes a gauge's reading in the nano unit of its channel.
func (f *film) reading(r role, at rig.Instant, v int64) {
	switch r {
	case airTemp:
		f.now.air = float64(v) / 1e9
	case airHumidity:
		f.now.humidity = float64(v) / 1e7
	case plateTemp:
		f.now.plate = float64(v) / 1e9
	default:
		return
	}
	f.known[r] = true
	if len(f.known) < 3 || !f.now.plausible() {
		return
	}
	next := f.fluxes()
	if f.at.ok && at > f.at.at {
		dt := at.Sub(f.at.at).Seconds()
		for i := range f.mass {
			f.mass[i] = max(0, f.mass[i]+float64(dt*(f.flux[i]+next[i])/2))
		}
	}
	if !f.at.ok || at > f.at.at {
		f.at = when{at, true}
	}
	f.flux = next
}

func (f *film) fluxes() [4]float64 {
	t, h, p := float64(f.cal.AirTempU)/1e9, float64(f.cal.AirRHU)/1e7, float64(f.cal.PlateU)/1e9
	off := [4]climate{f.now, f.now, f.now, f.now}
	off[1].air += t
	off[2].humidity += h
	off[3].plate += p
	var flux [4]float64
	for i, c := range off {
		flux[i] = c.flux(f.cal)
	}
	return flux
}

// massAt returns the film at an instant shortly after the last reading, and
// its standard uncertainty, both in µg/m².
func (f *film) massAt(at rig.Instant) (mass, u float64) {
	dt := 0.0
	if f.at.ok && at > f.at.at {
		dt = at.Sub(f.at.at).Seconds()
	}
	var m [4]float64
	for i := range m {
		m[i] = max(0, f.mass[i]+float64(dt*f.flux[i]))
	}
	rel := m[0] * float64(f.cal.TransferU) / 1e9
	sum := float64(rel * rel)
	for _, other := range m[1:] {
		sum += float64((other - m[0]) * (other - m[0]))
	}
	return m[0], math.Sqrt(sum)
}

// filmWatch follows a condensation trial: water comes from the air, and the
// DUT must have detected it by the time the film has the mass that the trial
// names. That instant stands as the trial's wetting instant.
type filmWatch struct {
	deaf
	scene
	film    *film
	reached *Wetting
	seen    when // detect edge
	mass, u float64
	early   bool // it came while there was no dew
}

func (w *filmWatch) dry() bool { return w.film.at.ok && w.film.mass[0] == 0 }

func (w *filmWatch) reading(r role, at rig.Instant, v int64) {
	before, from := w.film.mass[0], w.film.at.at
	w.film.reading(r, at, v)
	after, target := w.film.mass[0], float64(w.spec.Film)
	if w.reached != nil || after < target || after <= before {
		return
	}
	share := (target - before) / (after - before)
	reached := from.Add(time.Duration(math.Round(share * float64(at.Sub(from)))))
	_, u := w.film.massAt(at)
	slope := (after - before) / at.Sub(from).Seconds()
	w.reached = &Wetting{At: reached, U: time.Duration(math.Round(u / slope * 1e9)), Source: FromClimate}
}

func (w *filmWatch) edge(r role, at rig.Instant, level int64) {
	if r != detectLine || level == 0 || w.seen.ok {
		return
	}
	w.early = w.dry()
	w.seen = when{at, true}
	w.mass, w.u = w.film.massAt(at)
}

func (w *filmWatch) finish(t *Trial) []finding {
	if !w.seen.ok {
		w.mass, w.u = w.film.massAt(t.End)
	}
	t.Detected, t.DetectAt, t.Wetting = w.seen.ok, w.seen.at, w.reached
	t.Film = rig.Film(math.Round(w.mass))
	switch {
	case w.detect != 0:
		return inconclusive(t, notCleared, Missed, Film)
	case !w.film.at.ok:
		return inconclusive(t, "air temperature, humidity or plate temperature was not read", Missed, Film)
	case w.early:
		t.set(verdict.Fail, "detected before there was any dew")
		return append(inconclusive(t, beforeWater, Missed, Film), finding{measure: FalseAlarms, sure: true})
	}
	sample := finding{measure: Film, sample: &Sample{Value: int64(t.Film), U: int64(math.Round(w.u)), Censored: !w.seen.ok}}
	return []finding{w.judge(t), sample}
}

// judge compares the film with what had to be detected; the guard band is that
// of ISO 14253-1.
func (w *filmWatch) judge(t *Trial) finding {
	target, g := float64(w.spec.Film), float64(Guard*w.u)
	switch {
	case w.mass-g >= target && w.seen.ok:
		t.set(verdict.Fail, fmt.Sprintf("detected only when the film had %v", t.Film))
		return finding{measure: Missed, bad: true}
	case w.mass-g >= target:
		t.set(verdict.Fail, fmt.Sprintf("not detected, with a film of %v", t.Film))
		return finding{measure: Missed, bad: true}
	case w.seen.ok && w.mass+g <= target:
		t.set(verdict.Pass, "")
		return finding{measure: Missed}
	case w.seen.ok:
		why := "the film's uncertainty straddles what had to be detected"
		t.set(verdict.Inconc, fmt.Sprintf("%s: %v, standard uncertainty %v", why, t.Film, rig.Film(math.Round(w.u))))
		return finding{measure: Missed, doubt: why}
	}
	t.set(verdict.Inconc, fmt.Sprintf("the film reached only %v of %v", t.Film, w.spec.Film))
	return finding{measure: Missed, doubt: "the film stayed below what had to be detected"}
}
