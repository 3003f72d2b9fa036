package virtual

import "drench/rig/portable"

// witness is the electrode beside the sensor. Water that reaches the sensor
// reaches it too; its line follows after a lag.
type witness struct {
	w    *world
	rnd  *portable.Rand
	line *timer
}

func newWitness(w *world) *witness {
	e := &witness{w: w, rnd: w.rand("witness")}
	e.line = newTimer(e.close)
	return e
}

// touch is the first water.
func (e *witness) touch() {
	lag := e.rnd.Normal(seconds(e.w.cfg.Lines.WitnessLag), seconds(e.w.cfg.Lines.WitnessScatter))
	if !e.w.faults.has(brokenWire) {
		e.w.queue.set(e.line, e.w.now.Add(after(max(lag, 0))))
	}
}

func (e *witness) close() { e.w.wires.drive(chWitness, 1) }

// dry is the end of the last water.
func (e *witness) dry() {
	e.w.queue.stop(e.line)
	e.w.wires.drive(chWitness, 0)
}
