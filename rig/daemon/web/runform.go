package web

import (
	"fmt"
	"net/http"
	"path"
	"strconv"
	"strings"

	"drench/rig/daemon"
)

// runForm asks for a run. What was typed stays in it when something is wrong.
type runForm struct {
	Scenario, DUT, Profile, Trials, Seed, Limits, Settings, Fault, Tags string

	Scenarios, Profiles, LimitsFiles []string // to choose from
	Virtual                          bool     // faults can be put in
	Problems                         []string
}

// offer fills in what there is to choose from.
func (f *runForm) offer(files []daemon.File, virtual bool) {
	f.Virtual = virtual
	f.Scenarios, f.LimitsFiles, f.Profiles = byKind(files)
}

// byKind sorts files into scenarios, limits and profiles. Scenarios are called
// as requests call them: without the ending.
func byKind(files []daemon.File) (scenarios, limits, profiles []string) {
	for _, f := range files {
		switch path.Ext(f.Name) {
		case ".star":
			scenarios = append(scenarios, scenarioName(f))
		case ".limits":
			limits = append(limits, f.Name)
		case ".yaml":
			profiles = append(profiles, f.Name)
		}
	}
	return scenarios, limits, profiles
}

// scenarioName is what a request calls a script: a stock one by its bare
// name, a kept one by its file's.
func scenarioName(f daemon.File) string {
	if f.Stock {
		return strings.TrimSuffix(f.Name, ".star")
	}
	return f.Name
}

func readRunForm(r *http.Request) runForm {
	v := func(name string) string { return strings.TrimSpace(r.FormValue(name)) }
	return runForm{Scenario: v("scenario"), DUT: v("dut"), Profile: v("profile"), Trials: v("trials"), Seed: v("seed"),
		Limits: v("limits"), Settings: r.FormValue("settings"), Fault: v("fault"), Tags: v("tags")}
}

// request reads the form; problems say what in it is no request.
func (f runForm) request() (daemon.Request, []string) {
	q := daemon.Request{Scenario: f.Scenario, DUT: f.DUT, Profile: f.Profile, Limits: f.Limits, Fault: f.Fault, Tags: splitList(f.Tags)}
	var wrong []string
	if f.Scenario == "" {
		wrong = append(wrong, "scenario: none is chosen; expected one of the list")
	}
	if f.Trials != "" {
		n, err := strconv.Atoi(f.Trials)
		if err != nil || n < 1 {
			wrong = append(wrong, fmt.Sprintf("trials: %q; expected a whole number from 1, or nothing for as many as the script says", f.Trials))
		}
		q.Trials = n
	}
	if f.Seed != "" {
		n, err := strconv.ParseUint(f.Seed, 10, 64)
		if err != nil {
			wrong = append(wrong, fmt.Sprintf("seed: %q; expected a whole number from 0, or nothing for a new one", f.Seed))
		}
		q.Seed = &n
	}
	settings, more := splitPairs(splitList(f.Settings), "settings")
	q.Settings = settings
	return q, append(wrong, more...)
}

func (s *site) enqueue(w http.ResponseWriter, r *http.Request) error {
	form := readRunForm(r)
	q, wrong := form.request()
	if len(wrong) == 0 {
		_, err := s.Bench.Enqueue(r.Context(), who(r), q)
		if err == nil {
			return done(w, r, "/", "queued")
		}
		var ok bool
		if wrong, ok = problems(err); !ok {
			return err
		}
	}
	form.Problems = wrong
	return s.showNow(w, r, http.StatusUnprocessableEntity, form)
}
