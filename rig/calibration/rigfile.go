package calibration

import (
	"errors"
	"fmt"
	"strconv"
	"time"

	"drench/rig"
	"drench/rig/config"
)

// OfRig decodes the records that a rig file names. What is wrong with any of
// them is told with file, line and column; so are two records of one thing.
func OfRig(l *config.Loaded) ([]*Record, error) {
	var records []*Record
	var errs []error
	var twice []config.Problem
	first := map[string]string{}
	for i, src := range l.CalibrationFiles {
		r, err := Read(src)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		if other := first[r.What()]; other != "" {
			twice = append(twice, config.Problem{Path: []string{"calibrations", strconv.Itoa(i)},
				What: fmt.Sprintf("%s and %s both calibrate %s", other, src.Name, r.What()), Want: "the one that is to count"})
		}
		first[r.What()] = src.Name
		records = append(records, r)
	}
	return records, errors.Join(append(errs, l.Place(twice))...)
}

// Apply returns the calibration with the values of records over its own.
//
// A pump's rate stays what is asked for, as the pump's driver is told flows;
// the measured deviation from it is taken into the rate's uncertainty. To take
// the deviation out, give the driver the measured flow and calibrate again.
func Apply(cal rig.Calibration, records ...*Record) rig.Calibration {
	for _, r := range records {
		switch {
		case r.Pump != nil && r.Pump.Channel == rig.PumpSpray:
			cal.Spray.RateU = r.Pump.share()
		case r.Pump != nil:
			cal.Drip.Rate, cal.Drip.RateU = r.Pump.Flow, r.Pump.share()
			if r.Pump.Result.Drop > 0 {
				cal.Drip.Drop = r.Pump.Result.Drop
			}
		case r.Timing != nil:
			cal.Stamp = rig.LagCal{Lag: r.Timing.Result.Lag, U: r.Timing.Result.U}
		case r.Supply != nil:
			s := r.Supply.Result
			cal.Supply.SlewUp, cal.Supply.SlewDown, cal.Supply.RailU = s.SlewUp, s.SlewDown, s.RailU
		}
	}
	return cal
}

// Standings tells how the records stand at an instant.
func Standings(now time.Time, records ...*Record) []rig.Record {
	var out []rig.Record
	for _, r := range records {
		s := rig.Record{What: r.What(), Expires: string(r.Expires), State: rig.Valid}
		switch {
		case r.Expired(now):
			s.State = rig.Expired
		case now.Before(r.Date.Time()):
			s.State = rig.Future
		}
		out = append(out, s)
	}
	return out
}

// Warnings tells, a sentence each, of records that have expired or that are
// dated after now.
func Warnings(now time.Time, records ...*Record) []string {
	var out []string
	for i, s := range Standings(now, records...) {
		r := records[i]
		switch s.State {
		case rig.Expired:
			out = append(out, fmt.Sprintf("%s: the calibration of %s expired on %s; calibrate again with drench calibrate", r.Source.Name, r.What(), r.Expires))
		case rig.Future:
			out = append(out, fmt.Sprintf("%s: the calibration of %s is dated %s, which is yet to come; look at this machine's clock", r.Source.Name, r.What(), r.Date))
		}
	}
	return out
}
