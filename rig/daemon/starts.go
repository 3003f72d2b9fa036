package daemon

import "time"

// Starts are the next times after an instant at which a night's schedule
// starts it, at most so many: none for one that only people start. It is for
// people who look at a schedule, so a night that is Off has them too. The
// error says what is wrong with Cron or Zone.
func (n Night) Starts(after time.Time, most int) ([]time.Time, error) {
	s, err := n.schedule()
	if err != nil || s == nil {
		return nil, err
	}
	var list []time.Time
	for len(list) < most {
		if after = s.next(after); after.IsZero() {
			break
		}
		list = append(list, after.In(s.zone))
	}
	return list, nil
}
