package measure

import (
	"fmt"

	"drench/rig"
)

// records counts the calibrations that had expired. One that is dated after the
// run is in doubt: a machine with a clock that is behind can't tell. Without
// records there is nothing to count.
func (l ledger) records(list []rig.Record) {
	for _, r := range list {
		m := l.of(ExpiredCals)
		switch r.State {
		case rig.Future:
			m.doubt(fmt.Sprintf("the calibration of %s is dated after the run; this machine's clock may be behind", r.What))
			continue
		case rig.Expired:
			m.Count++
			m.Things = append(m.Things, fmt.Sprintf("%s expired on %s", r.What, r.Expires))
		}
		m.N++
	}
}
