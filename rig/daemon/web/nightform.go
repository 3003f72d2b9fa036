package web

import (
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"drench/rig/daemon"
	"drench/rig/daemon/access"
)

// nightForm makes or changes a night. What was typed stays in it when
// something is wrong.
type nightForm struct {
	New                                     bool
	Name, Cron, Zone, DUT, Trials, Baseline string
	Settings, Limits, Tags, Webhooks        string
	Scenarios, Profiles                     []choice
	Off                                     bool
	Commands                                int // hooks that are commands; pages don't change those

	When     when
	Problems []string
}

// choice is something to tick.
type choice struct {
	Name   string
	Ticked bool
}

// when is what a schedule means.
type when struct {
	Plan   string
	Starts []time.Time
	Wrong  string
}

func (s *site) when(spec, zone string) when {
	starts, err := daemon.Night{Cron: spec, Zone: zone}.Starts(s.Now(), 3)
	if err != nil {
		return when{Wrong: err.Error()}
	}
	return when{Plan: explainCron(spec), Starts: starts}
}

// starts says what a schedule means while it is being typed.
func (s *site) starts(w http.ResponseWriter, r *http.Request) error {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	if err := s.pages["nightform"].ExecuteTemplate(w, "when", s.when(strings.TrimSpace(r.FormValue("cron")), strings.TrimSpace(r.FormValue("zone")))); err != nil {
		return fmt.Errorf("write the starts: %w", err)
	}
	return nil
}

func (s *site) newNight(w http.ResponseWriter, r *http.Request) error {
	return s.showNightForm(w, r, 0, formOf(daemon.Night{Cron: "30 22 * * *"}, true))
}

func (s *site) editNight(w http.ResponseWriter, r *http.Request) error {
	n, err := s.nightOf(r)
	if err != nil {
		return err
	}
	return s.showNightForm(w, r, 0, formOf(n, false))
}

// asItIs is the line of settings that changes nothing.
const asItIs = "-"

// formOf is a night as its form shows it.
func formOf(n daemon.Night, isNew bool) nightForm {
	f := nightForm{New: isNew, Name: n.Name, Cron: n.Cron, Zone: n.Zone, DUT: n.DUT, Baseline: n.Baseline, Off: n.Off,
		Tags: strings.Join(n.Tags, ", "), Limits: joinPairs(n.Limits, "\n"), Scenarios: ticked(n.Scenarios), Profiles: ticked(n.Profiles)}
	if n.Trials > 0 {
		f.Trials = strconv.Itoa(n.Trials)
	}
	lines := make([]string, len(n.Settings))
	for i, set := range n.Settings {
		if lines[i] = joinPairs(set, ", "); len(set) == 0 {
			lines[i] = asItIs
		}
	}
	f.Settings = strings.Join(lines, "\n")
	var urls []string
	for _, h := range n.Hooks {
		if h.Command != "" {
			f.Commands++
		} else {
			urls = append(urls, hookText(h))
		}
	}
	f.Webhooks = strings.Join(urls, "\n")
	return f
}

func ticked(names []string) []choice {
	list := make([]choice, len(names))
	for i, n := range names {
		list[i] = choice{n, true}
	}
	return list
}

// sortedPairs writes key = value, in the order of keys.
func sortedPairs(pairs map[string]string) []string {
	list := make([]string, 0, len(pairs))
	for _, k := range slices.Sorted(maps.Keys(pairs)) {
		list = append(list, k+" = "+pairs[k])
	}
	return list
}

// offer adds what else there is to tick; what is ticked stays, in its order.
func offer(chosen []choice, all []string) []choice {
	for _, n := range all {
		if !slices.ContainsFunc(chosen, func(c choice) bool { return c.Name == n }) {
			chosen = append(chosen, choice{n, false})
		}
	}
	return chosen
}

func (s *site) showNightForm(w http.ResponseWriter, r *http.Request, status int, f nightForm) error {
	files, err := s.Bench.Files(r.Context())
	if err != nil {
		return err
	}
	scenarios, _, profiles := byKind(files)
	f.Scenarios, f.Profiles = offer(f.Scenarios, scenarios), offer(f.Profiles, profiles)
	f.When = s.when(f.Cron, f.Zone)
	t := "Change night " + f.Name
	if f.New {
		t = "A new night"
	}
	return s.show(w, r, view{page: "nightform", title: t, section: "nights", status: status, body: f})
}

func readNightForm(r *http.Request) (nightForm, error) {
	if err := r.ParseForm(); err != nil {
		return nightForm{}, err
	}
	v := func(name string) string { return strings.TrimSpace(r.PostForm.Get(name)) }
	return nightForm{New: v("new") != "", Name: v("name"), Cron: v("cron"), Zone: v("zone"), DUT: v("dut"), Trials: v("trials"), Baseline: v("baseline"),
		Settings: v("settings"), Limits: v("limits"), Tags: v("tags"), Webhooks: v("webhooks"), Off: v("off") != "",
		Scenarios: ticked(r.PostForm["scenario"]), Profiles: ticked(r.PostForm["profile"])}, nil
}

func names(list []choice) []string {
	var out []string
	for _, c := range list {
		out = append(out, c.Name)
	}
	return out
}

// night reads the form; problems say what in it is no night.
func (f nightForm) night() (daemon.Night, []string) {
	n := daemon.Night{Name: f.Name, Cron: f.Cron, Zone: f.Zone, Scenarios: names(f.Scenarios), Profiles: names(f.Profiles), DUT: f.DUT,
		Tags: splitList(f.Tags), Baseline: f.Baseline, Off: f.Off}
	var wrong []string
	if !access.PlainName(f.Name) {
		wrong = append(wrong, fmt.Sprintf("name: %q; expected letters, digits and . _ - between them, such as nightly", f.Name))
	}
	if len(n.Scenarios) == 0 {
		wrong = append(wrong, "scenarios: none is ticked; expected one at least")
	}
	if f.Trials != "" {
		t, err := strconv.Atoi(f.Trials)
		if err != nil || t < 1 {
			wrong = append(wrong, fmt.Sprintf("trials: %q; expected a whole number from 1, or nothing", f.Trials))
		}
		n.Trials = t
	}
	for i, line := range splitLines(f.Settings) {
		if line == asItIs {
			n.Settings = append(n.Settings, nil)
			continue
		}
		set, more := splitPairs(splitList(line), fmt.Sprintf("settings, line %d", i+1))
		n.Settings, wrong = append(n.Settings, set), append(wrong, more...)
	}
	limits, more := splitPairs(splitLines(f.Limits), "limits")
	n.Limits, wrong = limits, append(wrong, more...)
	for i, line := range splitLines(f.Webhooks) {
		h, err := readHook(line)
		if err != nil {
			wrong = append(wrong, fmt.Sprintf("webhooks, line %d: %v", i+1, err))
		}
		n.Hooks = append(n.Hooks, h)
	}
	return n, wrong
}

func (s *site) putNight(w http.ResponseWriter, r *http.Request) error {
	f, err := readNightForm(r)
	if err != nil {
		return err
	}
	n, wrong := f.night()
	if len(wrong) == 0 {
		wrong, err = s.merge(r, &n, f.New)
		if err != nil {
			return err
		}
	}
	if len(wrong) == 0 {
		err := s.Bench.PutNight(r.Context(), who(r), n)
		if err == nil {
			return done(w, r, "/nights/of/"+n.Name, "kept")
		}
		var ok bool
		if wrong, ok = problems(err); !ok {
			return err
		}
	}
	f.Problems = wrong
	return s.showNightForm(w, r, http.StatusUnprocessableEntity, f)
}
