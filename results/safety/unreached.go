package safety

import (
	"fmt"
	"time"

	"drench/rig"
)

// behind is what cuts off an output that can't be turned off: both supplies
// feed the DUT through relay_dut. What cuts pumps is not in the record: the
// dead-man's relay.
var behind = map[string]string{rig.SupplySet: rig.RelayDUT, rig.DipRail: rig.RelayDUT}

// failed notes that an output did not do as it was told. It keeps the value
// that it had, as far as anybody knows.
func (c *checker) failed(ev rig.Event) error {
	if int(ev.Channel) >= len(c.table) || c.table[ev.Channel].Dir != rig.Output {
		return fmt.Errorf("%v on channel %d, which is not an output of the bench", ev.Kind, ev.Channel)
	}
	o := &c.outputs[ev.Channel]
	if o.why = ev.Text; o.why == "" {
		o.why = "did not"
	}
	if ev.Value == 0 {
		o.told = true
	}
	return nil
}

// obeys is the longest that a supply behind a wire may take to go off where its
// output is cut off meanwhile.
const obeys = 15 * time.Second

// cutInTime tells whether an output that went off at an instant had been cut
// off in time by another: it is an instrument, which goes off when it listens.
func (c *checker) cutInTime(id rig.ID, at rig.Instant) bool {
	cut, ok := rig.Find(c.table, behind[c.table[id].Name])
	if !ok || c.off == nil || at.Sub(c.off.at) > obeys {
		return false
	}
	o := c.outputs[cut]
	return o.value == 0 && o.why == "" && o.on.Sub(c.off.at) <= Reaction
}

// unreached tells whether an output that is left on was told to go off, could
// not be reached, and is cut off by one that was turned off, and obeyed. That
// is not what was wanted, and no breach: nothing is energised. When the other
// went off is judged by itself.
func (c *checker) unreached(id rig.ID, o output) bool {
	name := c.table[id].Name
	cut, ok := rig.Find(c.table, behind[name])
	if !ok || !o.told || c.outputs[cut].value != 0 || c.outputs[cut].why != "" {
		return false
	}
	c.report.Unreached = append(c.report.Unreached, Unreached{name, o.value, o.why, c.table[cut].Name, c.outputs[cut].on})
	return true
}
