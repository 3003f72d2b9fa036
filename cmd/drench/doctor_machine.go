package main

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"time"

	"drench/drivers/gpio"
	"drench/drivers/supply"
	"drench/rig/calibration"

	"golang.org/x/sys/unix"
)

// patient is the machine and the bench that the doctor looks at. What it asks
// of the kernel and of hardware goes through fields, so that tests can put a
// machine of their own there.
type patient struct {
	root  string // stands before /proc, /sys, /dev and /etc
	data  string // folder of the store
	bench *bench
	loop  loopWire
	// backup is a copy of the store to look at, "" if none.
	backup string

	now          func() time.Time
	uid          int
	groups       func() ([]int, error)
	synchronised func() (bool, error)          // the clock of the day
	resolution   func() (time.Duration, error) // of the clock that edges are stamped with, as the kernel says
	step         func() time.Duration          // and as seen
	free         func(folder string) (bytes uint64, err error)
	access       func(path string) error // to read and write
	chips        func() ([]gpio.Chip, error)
	identify     func(context.Context, supply.Config) (supply.Identity, error)
	loopBack     func(context.Context, loopWire, int) (gpio.LoopBack, error)
}

func thisMachine() *patient {
	return &patient{root: "/", now: time.Now, uid: os.Geteuid(), groups: os.Getgroups, synchronised: synchronised, resolution: resolution, step: clockStep,
		free: freeSpace, access: mayOpen, chips: gpio.Inspect, identify: identify, loopBack: measureLoop}
}

func synchronised() (bool, error) {
	var t unix.Timex // modes 0: it changes nothing
	state, err := unix.Adjtimex(&t)
	return err == nil && state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0, err
}

func resolution() (time.Duration, error) {
	var t unix.Timespec
	err := unix.ClockGetres(unix.CLOCK_MONOTONIC, &t)
	return time.Duration(t.Nano()), err
}

// clockStep is the smallest difference between two readings of the clock.
func clockStep() time.Duration {
	least := time.Duration(1<<63 - 1)
	for last, n := gpio.Now(), 0; n < 1000; n++ {
		t := gpio.Now()
		if d := t.Sub(last); d > 0 {
			least = min(least, d)
		}
		last = t
	}
	return least
}

func freeSpace(folder string) (uint64, error) {
	var s unix.Statfs_t
	err := unix.Statfs(folder, &s)
	return s.Bavail * uint64(s.Bsize), err
}

func mayOpen(path string) error {
	return unix.Faccessat(unix.AT_FDCWD, path, unix.R_OK|unix.W_OK, unix.AT_EACCESS)
}

func well(format string, args ...any) []finding {
	return []finding{{Grade: fine, Found: fmt.Sprintf(format, args...)}}
}

func ill(g grade, found, mend string) []finding {
	return []finding{{Grade: g, Found: found, Mend: mend}}
}

// read returns a file's text without what ends it.
func (p *patient) read(name string) (string, error) {
	b, err := os.ReadFile(filepath.Join(p.root, name))
	return strings.TrimRight(string(b), "\x00\n "), err
}

func (p *patient) board(context.Context) []finding {
	for _, name := range []string{"proc/device-tree/model", "sys/firmware/devicetree/base/model", "sys/class/dmi/id/product_name"} {
		if model, err := p.read(name); err == nil && model != "" {
			return well("%s, %s", model, runtime.GOARCH)
		}
	}
	return well("no device tree names it, so it is not a Raspberry Pi; %s", runtime.GOARCH)
}

var version2 = regexp.MustCompile(`^(\d+)\.(\d+)`)

// kernel looks for one that stamps edges: version 2 of the GPIO character
// device came with 5.10 (linux/gpio.h).
func (p *patient) kernel(context.Context) []finding {
	release, err := p.read("proc/sys/kernel/osrelease")
	if err != nil {
		return ill(doubtful, err.Error(), "mount /proc")
	}
	m := version2.FindStringSubmatch(release)
	if m == nil {
		return ill(doubtful, fmt.Sprintf("release %q is no version", release), "a kernel of 5.10 or later is known to do")
	}
	major, _ := strconv.Atoi(m[1])
	minor, _ := strconv.Atoi(m[2])
	if major < 5 || major == 5 && minor < 10 {
		if p.hasLines() {
			return ill(broken, release+", which can't stamp edges as drench needs them", "update to a kernel of 5.10 or later")
		}
		return ill(doubtful, release, "update to a kernel of 5.10 or later before you wire a real bench")
	}
	return well("%s", release)
}

// user tells who runs this, and by which groups devices may open.
func (p *patient) user(context.Context) []finding {
	ids, err := p.groups()
	if err != nil {
		return ill(doubtful, err.Error(), "log in again")
	}
	var names []string
	for _, id := range ids {
		names = append(names, p.groupName(id))
	}
	slices.Sort(names)
	who := fmt.Sprintf("user %d in no groups", p.uid)
	if len(names) > 0 {
		who = fmt.Sprintf("user %d in groups %s", p.uid, strings.Join(slices.Compact(names), ", "))
	}
	if p.uid == 0 && p.bench.isReal() {
		return ill(doubtful, "root: nothing keeps a second program from the serial ports", "run drench as a user of its own in the groups that own the devices")
	}
	return well("%s", who)
}

// groupName is a group's name, or its number if the machine has none.
func (p *patient) groupName(id int) string {
	text, _ := p.read("etc/group") // without it there are numbers
	for line := range strings.Lines(text) {
		if f := strings.Split(strings.TrimSpace(line), ":"); len(f) >= 3 && f[2] == strconv.Itoa(id) {
			return f[0]
		}
	}
	return strconv.Itoa(id)
}

var available = regexp.MustCompile(`(?m)^MemAvailable: +(\d+) kB$`)

// What a run needs of memory and disk, with room (common practice, no source).
const (
	leastMemory, goodMemory = 64 << 20, 256 << 20
	leastDisk, goodDisk     = 100 << 20, 2 << 30
)

func (p *patient) memory(context.Context) []finding {
	text, err := p.read("proc/meminfo")
	m := available.FindStringSubmatch(text)
	if err != nil || m == nil {
		return ill(doubtful, "/proc/meminfo does not tell what is free", "mount /proc")
	}
	kilobytes, _ := strconv.ParseUint(m[1], 10, 50)
	return amount(kilobytes<<10, leastMemory, goodMemory, "of memory free", "end programs that are not needed")
}

// amount judges how much is free.
func amount(bytes, least, good uint64, of, mend string) []finding {
	found := fmt.Sprintf("%d MB %s", bytes>>20, of)
	switch {
	case bytes < least:
		return ill(broken, fmt.Sprintf("%s, less than %d MB", found, least>>20), mend)
	case bytes < good:
		return ill(doubtful, fmt.Sprintf("%s, less than %d MB", found, good>>20), mend)
	}
	return well("%s", found)
}

// clock looks at the clock that edges are stamped with.
func (p *patient) clock(context.Context) []finding {
	source, err := p.read("sys/devices/system/clocksource/clocksource0/current_clocksource")
	if err != nil {
		source = "unknown"
	}
	r, err := p.resolution()
	step := p.step()
	found := fmt.Sprintf("source %s, resolution %v, smallest step between two readings %v", source, r, step)
	switch {
	case err != nil:
		return ill(broken, "the monotonic clock can't be read: "+err.Error(), "update the kernel")
	case r >= time.Millisecond || step >= time.Millisecond:
		return ill(broken, found+": too coarse for latencies to the millisecond", "enable high-resolution timers in the kernel")
	case source == "jiffies":
		return ill(doubtful, found+": a clock for want of a better one", "look in the kernel's log why it gave up its hardware clock")
	}
	return well("%s", found)
}

func (p *patient) timeOfDay(context.Context) []finding {
	ok, err := p.synchronised()
	now := p.now().UTC().Format(time.RFC3339)
	switch {
	case err != nil:
		return ill(doubtful, "it can't be told whether the clock of the day is right: "+err.Error(), "look at it with timedatectl")
	case !ok:
		return ill(doubtful, now+", not synchronised; latencies do not depend on it, the dates in reports and of calibrations do",
			"switch on time synchronisation (timedatectl set-ntp true), or set the clock")
	}
	return well("%s, synchronised", now)
}

// dataFolder writes a file where runs are kept, or where they would be.
func (p *patient) dataFolder(context.Context) []finding {
	dir := p.data
	for { // the folder itself may still have to be made
		if _, err := os.Stat(dir); err == nil || !errors.Is(err, fs.ErrNotExist) || dir == filepath.Dir(dir) {
			break
		}
		dir = filepath.Dir(dir)
	}
	const mend = "give the user the right to write there, or name another folder by --data or DRENCH_DATA"
	took, err := writeTest(dir)
	if err != nil {
		return ill(broken, fmt.Sprintf("%s: %v", p.data, err), mend)
	}
	found := well("%s can be written; a small write reached the disk in %v", p.data, took.Round(10*time.Microsecond))
	bytes, err := p.free(dir)
	if err != nil {
		return append(found, finding{Check: "disk", Grade: doubtful, Found: err.Error(), Mend: mend})
	}
	disk := amount(bytes, leastDisk, goodDisk, "of disk free", "remove what is not needed, or name another disk by --data or DRENCH_DATA")
	disk[0].Check = "disk"
	return append(found, disk...)
}

// writeTest writes a page and has it reach the disk.
func writeTest(dir string) (took time.Duration, err error) {
	f, err := os.CreateTemp(dir, ".drench-doctor-*")
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, os.Remove(f.Name())) }()
	began := time.Now()
	_, err = f.Write(make([]byte, 4096))
	err = errors.Join(err, f.Sync())
	took = time.Since(began)
	return took, errors.Join(err, f.Close())
}

// store looks for damage, without opening the store for writing.
func (p *patient) store(ctx context.Context) []finding {
	path := filepath.Join(p.data, "drench.db")
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return well("%s is not there yet; the first run makes it", path)
	}
	const mend = "keep a copy, then move the file away and let the next run make a new one; what the copy still has can be read with sqlite3 (.recover)"
	abs, err := filepath.Abs(path)
	if err != nil {
		return ill(broken, err.Error(), mend)
	}
	u := url.URL{Scheme: "file", Path: abs, RawQuery: url.Values{"mode": {"ro"}, "_pragma": {"busy_timeout(10000)"}}.Encode()}
	db, err := sql.Open("sqlite", u.String())
	if err != nil {
		return ill(broken, err.Error(), mend)
	}
	defer db.Close()
	var said string
	var runs int
	if err := db.QueryRowContext(ctx, "PRAGMA quick_check(1)").Scan(&said); err != nil || said != "ok" {
		return ill(broken, strings.TrimSpace(fmt.Sprintf("%s is damaged or can't be read: %s %s", path, said, errorText(err))), mend)
	}
	if err := db.QueryRowContext(ctx, "SELECT count(*) FROM runs").Scan(&runs); err != nil {
		return ill(broken, fmt.Sprintf("%s is no store of drench: %v", path, err), "name another folder by --data or DRENCH_DATA")
	}
	return well("%s is sound, %d runs", path, runs)
}

func errorText(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}

func (p *patient) hasRecords() bool { return len(p.bench.rig.CalibrationFiles) > 0 }

// calibrations looks at the records that the rig file names.
func (p *patient) calibrations(context.Context) []finding {
	records, err := calibration.OfRig(p.bench.rig)
	if err != nil {
		return ill(broken, err.Error(), "correct the file, or calibrate again with drench calibrate")
	}
	var out []finding
	for _, r := range records {
		if w := calibration.Warnings(p.now(), r); len(w) > 0 {
			what, mend, _ := strings.Cut(w[0], "; ")
			out = append(out, ill(doubtful, what, mend)...)
			continue
		}
		out = append(out, well("%s of %s, good until %s", r.What(), r.Date, r.Expires)...)
	}
	return out
}

func (p *patient) isVirtual() bool { return !p.bench.isReal() }

func (p *patient) virtualBench(context.Context) []finding {
	b, err := p.bench.open(1)
	if err != nil {
		return ill(broken, err.Error(), "correct the section virtual of the rig file, or the model of the DUT's profile")
	}
	defer b.Close()
	return well("opens, with %d channels", len(b.Channels()))
}
