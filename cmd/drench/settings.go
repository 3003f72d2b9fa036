package main

import (
	"drench/drivers/virtual"
	"drench/rig/config"
)

// set puts settings, written key=value, over the bench's profile.
func (b *bench) set(words []string) error {
	set, err := config.ParseOverlay(words)
	if err != nil || len(set) == 0 {
		return err
	}
	src, err := b.rig.ProfileSource()
	if err != nil {
		return err
	}
	return b.profiled(src, set)
}

// profiled puts a profile with settings over it in place of the bench's own.
func (b *bench) profiled(src config.Source, set config.Overlay) (err error) {
	b.model = virtual.Model{}
	b.device, b.profile, err = b.rig.ReadProfile(src, set, &b.model)
	return err
}
