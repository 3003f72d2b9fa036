package calibration

import (
	"errors"
	"fmt"
	"math"
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
// The drip pump is asked for the flow that was asked for when it was weighed, and
// believed to deliver what it delivered then. The spray pump is asked for many
// flows: its measured deviation is taken into its rate's uncertainty.
func Apply(cal rig.Calibration, records ...*Record) rig.Calibration {
	for _, r := range records {
		switch {
		case r.Pump != nil && r.Pump.Channel == rig.PumpSpray:
			cal.Spray.RateU = r.Pump.share()
		case r.Pump != nil:
			p := r.Pump.Result
			cal.Drip.Flow, cal.Drip.Rate = r.Pump.Flow, p.Rate
			cal.Drip.RateU = rig.Share(math.Ceil(1e9 * float64(p.RateU) / float64(p.Rate)))
			if r.Pump.Result.Drop > 0 {
				cal.Drip.Drop = r.Pump.Result.Drop
			}
			if s := r.Pump.Starts; s != nil {
				cal.Drip.Lag, cal.Drip.LagU = s.Result.Lag, s.Result.LagU
				if s.Result.Line > 0 {
					cal.Drip.LineVolume = s.Result.Line
				}
			}
		case r.Timing != nil:
			cal.Stamp = rig.LagCal{Lag: r.Timing.Result.Lag, U: r.Timing.Result.U}
		case r.DropGate != nil:
			cal.Gate = rig.GateCal{Fall: r.DropGate.Result.Fall, FallU: r.DropGate.Result.FallU}
		case r.Witness != nil:
			cal.Witness = r.Witness.Result
		case r.Switch != nil:
			cal.Supply.Switch = r.Switch.Result.Longest
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
