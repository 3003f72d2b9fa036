package main

import (
	"encoding/json"
	"fmt"

	"drench/drivers/virtual"
	"drench/rig"
	"drench/rig/config"

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
}

// loadBench reads rig file and profile, and puts a fault into the virtual
// bench if one is asked for.
func loadBench(cmd *cobra.Command, fault string) (*bench, error) {
	set, err := config.LoadSettings(cmd.Flags())
	if err != nil {
		return nil, err
	}
	b := &bench{world: virtual.Default()}
	if b.rig, err = config.LoadRig(set.Rig, map[string]any{"virtual": &b.world}); err != nil {
		return nil, err
	}
	if b.rig.Bench != config.Virtual {
		return nil, fmt.Errorf("%s: bench %q is not built into this drench; expected bench: virtual", b.rig.Source.Name, b.rig.Bench)
	}
	if b.device, b.profile, err = b.rig.LoadProfile(&b.model); err != nil {
		return nil, err
	}
	if fault != "" {
		if err := b.world.SetFault(fault); err != nil {
			return nil, err
		}
	}
	return b, nil
}

// open brings the bench up.
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
