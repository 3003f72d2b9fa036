package instrument

// Bits of the standard event status register (IEEE 488.2, 11.5.1).
const (
	operationComplete uint8 = 1 << 0
	queryError        uint8 = 1 << 2
	deviceError       uint8 = 1 << 3
	executionError    uint8 = 1 << 4
	commandError      uint8 = 1 << 5
	powerOn           uint8 = 1 << 7
)

// Bits of the status byte (IEEE 488.2, 11.2; bits 2, 3 and 7 by SCPI-1999,
// volume 1, chapter 9, from memory).
const (
	errorAvailable   uint8 = 1 << 2
	questionable     uint8 = 1 << 3
	messageAvailable uint8 = 1 << 4
	eventSummary     uint8 = 1 << 5
	masterSummary    uint8 = 1 << 6
	operation        uint8 = 1 << 7
)

// Bits of the condition registers. Settling and voltage are SCPI-1999's. It
// leaves bits 9 to 12 to the designer (from memory); the protections are there.
const (
	settling        uint16 = 1 << 1  // OPERation
	voltageDoubtful uint16 = 1 << 0  // QUEStionable: the current limit holds the voltage down
	overVoltage     uint16 = 1 << 9  // QUEStionable: over-voltage protection has tripped
	overCurrent     uint16 = 1 << 10 // QUEStionable: over-current protection has tripped
)

// register is an OPERation or QUEStionable register set with the transition
// filters that STATus:PRESet gives: a condition that arises is an event.
type register struct{ now, event, enable uint16 }

func (r *register) update(now uint16) {
	r.event |= now &^ r.now
	r.now = now
}

func (r *register) read() uint16 {
	e := r.event
	r.event = 0
	return e
}

// status is the status reporting model: IEEE 488.2, chapter 11, with the
// registers and the error queue that SCPI-1999 adds.
type status struct {
	events, eventEnable, request uint8 // *ESR?, *ESE, *SRE
	oper, ques                   register
	queue                        []event
	completing                   bool // *OPC waits for pending operations
}

// powerUp sets the power-on event; the rest is as in a zero status.
func (s *status) powerUp() { s.events |= powerOn }

// clear is *CLS: event registers and error queue, also a waiting *OPC; not the
// enable registers (IEEE 488.2, 10.3).
func (s *status) clear() {
	s.events, s.oper.event, s.ques.event = 0, 0, 0
	s.queue = nil
	s.completing = false
}

// preset is STATus:PRESet (SCPI-1999, volume 2, chapter 20).
func (s *status) preset() { s.oper.enable, s.ques.enable = 0, 0 }

// report queues an error and sets the event bit of its class. In a full queue
// the newest entry becomes -350, and what comes after is lost (SCPI-1999,
// volume 2, 21.8).
func (s *status) report(e *event, most int) {
	s.events |= e.bit()
	if len(s.queue) < most {
		s.queue = append(s.queue, *e)
		return
	}
	s.queue[most-1] = *fail(-350)
	s.events |= deviceError
}

// next removes the oldest entry of the error queue.
func (s *status) next() event {
	if len(s.queue) == 0 {
		return event{}
	}
	e := s.queue[0]
	s.queue = s.queue[1:]
	return e
}

// complete says that no operation is pending.
func (s *status) complete() {
	if s.completing {
		s.completing = false
		s.events |= operationComplete
	}
}

// condition takes over the output's state.
func (s *status) condition(o *output) {
	var oper, ques uint16
	if !o.settled(o.at) {
		oper |= settling
	}
	if _, _, limited := o.terminals(); limited && o.live() {
		ques |= voltageDoubtful
	}
	if o.overVoltage.tripped {
		ques |= overVoltage
	}
	if o.overCurrent.tripped {
		ques |= overCurrent
	}
	s.oper.update(oper)
	s.ques.update(ques)
}

// byte is the status byte with the master summary in bit 6, as *STB? reads it
// (IEEE 488.2, 10.36). available says that an answer waits.
func (s *status) byte(available bool) uint8 {
	var b uint8
	for _, summary := range []struct {
		set bool
		bit uint8
	}{
		{len(s.queue) > 0, errorAvailable},
		{s.ques.event&s.ques.enable != 0, questionable},
		{available, messageAvailable},
		{s.events&s.eventEnable != 0, eventSummary},
		{s.oper.event&s.oper.enable != 0, operation},
	} {
		if summary.set {
			b |= summary.bit
		}
	}
	if b&s.request != 0 {
		b |= masterSummary
	}
	return b
}
