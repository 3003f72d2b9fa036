package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"drench/drivers/virtual"
	"drench/results/limits"
	"drench/results/store"
	"drench/rig/calibration"
	"drench/rig/config"
	"drench/rig/daemon"
	"drench/rig/timeline"
	"drench/scenarios"
)

// Files that a daemon keeps, by what they are for.
const (
	scriptFile  = ".star"
	limitsFile  = ".limits"
	profileFile = ".yaml"
)

// prepare reads and checks all that a request needs.
func (s *served) prepare(ctx context.Context, r daemon.Request) (*job, error) {
	b := *s.bench
	if r.Fault != "" && b.isReal() {
		return nil, errors.New("a fault is for a virtual bench, and this one is real; expected none")
	}
	if r.Fault != "" {
		if err := b.world.SetFault(r.Fault); err != nil {
			return nil, err
		}
	}
	src, err := s.profile(ctx, r.Profile)
	if err != nil {
		return nil, err
	}
	if err := b.profiled(src, r.Settings); err != nil {
		return nil, err
	}
	j := &job{bench: &b, dut: r.DUT, tags: r.Tags}
	if j.dut == "" {
		j.dut = b.device.Name
	}
	if j.script, err = s.script(ctx, r.Scenario); err != nil {
		return nil, err
	}
	if err := j.script.Check(s.table); err != nil {
		return nil, err
	}
	j.counts = j.script.Scale(r.Trials)
	name, text, err := s.limits(ctx, r.Limits, j.script)
	if err != nil {
		return nil, err
	}
	j.limitsText = []byte(text)
	j.limits, err = limits.Parse(name, j.limitsText)
	return j, err
}

// script finds a scenario, stock or kept, by its name with or without the
// file's extension.
func (s *served) script(ctx context.Context, name string) (*scenarios.Script, error) {
	bare := strings.TrimSuffix(name, scriptFile)
	if slices.Contains(scenarios.Stock(), bare) {
		return scenarios.Load(bare)
	}
	file := bare + scriptFile
	f, err := s.st.File(ctx, file)
	if errors.Is(err, store.ErrNoFile) {
		return nil, fmt.Errorf("no scenario is called %q; expected one of %s, or a script kept here", name, strings.Join(scenarios.Stock(), ", "))
	}
	if err != nil {
		return nil, err
	}
	return scenarios.Parse(bare, file, []byte(f.Text))
}

// limits finds limits by name, or those that go with a script if name is "".
func (s *served) limits(ctx context.Context, name string, script *scenarios.Script) (file, text string, err error) {
	own := name == ""
	if own {
		name = script.Name
	}
	bare := strings.TrimSuffix(name, limitsFile)
	if slices.Contains(scenarios.Stock(), bare) {
		stock, err := scenarios.Load(bare)
		if err != nil {
			return "", "", err
		}
		file, text, _, err := stock.DefaultLimits()
		return file, string(text), err
	}
	file = bare + limitsFile
	f, err := s.st.File(ctx, file)
	switch {
	case errors.Is(err, store.ErrNoFile) && own:
		err = fmt.Errorf("%s has no limits: expected a file %s kept here, or other limits to be named", script.File, file)
	case errors.Is(err, store.ErrNoFile):
		err = fmt.Errorf("no limits are called %q; expected those of %s, or a file kept here", name, strings.Join(scenarios.Stock(), ", "))
	}
	return file, f.Text, err
}

// profile finds a profile by name, or the rig file's if name is "".
func (s *served) profile(ctx context.Context, name string) (config.Source, error) {
	if name == "" {
		return s.bench.rig.ProfileSource()
	}
	bare := strings.TrimSuffix(name, profileFile)
	if slices.Contains(config.StockProfiles(), bare) {
		return config.StockProfile(bare)
	}
	file := bare + profileFile
	f, err := s.st.File(ctx, file)
	if errors.Is(err, store.ErrNoFile) {
		err = fmt.Errorf("no profile is called %q; expected one of %s, or a profile kept here", name, strings.Join(config.StockProfiles(), ", "))
	}
	return config.NewSource(file, f.Text), err
}

// Check implements daemon.Workshop.
func (s *served) Check(ctx context.Context, r daemon.Request) []string {
	fault := r.Fault
	if fault != "" && !s.bench.isReal() {
		world := virtual.Default()
		if err := world.SetFault(fault); err != nil {
			return lines(err)
		}
		r.Fault = "" // with it the rehearsal would show the fault, not what is wrong
	}
	j, err := s.prepare(ctx, r)
	if err != nil {
		return lines(err)
	}
	return lines(s.rehearsed(ctx, j))
}

// lines are what an error says, a line each, as drench check prints them.
func lines(err error) []string {
	if err == nil {
		return nil
	}
	return strings.Split(err.Error(), "\n")
}

const mostChecked = 256

// rehearsed runs a job with few trials on the virtual bench. The same job
// gives the same every time, so it is done once.
func (s *served) rehearsed(ctx context.Context, j *job) error {
	key := j.script.Hash() + j.bench.profile.SHA256
	s.mu.Lock()
	err, done := s.checked[key]
	s.mu.Unlock()
	if done {
		return err
	}
	select {
	case s.rehearsing <- struct{}{}:
		defer func() { <-s.rehearsing }()
	case <-ctx.Done():
		return ctx.Err()
	}
	r := *j
	r.counts, r.seed = r.script.Scale(1), 1
	_, cut, err := r.rehearse(ctx, timeline.Discard{}, nil)
	if err = errors.Join(cut, err); ctx.Err() != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.checked) >= mostChecked {
		clear(s.checked)
	}
	s.checked[key] = err
	return err
}

// CheckFile implements daemon.Workshop.
func (s *served) CheckFile(ctx context.Context, name, text string) []string {
	switch filepath.Ext(name) {
	case limitsFile:
		_, err := limits.Parse(name, []byte(text))
		return lines(err)
	case scriptFile:
		return lines(s.checkScript(ctx, name, text))
	case profileFile:
		return lines(s.checkProfile(name, text))
	}
	return []string{fmt.Sprintf("%s: nothing is known of such files; expected %s, %s or %s", name, scriptFile, limitsFile, profileFile)}
}

func (s *served) checkScript(ctx context.Context, name, text string) error {
	script, err := scenarios.Parse(strings.TrimSuffix(name, scriptFile), name, []byte(text))
	if err != nil {
		return err
	}
	if err := script.Check(s.table); err != nil {
		return err
	}
	return s.rehearsed(ctx, &job{bench: s.bench, script: script, dut: "rehearsal"})
}

func (s *served) checkProfile(name, text string) error {
	if kind := config.KindOf([]byte(text)); kind != config.Profile {
		return fmt.Errorf("%s:1:1: this is no DUT profile; expected one, with the DUT's name, supply and sampling", name)
	}
	b := *s.bench
	return b.profiled(config.NewSource(name, text), nil)
}

// Stock implements daemon.Workshop.
func (s *served) Stock() []daemon.File {
	var list []daemon.File
	add := func(name string, text []byte) {
		list = append(list, daemon.File{Name: name, Text: string(text), Stock: true})
	}
	for _, name := range scenarios.Stock() {
		script, err := scenarios.Load(name)
		if err != nil {
			continue // the tests load them all
		}
		add(script.File, script.Text)
		if file, text, ok, err := script.DefaultLimits(); ok && err == nil {
			add(file, text)
		}
	}
	for _, name := range config.StockProfiles() {
		if src, err := config.StockProfile(name); err == nil {
			add(name+profileFile, src.Text)
		}
	}
	return list
}

// previewColumns suit a page.
const previewColumns = 100

// Preview implements daemon.Workshop.
func (s *served) Preview(ctx context.Context, name string) (daemon.Preview, error) {
	script, err := s.script(ctx, name)
	if err != nil {
		return daemon.Preview{}, fmt.Errorf("%w: %w", daemon.ErrNotFound, err)
	}
	p := daemon.Preview{Name: script.Name, About: script.About}
	if err := script.Check(s.table); err != nil {
		p.Problems = lines(err)
		return p, nil
	}
	j := &job{bench: s.bench, script: script, counts: script.Scale(2), dut: "preview", seed: 1}
	var drawn bytes.Buffer
	p.Problems = lines(j.preview(ctx, &drawn, previewColumns))
	p.Lines = strings.Split(strings.TrimRight(drawn.String(), "\n"), "\n")
	return p, ctx.Err()
}

// Calibrations implements daemon.Workshop.
func (s *served) Calibrations(context.Context) ([]daemon.Calibration, error) {
	var list []daemon.Calibration
	for i, standing := range calibration.Standings(time.Now(), s.bench.records...) {
		r := s.bench.records[i]
		list = append(list, daemon.Calibration{What: standing.What, File: r.Source.Name, By: r.By, At: r.Date.Time(), Expires: r.Expires.Time(), State: standing.State})
	}
	return list, nil
}

// Rejudge implements daemon.Workshop.
func (s *served) Rejudge(ctx context.Context, run int64, name string) (int64, error) {
	r, err := s.st.Get(ctx, run)
	if err != nil {
		return 0, err
	}
	file, text := r.LimitsName, r.LimitsText
	if name != "" {
		if file, text, err = s.limits(ctx, name, nil); err != nil {
			return 0, &daemon.BadRequest{Problems: lines(err)}
		}
	}
	f, err := limits.Parse(file, []byte(text))
	if err != nil {
		return 0, &daemon.BadRequest{Problems: lines(err)}
	}
	in, err := judge(ctx, s.st, run, f)
	if err != nil {
		return 0, err
	}
	body, err := json.Marshal(in.Judgement)
	if err != nil {
		return 0, fmt.Errorf("keep the judgement: %w", err)
	}
	return s.st.AddJudgement(ctx, store.Judgement{Run: run, At: time.Now().UTC(), LimitsName: file, LimitsText: text,
		Verdict: in.Judgement.Verdict, Reason: in.Judgement.Reason, Body: body})
}
