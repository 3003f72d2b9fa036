package virtual

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"drench/rig"

	"periph.io/x/conn/v3/physic"
)

// Fault is how a fault shows. Each fault uses some of these; what is left at
// zero gets the fault's own default.
type Fault struct {
	// From is when it begins, on the bench's clock.
	From time.Duration `yaml:"from"`
	// Time is a delay, the width of a pulse, or how long the DUT must have been
	// off to be spared.
	Time time.Duration `yaml:"time"`
	// Factor is what is usual times this.
	Factor float64 `yaml:"factor"`
	// Rate is that of random events, Share the share of events that are hit.
	Rate  rig.Rate  `yaml:"rate"`
	Share rig.Share `yaml:"share"`
	// Voltage is that of the drop-out, with Recovery; of the back-feed; or the
	// width of the band in which a DUT chatters.
	Voltage  physic.ElectricPotential `yaml:"voltage"`
	Recovery physic.ElectricPotential `yaml:"recovery"`
	Current  physic.ElectricCurrent   `yaml:"current"`
}

// FaultInfo describes a fault that the bench can have.
type FaultInfo struct {
	Name    string
	About   string
	Default Fault
}

type faultID int

// The faults, of the DUT and of the rig.
const (
	stuckQuiet faultID = iota
	stuckWet
	deadHeartbeat
	slowClock
	lostSettings
	falseAlarms
	rampChatter
	insensitive
	noRelease
	glitches
	slowStart
	hungrySleep
	uartLies
	hangAfterDip
	dipAlarm
	highDropOut
	late

	blockedNozzle
	wornTube
	backfed
	lostEdges
	supplyLink
	estopPressed
	trayFull
	lidOpen
	reservoirEmpty
	slowSwitch
	brokenWire
	stuckInput
	faultCount
)

var faultTable = [faultCount]FaultInfo{
	stuckQuiet:    {"stuck_quiet", "DUT: the detect line never says liquid", Fault{}},
	stuckWet:      {"stuck_wet", "DUT: the detect line says liquid whenever it is powered", Fault{}},
	deadHeartbeat: {"dead_heartbeat", "DUT: the heartbeat stops", Fault{From: time.Minute}},
	slowClock:     {"slow_clock", "DUT: its clock is slow by a factor", Fault{Factor: 1.5}},
	lostSettings:  {"lost_settings", "DUT: forgets its settings when the supply dips for less than a time", Fault{Time: time.Second}},
	falseAlarms:   {"false_alarms", "DUT: says liquid for a sampling period without cause", Fault{Rate: perHour(20)}},
	rampChatter:   {"ramp_chatter", "DUT: detect and heartbeat chatter on a slow ramp, from drop-out to a voltage above it", Fault{Voltage: 100 * physic.MilliVolt}},
	insensitive:   {"insensitive", "DUT: its thresholds are higher by a factor", Fault{Factor: 20}},
	noRelease:     {"no_release", "DUT: does not clear when it has dried", Fault{}},
	glitches:      {"glitches", "DUT: short pulses on the detect line", Fault{Rate: perHour(60), Time: 2 * time.Millisecond}},
	slowStart:     {"slow_start", "DUT: takes longer to start by a factor", Fault{Factor: 5}},
	hungrySleep:   {"hungry_sleep", "DUT: draws a high current asleep", Fault{Current: 120 * physic.MilliAmpere}},
	uartLies:      {"uart_lies", "DUT: prints the opposite of what its detect line says", Fault{}},
	hangAfterDip:  {"hang_after_dip", "DUT: does not start after being off for less than a time", Fault{Time: time.Second}},
	dipAlarm:      {"dip_alarm", "DUT: says liquid for a sampling period after a restart", Fault{}},
	highDropOut:   {"high_drop_out", "DUT: stops and starts at higher voltages", Fault{Voltage: 2900 * physic.MilliVolt, Recovery: 3100 * physic.MilliVolt}},
	late:          {"late", "DUT: answers later by a time", Fault{Time: 1500 * time.Millisecond}},

	blockedNozzle:  {"blocked_nozzle", "rig: the drip pump runs and no drop falls", Fault{}},
	wornTube:       {"worn_tube", "rig: the drip pump delivers a fraction of what it should", Fault{Factor: 0.8}},
	backfed:        {"backfed", "rig: the DUT gets a voltage from elsewhere, its rail never falls below", Fault{Voltage: 1900 * physic.MilliVolt}},
	lostEdges:      {"lost_edges", "rig: a share of the edges is lost, the loss is noticed", Fault{Share: 2e7}},
	supplyLink:     {"supply_link", "rig: the link to the supply is lost", Fault{From: 30 * time.Second}},
	estopPressed:   {"estop_pressed", "rig: the emergency stop is pressed", Fault{From: 30 * time.Second}},
	trayFull:       {"tray_full", "rig: water stands in the tray", Fault{From: 30 * time.Second}},
	lidOpen:        {"lid_open", "rig: the lid is opened", Fault{From: 30 * time.Second}},
	reservoirEmpty: {"reservoir_empty", "rig: the reservoir runs dry", Fault{From: 30 * time.Second}},
	slowSwitch:     {"slow_switch", "rig: the dip switch takes its time", Fault{Time: 5 * time.Millisecond}},
	brokenWire:     {"broken_wire", "rig: the witness electrode's wire is broken, it never reads wet", Fault{}},
	stuckInput:     {"stuck_input", "rig: the emergency stop's interlock loop is bridged, it reads healthy whatever happens", Fault{}},
}

func perHour(n float64) rig.Rate { return rig.Rate(n * 1e9 / 3600) }

// Faults lists the faults, those of the DUT first.
func Faults() []FaultInfo { return slices.Clone(faultTable[:]) }

// SetFault adds the fault called name with its defaults.
func (c *Config) SetFault(name string) error {
	if _, ok := faultNamed(name); !ok {
		return fmt.Errorf("there is no fault %q; expected one of %s", name, faultNames())
	}
	faults := map[string]Fault{name: {}}
	maps.Copy(faults, c.Faults)
	c.Faults = faults
	return nil
}

func faultNamed(name string) (faultID, bool) {
	i := slices.IndexFunc(faultTable[:], func(f FaultInfo) bool { return f.Name == name })
	return faultID(i), i >= 0
}

func faultNames() string {
	names := make([]string, len(faultTable))
	for i, f := range faultTable {
		names[i] = f.Name
	}
	return strings.Join(names, ", ")
}

// or returns f with zero values taken from d.
func (f Fault) or(d Fault) Fault {
	return Fault{
		From: cmp.Or(f.From, d.From), Time: cmp.Or(f.Time, d.Time), Factor: cmp.Or(f.Factor, d.Factor),
		Rate: cmp.Or(f.Rate, d.Rate), Share: cmp.Or(f.Share, d.Share),
		Voltage: cmp.Or(f.Voltage, d.Voltage), Recovery: cmp.Or(f.Recovery, d.Recovery), Current: cmp.Or(f.Current, d.Current),
	}
}

// faults are those that a bench has, by ID.
type faults struct {
	queue *queue
	set   [faultCount]bool
	fault [faultCount]Fault
}

// newFaults takes the faults from a configuration that has been checked.
func newFaults(q *queue, c Config) *faults {
	f := &faults{queue: q}
	for id, info := range faultTable {
		f.fault[id], f.set[id] = c.Faults[info.Name]
		f.fault[id] = f.fault[id].or(info.Default)
	}
	return f
}

// has tells whether the bench has the fault now.
func (f *faults) has(id faultID) bool {
	return f.set[id] && f.queue.now >= rig.Instant(f.fault[id].From)
}

// begins returns when the bench gets the fault, Never if it does not.
func (f *faults) begins(id faultID) rig.Instant {
	if !f.set[id] {
		return rig.Never
	}
	return rig.Instant(f.fault[id].From)
}

// factor is the fault's factor while the bench has it, else 1.
func (f *faults) factor(id faultID) float64 {
	if !f.has(id) {
		return 1
	}
	return f.fault[id].Factor
}
