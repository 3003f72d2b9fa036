package instrument

import "fmt"

// event is an entry for the error queue.
type event struct {
	code   int
	detail string // device-dependent information; printable, without quotes
}

// fail returns an event without detail.
func fail(code int) *event { return &event{code: code} }

// texts are the descriptions of SCPI-1999, volume 2, chapter 21 (SYSTem),
// error/event numbers; all those that this instrument can report.
var texts = map[int]string{
	0:    "No error",
	-101: "Invalid character",
	-102: "Syntax error",
	-103: "Invalid separator",
	-108: "Parameter not allowed",
	-109: "Missing parameter",
	-111: "Header separator error",
	-112: "Program mnemonic too long",
	-113: "Undefined header",
	-114: "Header suffix out of range",
	-121: "Invalid character in number",
	-123: "Exponent too large",
	-124: "Too many digits",
	-128: "Numeric data not allowed",
	-131: "Invalid suffix",
	-134: "Suffix too long",
	-138: "Suffix not allowed",
	-141: "Invalid character data",
	-144: "Character data too long",
	-148: "Character data not allowed",
	-151: "Invalid string data",
	-158: "String data not allowed",
	-161: "Invalid block data",
	-168: "Block data not allowed",
	-171: "Invalid expression",
	-178: "Expression data not allowed",
	-200: "Execution error",
	-221: "Settings conflict",
	-222: "Data out of range",
	-223: "Too much data",
	-224: "Illegal parameter value",
	-350: "Queue overflow",
	-363: "Input buffer overrun",
	-440: "Query UNTERMINATED after indefinite response",
}

// String formats the event as SYSTem:ERRor? answers it:
// number,"description;detail".
func (e event) String() string {
	text := texts[e.code]
	if e.detail != "" {
		text += ";" + e.detail
	}
	return fmt.Sprintf(`%d,"%s"`, e.code, text)
}

// syntactic tells whether the event is a command error (-100 to -199), after
// which the rest of a message can't be trusted.
func (e event) syntactic() bool { return e.code <= -100 && e.code > -200 }

// bit returns the bit of the event status register that the class of the
// event sets: IEEE 488.2, 11.5.1 as SCPI-1999, volume 2, chapter 21 maps it.
func (e event) bit() uint8 {
	switch {
	case e.code <= -400 && e.code > -500:
		return queryError
	case e.code <= -300 && e.code > -400 || e.code > 0:
		return deviceError
	case e.code <= -200 && e.code > -300:
		return executionError
	case e.syntactic():
		return commandError
	}
	return 0
}
