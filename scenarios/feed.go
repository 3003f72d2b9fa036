package scenarios

import (
	"errors"

	"drench/rig"
)

// feeders are outputs through which a DUT without supply can be fed: what is
// high on them runs through its clamp diodes.
var feeders = []string{rig.UARTLink, rig.Wake, rig.Reset}

// letGo sets to 0 what could feed the DUT, before its supply goes. restore sets
// that back which is still at 0 then.
func (s *session) letGo() (restore func() error, err error) {
	var was []string
	for _, name := range feeders {
		if s.run.Last(name) == 0 {
			continue
		}
		was = append(was, name)
		err = errors.Join(err, s.switchOff(name))
	}
	return func() error {
		var errs []error
		for _, name := range was {
			if s.run.Last(name) == 0 {
				errs = append(errs, s.switchOn(name))
			}
		}
		return errors.Join(errs...)
	}, err
}

// takeUART takes the DUT's UART, once the DUT has its supply.
func (s *session) takeUART() error {
	if !s.run.Has(rig.UARTLink) {
		return nil
	}
	return s.switchOn(rig.UARTLink)
}
