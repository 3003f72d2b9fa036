package virtual

import (
	"slices"
	"testing"

	"drench/rig"

	"pgregory.net/rapid"
)

// The queue against a plain list: whatever is set, moved and stopped, timers
// fire by instant, then in the order in which they were set.
func TestQueueOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		type entry struct {
			id int
			at rig.Instant
		}
		var q queue
		var model []entry // in the order of setting
		var fired []int
		timers := make([]*timer, 8)
		for i := range timers {
			timers[i] = newTimer(func() { fired = append(fired, i) })
		}
		forget := func(id int) {
			model = slices.DeleteFunc(model, func(e entry) bool { return e.id == id })
		}
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			id := rapid.IntRange(0, len(timers)-1).Draw(t, "timer")
			switch rapid.IntRange(0, 3).Draw(t, "what") {
			case 0:
				q.stop(timers[id])
				forget(id)
			case 1:
				if q.next() == rig.Never {
					continue
				}
				slices.SortStableFunc(model, func(a, b entry) int { return int(a.at - b.at) })
				q.step()
				if got := fired[len(fired)-1]; got != model[0].id || q.now != model[0].at {
					t.Fatalf("timer %d fired at %v, want %d at %v", got, q.now, model[0].id, model[0].at)
				}
				model = model[1:]
			default:
				at := rig.Instant(rapid.IntRange(0, 20).Draw(t, "at"))
				q.set(timers[id], at)
				forget(id)
				model = append(model, entry{id, max(at, q.now)})
			}
			for i, timer := range timers {
				if want := slices.ContainsFunc(model, func(e entry) bool { return e.id == i }); timer.pending() != want {
					t.Fatalf("timer %d pending: %v, want %v", i, timer.pending(), want)
				}
			}
		}
	})
}

// What is sent through a pipe arrives in order, none before its time.
func TestPipe(t *testing.T) {
	var q queue
	var got []int
	var at []rig.Instant
	p := newPipe(&q, func(v int) { got, at = append(got, v), append(at, q.now) })
	for i, a := range []rig.Instant{30, 10, 40} {
		p.send(a, i)
	}
	for q.next() != rig.Never {
		q.step()
	}
	if !slices.Equal(got, []int{0, 1, 2}) || !slices.Equal(at, []rig.Instant{30, 30, 40}) {
		t.Errorf("arrived %v at %v", got, at)
	}
}
