package safety

import (
	"fmt"

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
