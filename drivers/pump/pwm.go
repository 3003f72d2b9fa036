package pump

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"drench/rig"
)

// Sysfs is where the kernel shows its modulators (kernel documentation,
// driver-api/pwm.rst, "Using PWMs with the sysfs interface").
const Sysfs = "/sys/class/pwm"

// PWM is a pump whose motor a pulse-width modulator of the kernel drives.
type PWM struct {
	cfg     PWMConfig
	channel files

	mu   sync.Mutex
	flow rig.Flow
}

// files is a folder of small files that each hold one value.
type files interface {
	read(name string) (string, error)
	write(name, value string) error
	folder(name string) files
}

// OpenPWM takes the channel over, stopped. root is Sysfs, or a folder like it.
func OpenPWM(ctx context.Context, root string, cfg PWMConfig) (*PWM, error) {
	return openPWM(ctx, folder(root), cfg)
}

func openPWM(ctx context.Context, root files, cfg PWMConfig) (*PWM, error) {
	if err := first("pump on a modulator", cfg.Check()); err != nil {
		return nil, err
	}
	chip := root.folder(cfg.Chip)
	p := &PWM{cfg: cfg, channel: chip.folder("pwm" + strconv.Itoa(cfg.Channel))}
	if err := p.export(ctx, chip); err != nil {
		return nil, fmt.Errorf("open %s, channel %d: %w", cfg.Chip, cfg.Channel, err)
	}
	if err := p.prepare(); err != nil {
		return nil, fmt.Errorf("set up %s, channel %d: %w", cfg.Chip, cfg.Channel, err)
	}
	return p, nil
}

// export makes the channel's files appear, and waits until udev has given them
// to their group.
func (p *PWM) export(ctx context.Context, chip files) error {
	const patience, pause = 2 * time.Second, 20 * time.Millisecond
	if _, err := p.channel.read("period"); errors.Is(err, fs.ErrNotExist) {
		if err := chip.write("export", strconv.Itoa(p.cfg.Channel)); err != nil {
			return fmt.Errorf("%w; enable the modulator's overlay in the board's configuration, or correct chip and channel in the rig file", err)
		}
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	for {
		period, err := p.channel.read("period")
		if err == nil {
			// What it already is changes nothing, but shows that we may write. A
			// period of 0, of a channel never used, can't be set.
			err = p.channel.write("period", cmp.Or(strings.TrimLeft(period, "0"), nanoseconds(p.cfg.Period)))
		}
		if !errors.Is(err, fs.ErrNotExist) && !errors.Is(err, fs.ErrPermission) {
			return err
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("%w; give the user's group the right to write there by a udev rule", err)
		case <-time.After(pause):
		}
	}
}

// prepare stops what an earlier program has left running, and then sets period
// and polarity: the kernel refuses a period shorter than the duty, and many
// drivers refuse a new polarity while the output is enabled.
func (p *PWM) prepare() error {
	if err := p.stop(); err != nil {
		return err
	}
	if err := p.channel.write("period", nanoseconds(p.cfg.Period)); err != nil {
		return err
	}
	polarity, err := p.channel.read("polarity")
	switch {
	case errors.Is(err, fs.ErrNotExist), polarity == "normal": // not every chip has a choice
		return nil
	case err != nil:
		return err
	}
	return p.channel.write("polarity", "normal")
}

// Set makes the pump deliver f, by the points of its calibration.
func (p *PWM) Set(_ context.Context, f rig.Flow) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if f == 0 {
		return p.stop()
	}
	share, err := p.cfg.duty(f)
	if err != nil {
		return err
	}
	duty := time.Duration(float64(p.cfg.Period) * float64(share) / float64(whole))
	err = p.channel.write("duty_cycle", nanoseconds(duty))
	if err == nil {
		err = p.channel.write("enable", "1")
	}
	if err != nil {
		return errors.Join(fmt.Errorf("set the pump to %v: %w", f, err), p.stop())
	}
	p.flow = f
	return nil
}

// stop sets the duty to 0 and then disables the output. In this order the pin
// was low last: a disabled one emits 0, or keeps its last state, or floats,
// depending on the driver (kernel commit 80a22fde803a lists one of each). The
// second step is taken even if the first has failed.
func (p *PWM) stop() error {
	var errs []error
	for _, s := range []struct{ file, value string }{{"duty_cycle", "0"}, {"enable", "0"}} {
		if err := insist(func() error { return p.channel.write(s.file, s.value) }); err != nil {
			errs = append(errs, fmt.Errorf("stop the pump: %w", err))
		}
	}
	if len(errs) == 0 {
		p.flow = 0
	}
	return errors.Join(errs...)
}

// Flow is what the pump delivers now, by its calibration.
func (p *PWM) Flow() rig.Flow {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.flow
}

// Close stops the pump.
func (p *PWM) Close() error { return p.Set(context.Background(), 0) }

func nanoseconds(d time.Duration) string { return strconv.FormatInt(d.Nanoseconds(), 10) }

// folder is a folder of the file system.
type folder string

func (d folder) folder(name string) files { return folder(filepath.Join(string(d), name)) }

func (d folder) read(name string) (string, error) {
	text, err := os.ReadFile(filepath.Join(string(d), name))
	return strings.TrimSpace(string(text)), err
}

// write does not create what is not there.
func (d folder) write(name, value string) error {
	f, err := os.OpenFile(filepath.Join(string(d), name), os.O_WRONLY|os.O_TRUNC, 0)
	if err != nil {
		return err
	}
	_, err = f.WriteString(value)
	return errors.Join(err, f.Close())
}
