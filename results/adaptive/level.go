package adaptive

import "fmt"

// LevelPlan says how a boundary between levels is looked for, of which the
// higher ones are held and the lower ones not: a supply's level, for instance.
type LevelPlan struct {
	Low, High  int64 // the levels that may be tried, in any unit
	Resolution int64 // ends the search: the bracket is no wider than this
	Repeats    int   // how often a level must be held before it counts as held
}

// LevelTrial is a level and whether it was held.
type LevelTrial struct {
	Level int64
	Held  bool
}

// Bracket is what is known of a boundary.
type Bracket struct {
	Next    int64 // the level to try next
	Settled bool  // the bracket is as narrow as asked, or the boundary is off the levels
	// Failed is the highest level that was not held, Held the lowest above it
	// that was, every time; Has… tell whether there is one. Where trials
	// contradict each other the failure counts.
	Failed, Held       int64
	HasFailed, HasHeld bool
}

// Next returns the next level by bisection: first the highest, then the lowest,
// then the middle of the bracket, each until it has failed once or was held
// Repeats times. A level that was held often enough and fails later moves the
// bracket up again.
//
// It returns an error for a plan that is none.
func (p LevelPlan) Next(seen []LevelTrial) (Bracket, error) {
	if p.High <= p.Low || p.Resolution <= 0 || p.Repeats < 1 {
		return Bracket{}, fmt.Errorf("levels from %d to %d to within %d, each %d times: expected a low level, a higher one, a resolution above 0 and at least once",
			p.Low, p.High, p.Resolution, p.Repeats)
	}
	b := p.bracket(seen)
	switch {
	case !b.HasHeld && b.HasFailed && b.Failed >= p.High, b.HasHeld && !b.HasFailed && b.Held <= p.Low:
		b.Settled = true
	case !b.HasHeld:
		b.Next = p.High
	case !b.HasFailed:
		b.Next = p.Low
	case b.Held-b.Failed <= p.Resolution || b.Held-b.Failed < 2:
		b.Settled = true
	default:
		b.Next = b.Failed + (b.Held-b.Failed)/2
	}
	return b, nil
}

// bracket reads the trials.
func (p LevelPlan) bracket(seen []LevelTrial) Bracket {
	var b Bracket
	for _, t := range seen {
		if !t.Held && (!b.HasFailed || t.Level > b.Failed) {
			b.Failed, b.HasFailed = t.Level, true
		}
	}
	held := make(map[int64]int)
	for _, t := range seen {
		if !t.Held || b.HasFailed && t.Level <= b.Failed {
			continue
		}
		held[t.Level]++
		if held[t.Level] >= p.Repeats && (!b.HasHeld || t.Level < b.Held) {
			b.Held, b.HasHeld = t.Level, true
		}
	}
	return b
}
