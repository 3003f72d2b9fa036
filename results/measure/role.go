package measure

import "drench/rig"

// role is what a channel is to the measures.
type role uint8

const (
	noRole role = iota
	detectLine
	heartLine
	witnessLine
	gateLine
	dripPump
	sprayPump
	supplyRelay
	supplySet
	dipRelay
	railGauge
	energyGauge
	airTemp
	airHumidity
	plateTemp
	uartText
	uartLink
)

// roles gives the role of each channel of the bench.
func roles(table []rig.Channel) []role {
	known := map[string]role{
		rig.Detect: detectLine, rig.Heartbeat: heartLine, rig.Witness: witnessLine, rig.DropGate: gateLine,
		rig.PumpDrip: dripPump, rig.PumpSpray: sprayPump,
		rig.RelayDUT: supplyRelay, rig.SupplySet: supplySet, rig.RelayDip: dipRelay, rig.Rail: railGauge, rig.DUTEnergy: energyGauge,
		rig.AirTemp: airTemp, rig.AirRH: airHumidity, rig.PlateTemp: plateTemp, rig.UART: uartText, rig.UARTLink: uartLink,
	}
	list := make([]role, len(table))
	for i, c := range table {
		list[i] = known[c.Name]
	}
	return list
}

// has tells which roles the bench has a channel for.
type has map[role]bool

// line follows the level of an input.
type line struct {
	level  int64
	unsure bool // edges were lost: the next edge counts even if it brings no change
}

// edge takes an edge event and tells whether the level changed.
func (l *line) edge(v int64) bool {
	changed := v != l.level || l.unsure
	l.level, l.unsure = v, false
	return changed
}

// when is an instant that may not have come.
type when struct {
	at rig.Instant
	ok bool
}

// first keeps the earliest of the instants it is given.
func (w *when) first(at rig.Instant) {
	if !w.ok || at < w.at {
		w.at, w.ok = at, true
	}
}
