package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"

	"drench/drivers/virtual"
	"drench/rig"
	"drench/rig/calibration"
	"drench/rig/config"
	"drench/rig/timeline"

	"github.com/spf13/cobra"
)

// bench is what a rig file and a profile describe, read and checked, not yet
// opened.
type bench struct {
	rig     *config.Loaded
	profile config.Source
	device  rig.DUT
	world   virtual.Config
	model   virtual.Model
	real    realConfig
	// records are the calibrations that the rig file refers to; what they say
	// is in rig.Calibration.
	records []*calibration.Record
	data    string // folder of the store
}

// isReal tells whether hardware is meant.
func (b *bench) isReal() bool { return b.rig.Bench == config.Real }

// loadBench reads rig file and profile, and puts a fault into the virtual
// bench if one is asked for.
func loadBench(cmd *cobra.Command, fault string) (*bench, error) {
	set, err := config.LoadSettings(cmd.Flags())
	if err != nil {
		return nil, err
	}
	b, err := readBench(set.Rig)
	if err != nil {
		return nil, err
	}
	b.data = set.Data
	if fault != "" && b.isReal() {
		return nil, errors.New("--fault is for a virtual bench, and this one is real; expected a rig file with bench: virtual")
	}
	if fault != "" {
		if err := b.world.SetFault(fault); err != nil {
			return nil, err
		}
	}
	return b, nil
}

// readBench reads a rig file, or the stock rig, and the profile that it names.
func readBench(path string) (*bench, error) {
	b := &bench{world: virtual.Default()}
	sections := map[string]any{"virtual": &b.world}
	maps.Copy(sections, b.real.sections())
	var err error
	if b.rig, err = config.LoadRig(path, sections); err != nil {
		return nil, err
	}
	if b.records, err = calibration.OfRig(b.rig); err != nil {
		return nil, err
	}
	b.rig.Calibration = calibration.Apply(b.rig.Calibration, b.records...)
	if err := checkBench(b.rig, b.world, &b.real); err != nil {
		return nil, err
	}
	b.device, b.profile, err = b.rig.LoadProfile(&b.model)
	return b, err
}

// running is a bench that is open.
type running interface {
	rig.Bench
	io.Closer
}

// connect brings the bench up, hardware or not.
func (b *bench) connect(ctx context.Context, seed uint64) (running, error) {
	if b.isReal() {
		return openReal(ctx, &b.real, b.rig, b.device)
	}
	return b.open(seed)
}

// channels is the bench's table, without touching hardware.
func (b *bench) channels(seed uint64) ([]rig.Channel, error) {
	if b.isReal() {
		return b.real.table(), nil
	}
	probe, err := b.open(seed)
	if err != nil {
		return nil, err
	}
	return probe.Channels(), probe.Close()
}

// pace suits a run that can be made again, or one that can't.
func (b *bench) pace() timeline.Pace {
	if b.isReal() {
		return timeline.LivePace
	}
	return timeline.VirtualPace
}

// setup is all that the bench is made of, beside its calibration.
func (b *bench) setup() any {
	if b.isReal() {
		return b.real
	}
	return b.world // a fault from the command line is part of it
}

// open brings up the virtual bench; for a real one, its rehearsal.
func (b *bench) open(seed uint64) (*virtual.Bench, error) {
	v, err := virtual.Open(b.world, b.device, b.model, seed)
	if err != nil {
		return nil, fmt.Errorf("open the virtual bench: %w", err)
	}
	return v, nil
}

// calibration is the text whose hash identifies the calibration in force.
func (b *bench) calibration() (string, error) {
	text, err := json.MarshalIndent(b.rig.Calibration, "", "  ")
	return string(text), err
}
