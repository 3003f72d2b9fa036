// Package rig is the bench as the trade sees it: channels with units, a
// monotonic clock, events, and the Bench interface that a real or a virtual
// bench implements. It knows no concrete driver.
package rig

import (
	"context"
	"fmt"
	"regexp"
	"time"
)

// Instant is a moment on the bench's own clock: nanoseconds since the bench's
// epoch. On hardware that is the kernel's monotonic clock, on the virtual
// bench the world's; it is never wall time.
type Instant int64

// Never is later than every instant that a bench reaches.
const Never = Instant(1<<63 - 1)

// Add returns the instant d later.
func (t Instant) Add(d time.Duration) Instant { return t + Instant(d) }

// Sub returns the time from u to t.
func (t Instant) Sub(u Instant) time.Duration { return time.Duration(t - u) }

// String prints seconds since the epoch to the microsecond.
func (t Instant) String() string { return fmt.Sprintf("%.6f s", float64(t)/1e9) }

// Direction says what can be done with a channel.
type Direction uint8

// Directions of a channel.
const (
	Input  Direction = iota // edges come by themselves (a line)
	Output                  // Set drives it
	Gauge                   // Ask reads it
	Text                    // lines of text come by themselves (a UART)
)

var directionNames = [...]string{"input", "output", "gauge", "text"}

func (d Direction) String() string { return nameOf(directionNames[:], int(d)) }

// Hazard says what an output energises. It decides the order in which a trip
// makes outputs safe: the lower value first.
type Hazard uint8

// Hazards in the order of a trip. An Idle output energises nothing (a reset
// line, say) but goes safe too, last.
const (
	Pump Hazard = iota
	Valve
	Heat // humidifier, plate cooler
	Supply
	Idle
)

var hazardNames = [...]string{"pump", "valve", "heat", "supply", "idle"}

func (h Hazard) String() string { return nameOf(hazardNames[:], int(h)) }

func nameOf(names []string, i int) string {
	if i < len(names) {
		return names[i]
	}
	return fmt.Sprintf("unknown(%d)", i)
}

// ID is a channel's index in the table that Bench.Channels returns.
type ID uint16

// Channel describes one line, instrument value or text stream of the bench.
type Channel struct {
	Name   string    `json:"name"`
	Dir    Direction `json:"dir"`
	Unit   Unit      `json:"unit"`
	Hazard Hazard    `json:"hazard,omitempty"` // outputs only
}

// channelName is what a channel may be called: configuration readers fold
// case, so capitals are not allowed to matter.
var channelName = regexp.MustCompile(`^[a-z][a-z0-9_]{0,30}$`)

// ValidName tells whether s may name a channel.
func ValidName(s string) bool { return channelName.MatchString(s) }

// Names of the channels that the stock scenarios and measures know. A bench
// has those it is wired for.
const (
	Detect     = "detect"      // input: the DUT's detect line, 1 = liquid (after active-low is undone)
	Heartbeat  = "heartbeat"   // input: the DUT's heartbeat line
	Witness    = "witness"     // input: electrode beside the sensor, 1 = wet
	DropGate   = "drop_gate"   // input: photo-interrupter under the nozzle, 1 = a drop is in it
	EStop      = "estop"       // input: 1 = healthy, 0 = pressed or wire broken
	Tray       = "tray"        // input: 1 = dry, 0 = overflow or wire broken
	Lid        = "lid"         // input: 1 = closed
	Reservoir  = "reservoir"   // input: 1 = enough water
	PumpDrip   = "pump_drip"   // output, flow
	PumpSpray  = "pump_spray"  // output, flow
	ValveAir   = "valve_air"   // output, level: drying air over the sensor
	Humidity   = "humidity"    // output, humidity set-point of the chamber's humidifier, 0 = off
	Plate      = "plate"       // output, temperature set-point of the plate under the sensor, 0 = off
	SupplySet  = "supply"      // output, volt: programmable supply, 0 = output off
	DipRail    = "dip_rail"    // output, volt: second rail that the dip switch selects
	RelayDUT   = "relay_dut"   // output, level: DUT's supply line closed
	RelayDip   = "relay_dip"   // output, level: DUT on the dip rail instead of the main one
	Wake       = "wake"        // output, level
	Reset      = "reset"       // output, level: 1 = held in reset
	UARTLink   = "uart_link"   // output, level: 1 = the DUT's UART is driven, 0 = let go
	LoopTest   = "loop_test"   // output, level: 1 opens interlock loops, to see whether the inputs notice
	Deadman    = "deadman"     // output, level: toggled by the supervisor only
	Rail       = "rail"        // gauge, volt at the DUT's pins
	DUTCurrent = "dut_current" // gauge, ampere
	DUTEnergy  = "dut_energy"  // gauge, joule: what the DUT has drawn since the run's start
	AirTemp    = "air_temp"    // gauge, kelvin
	AirRH      = "air_rh"      // gauge, humidity
	PlateTemp  = "plate_temp"  // gauge, kelvin
	UART       = "uart"        // text: lines from the DUT
)

// Kind is what an Event records.
type Kind uint8

// Kinds of event. The numbers are part of the timeline's format.
const (
	Edge       Kind = 1  // input line changed to Value (0 or 1)
	Command    Kind = 2  // output was set to Value in the channel's unit
	Reading    Kind = 3  // gauge read Value in the channel's unit, or line's level after a Gap
	Line       Kind = 4  // text channel gave Text
	TrialBegin Kind = 5  // Value = trial number, Text = the Trial as JSON
	TrialEnd   Kind = 6  // Value = trial number
	Trip       Kind = 7  // an interlock tripped, Text = reason
	Gap        Kind = 8  // edges of Channel were lost in the Value nanoseconds before At
	Note       Kind = 9  // Text = remark by script or operator
	Mark       Kind = 10 // Text = name of a point in the run that measures refer to, see Mark constants
	End        Kind = 11 // last event; Text = "" or why the run was cut short
	Failed     Kind = 12 // output did not do as it was told: Value is what it was told, Text why
)

var kindNames = [...]string{"", "edge", "command", "reading", "line", "trial", "trial end", "trip", "gap", "note", "mark", "end", "failed"}

func (k Kind) String() string { return nameOf(kindNames[:], int(k)) }

// Known tells whether there is such a kind; they are numbered from Edge on.
func (k Kind) Known() bool { return k >= Edge && int(k) < len(kindNames) }

// Event is one stamped fact of a run.
type Event struct {
	At      Instant
	Kind    Kind
	Channel ID // of Edge, Command, Reading, Line, Gap, Failed; else 0
	Value   int64
	Text    string
}

// Bench is the world, real or virtual, as the run loop sees it. It is used
// from one goroutine. Values are integers in the nano unit of the channel
// (see Unit).
type Bench interface {
	// Channels returns the table that IDs index; it does not change.
	Channels() []Channel
	// Now is the bench's clock.
	Now() Instant
	// Set drives an output, and tells when it did, as well as whatever drives it
	// knows: the best estimate of the instant of the command, which may be a
	// little before or after the call's return.
	Set(ctx context.Context, ch ID, v int64) (Instant, error)
	// Ask reads a gauge, or the level that an input line has now.
	Ask(ctx context.Context, ch ID) (int64, error)
	// Await returns the next Edge, Line or Gap, or ok = false once the clock
	// has reached until.
	Await(ctx context.Context, until Instant) (ev Event, ok bool, err error)
}

// Find returns the ID of the channel called name.
func Find(table []Channel, name string) (ID, bool) {
	for i, c := range table {
		if c.Name == name {
			return ID(i), true
		}
	}
	return 0, false
}
