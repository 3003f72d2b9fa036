package gpio

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"golang.org/x/sys/unix"
	periph "periph.io/x/conn/v3/gpio"
)

// Chip is a GPIO chip as the kernel describes it.
type Chip struct {
	Path  string     `json:"path"`  // device file
	Name  string     `json:"name"`  // the kernel's, such as gpiochip0; may change at a reboot
	Label string     `json:"label"` // of the hardware, such as pinctrl-bcm2711
	Links []string   `json:"links,omitempty"`
	Lines []LineInfo `json:"lines"` // by offset
}

func (c Chip) String() string { return fmt.Sprintf("%s [%s]", c.Name, c.Label) }

// LineInfo is a line's present state as the kernel describes it.
type LineInfo struct {
	Name      string        `json:"name,omitempty"`
	Used      bool          `json:"used"`               // held by a program or a driver
	Consumer  string        `json:"consumer,omitempty"` // by whom, if it said so
	Output    bool          `json:"output"`
	ActiveLow bool          `json:"active_low,omitempty"`
	OpenDrain bool          `json:"open_drain,omitempty"`
	OpenSrc   bool          `json:"open_source,omitempty"`
	Rising    bool          `json:"rising,omitempty"` // edges are being captured
	Falling   bool          `json:"falling,omitempty"`
	Bias      periph.Pull   `json:"bias,omitempty"`
	Debounce  time.Duration `json:"debounce,omitempty"` // by the kernel; its stamps are late by this
}

// Inspect describes every GPIO chip of this machine, without touching a line.
// A machine without one, or a user who may not open it, is an error.
func Inspect() ([]Chip, error) { return inspect("/dev") }

func inspect(dir string) ([]Chip, error) {
	paths, err := filepath.Glob(filepath.Join(dir, "gpiochip*"))
	if err != nil {
		return nil, fmt.Errorf("list GPIO chips: %w", err)
	}
	links := map[string][]string{} // a board may call one chip by several names
	for _, p := range paths {
		real, err := filepath.EvalSymlinks(p)
		if err != nil {
			return nil, fmt.Errorf("list GPIO chips: %w", err)
		}
		links[real] = append(links[real], filepath.Base(p))
	}
	if len(links) == 0 {
		return nil, fmt.Errorf("no GPIO chip: %s has no gpiochip0; expected a board with GPIO lines and a kernel with their character device", dir)
	}
	var chips []Chip
	for path, names := range links {
		c, err := describe(path)
		if err != nil {
			return nil, err
		}
		c.Links = slices.DeleteFunc(names, func(n string) bool { return n == filepath.Base(path) })
		chips = append(chips, c)
	}
	slices.SortFunc(chips, func(a, b Chip) int { return cmp.Or(len(a.Path)-len(b.Path), cmp.Compare(a.Path, b.Path)) })
	return chips, nil
}

// describe reads a chip and its lines.
func describe(path string) (Chip, error) {
	fd, err := openChip(path)
	if err != nil {
		return Chip{}, err
	}
	defer unix.Close(fd)
	info, err := chipInfo(fd)
	if err != nil {
		return Chip{}, fmt.Errorf("%s is not a GPIO chip: %w", path, err)
	}
	c := Chip{Path: path, Name: text(info.Name[:]), Label: text(info.Label[:])}
	for offset := range info.Lines {
		l, err := lineInfo(fd, offset)
		if errors.Is(err, unix.EINVAL) || errors.Is(err, unix.ENOTTY) {
			return c, fmt.Errorf("describe line %d of %v: %w; expected a kernel of 5.10 or later", offset, c, err)
		}
		if err != nil {
			return c, fmt.Errorf("describe line %d of %v: %w", offset, c, err)
		}
		c.Lines = append(c.Lines, decodeInfo(l))
	}
	return c, nil
}

// openChip opens a chip's device file; the caller closes it.
func openChip(path string) (int, error) {
	fd, err := unix.Open(path, unix.O_RDONLY|unix.O_CLOEXEC, 0)
	if errors.Is(err, fs.ErrPermission) {
		return -1, fmt.Errorf("open %s as user %d: %w; add the user to the group that owns it (usually gpio), and log in again", path, os.Geteuid(), err)
	}
	if err != nil {
		return -1, fmt.Errorf("open %s: %w", path, err)
	}
	return fd, nil
}

func decodeInfo(l unix.GPIOV2LineInfo) LineInfo {
	has := func(flag uint64) bool { return l.Flags&flag != 0 }
	info := LineInfo{
		Name: text(l.Name[:]), Consumer: text(l.Consumer[:]),
		Used: has(flagUsed), Output: has(flagOutput), ActiveLow: has(flagActiveLow),
		OpenDrain: has(flagOpenDrain), OpenSrc: has(flagOpenSource), Rising: has(flagRising), Falling: has(flagFalling),
	}
	for pull, flag := range biasFlags {
		if has(flag) {
			info.Bias = pull
		}
	}
	for _, a := range l.Attrs[:min(int(l.Num_attrs), len(l.Attrs))] {
		if a.Id == unix.GPIO_V2_LINE_ATTR_ID_DEBOUNCE {
			info.Debounce = time.Duration(debounce(a)) * time.Microsecond
		}
	}
	return info
}
