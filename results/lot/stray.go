package lot

import (
	"fmt"
	"time"

	"drench/results/verdict"
)

// Ran is a run that the store has.
type Ran struct {
	Run     int64
	DUT     string // what the operator called the device: its serial number
	Sum     string // SHA-256 of the timeline in hexadecimal
	Verdict verdict.Verdict
	Started time.Time
}

// Strays compares a lot with the store, a sentence for each difference: runs
// on sampled devices, from the opening to the decision, that are not in the
// ledger, so that nobody tests until it passes; and results that the store has
// with another verdict, timeline or device, or not at all. runs are all that
// the store has of the time.
func (l *Lot) Strays(runs []Ran) []string {
	byNumber, entered, sampled := map[int64]Ran{}, map[int64]bool{}, map[string]int{}
	for _, r := range runs {
		byNumber[r.Run] = r
	}
	var found []string
	for _, u := range l.Units {
		if u.Serial != "" {
			sampled[u.Serial] = u.Sample
		}
		for _, r := range u.Results {
			entered[r.Run] = true
			if text := differs(r, byNumber); text != "" {
				found = append(found, fmt.Sprintf("entry %d, sample %d: %s", r.Entry, u.Sample, text))
			}
		}
	}
	for _, r := range runs {
		sample, ok := sampled[r.DUT]
		late := l.Decision != Open && r.Started.After(l.Decided.At)
		if ok && !entered[r.Run] && !late && !r.Started.Before(l.Opened.At) {
			found = append(found, fmt.Sprintf("run %d tested %s, sample %d, and ended %v; it is not in the ledger", r.Run, r.DUT, sample, r.Verdict))
		}
	}
	return found
}

// differs says how a result and the store's run are not the same. A voided
// result may be of another device: that may be why it was voided.
func differs(r Result, runs map[int64]Ran) string {
	kept, ok := runs[r.Run]
	switch {
	case !ok:
		return fmt.Sprintf("run %d is not in the store", r.Run)
	case kept.Sum != r.Sum:
		return fmt.Sprintf("run %d has the timeline %.12s… in the store, and %.12s… here", r.Run, kept.Sum, r.Sum)
	case kept.Verdict != r.Verdict:
		return fmt.Sprintf("run %d ended %v in the store, and %v here", r.Run, kept.Verdict, r.Verdict)
	case r.Voided == "" && kept.DUT != r.Serial:
		return fmt.Sprintf("run %d is of %q in the store, and of %q here", r.Run, kept.DUT, r.Serial)
	}
	return ""
}
