package instrument

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// table lists all headers. Common commands are those that IEEE 488.2, chapter
// 10 makes mandatory; SYSTem and STATus those of SCPI-1999, volume 1, 4.2.1;
// the others are from volume 2: DISPlay, MEASure, OUTPut, SOURce (all from
// memory).
func table() []command {
	all := []command{
		common("*CLS", set(0, func(m *message) *event { m.in.status.clear(); return nil })),
		common("*ESE", set(1, (*message).setEventEnable), ask(func(m *message) string { return integer(m.in.status.eventEnable) })),
		common("*ESR", ask(readEvents)),
		common("*IDN", ask(identify)),
		common("*OPC", set(0, (*message).operationComplete), answer((*message).completed)),
		common("*RST", set(0, (*message).reset)),
		common("*SRE", set(1, (*message).setRequest), ask(func(m *message) string { return integer(m.in.status.request) })),
		common("*STB", ask(func(m *message) string { return integer(m.in.status.byte(len(m.answers) > 0)) })),
		common("*TST", ask(func(*message) string { return "0" })),
		common("*WAI", set(0, func(m *message) *event { m.wait(); return nil })),

		header("SYSTem:ERRor[:NEXT]", ask(func(m *message) string { return m.in.status.next().String() })),
		header("SYSTem:ERRor:COUNt", ask(func(m *message) string { return integer(len(m.in.status.queue)) })),
		header("SYSTem:VERSion", ask(func(*message) string { return "1999.0" })),
		header("STATus:PRESet", set(0, func(m *message) *event { m.in.status.preset(); return nil })),
		header("DISPlay[:WINDow]:TEXT[:DATA]", set(1, (*message).show), ask(func(m *message) string { return quote(m.in.display) })),
		header("OUTPut[:STATe]", set(1, (*message).output), ask(func(m *message) string { return boolean(m.in.out.on) })),
		header("MEASure[:SCALar]:VOLTage[:DC]", ask(measureVoltage)),
		header("MEASure[:SCALar]:CURRent[:DC]", ask(measureCurrent)),
	}
	all = append(all, registers("STATus:OPERation", func(s *status) *register { return &s.oper })...)
	all = append(all, registers("STATus:QUEStionable", func(s *status) *register { return &s.ques })...)
	return append(all, source()...)
}

// source is the SOURce subsystem.
func source() []command {
	voltage := quantity{"V", func(in *Instrument) (span, *float64) { return in.cfg.Voltage.span(), &in.out.level }}
	current := quantity{"A", func(in *Instrument) (span, *float64) { return in.cfg.Current.span(), &in.out.limit }}
	overVoltage := quantity{"V", func(in *Instrument) (span, *float64) { return in.cfg.OverVoltage.span(), &in.out.overVoltage.level }}
	overCurrent := quantity{"A", func(in *Instrument) (span, *float64) { return in.cfg.OverCurrent.span(), &in.out.overCurrent.level }}
	all := []command{
		header("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", set(1, voltage.set), hinted(voltage.get)),
		header("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", set(1, current.set), hinted(current.get)),
		header("[SOURce:]VOLTage:PROTection[:LEVel]", set(1, overVoltage.set), hinted(overVoltage.get)),
		header("[SOURce:]CURRent:PROTection[:LEVel]", set(1, overCurrent.set), hinted(overCurrent.get)),
	}
	all = append(all, guards("[SOURce:]VOLTage:PROTection", func(in *Instrument) *protection { return &in.out.overVoltage })...)
	return append(all, guards("[SOURce:]CURRent:PROTection", func(in *Instrument) *protection { return &in.out.overCurrent })...)
}

// form adds a command form or a query form to a header.
type form func(*command)

func common(name string, forms ...form) command {
	return build([]node{{short: name, long: name}}, forms)
}

func header(pattern string, forms ...form) command { return build(parse(pattern), forms) }

func build(p []node, forms []form) command {
	c := command{pattern: p}
	for _, f := range forms {
		f(&c)
	}
	return c
}

func set(data int, run func(*message) *event) form {
	return func(c *command) { c.set, c.data = run, data }
}

// answer is a query that can fail.
func answer(run func(*message) *event) form { return func(c *command) { c.query = run } }

// hinted is a query that takes MINimum, MAXimum or DEFault.
func hinted(run func(*message) *event) form {
	return func(c *command) { c.query, c.hint = run, 1 }
}

// ask is a query that always has an answer.
func ask(get func(*message) string) form {
	return answer(func(m *message) *event { m.answer(get(m)); return nil })
}

// registers are the commands of a status register set.
func registers(path string, of func(*status) *register) []command {
	register := func(m *message) *register { return of(&m.in.status) }
	return []command{
		header(path+"[:EVENt]", ask(func(m *message) string { return integer(register(m).read()) })),
		header(path+":CONDition", ask(func(m *message) string { return integer(register(m).now) })),
		header(path+":ENABle",
			set(1, func(m *message) *event {
				// Bit 15 is not used and reads 0 (SCPI-1999, volume 1, chapter 9,
				// from memory), though a mask may name it.
				n, e := m.mask(math.MaxUint16)
				if e == nil {
					register(m).enable = uint16(n) & 0x7fff
				}
				return e
			}),
			ask(func(m *message) string { return integer(register(m).enable) })),
	}
}

// guards are the commands of a protection beside its level.
func guards(path string, of func(*Instrument) *protection) []command {
	return []command{
		header(path+":STATe",
			set(1, func(m *message) *event {
				on, e := m.data[0].boolean()
				if e == nil {
					of(m.in).armed = on
				}
				return e
			}),
			ask(func(m *message) string { return boolean(of(m.in).armed) })),
		header(path+":TRIPped", ask(func(m *message) string { return boolean(of(m.in).tripped) })),
		header(path+":CLEar", set(0, func(m *message) *event {
			of(m.in).tripped = false
			m.in.out.aim()
			return nil
		})),
	}
}

// mask reads a register's value: a number that is rounded to an integer.
func (m *message) mask(most float64) (int, *event) {
	d := m.data[0]
	if d.kind != number {
		return 0, d.refused()
	}
	v, e := d.in("")
	if e != nil {
		return 0, e
	}
	if v = math.Round(v); !(v >= 0 && v <= most) {
		return 0, fail(-222)
	}
	return int(v), nil
}

func (m *message) setEventEnable() *event {
	n, e := m.mask(math.MaxUint8)
	if e == nil {
		m.in.status.eventEnable = uint8(n)
	}
	return e
}

// setRequest is *SRE; bit 6 is not to be set (IEEE 488.2, 10.34).
func (m *message) setRequest() *event {
	n, e := m.mask(math.MaxUint8)
	if e == nil {
		m.in.status.request = uint8(n) &^ masterSummary
	}
	return e
}

// readEvents is *ESR?: reading clears (IEEE 488.2, 10.12).
func readEvents(m *message) string {
	n := m.in.status.events
	m.in.status.events = 0
	return integer(n)
}

// identify is *IDN?: four fields of arbitrary ASCII, which only the end of the
// message ends (IEEE 488.2, 10.14).
func identify(m *message) string {
	m.indefinite = true
	return strings.Join(m.in.cfg.Identity[:], ",")
}

// operationComplete is *OPC: it sets the event bit once nothing is pending.
func (m *message) operationComplete() *event {
	m.in.status.completing = true
	return nil
}

// completed is *OPC?: it answers 1 once nothing is pending (IEEE 488.2, 10.19).
func (m *message) completed() *event {
	if m.wait() {
		m.answer("1")
	}
	return nil
}

// reset is *RST: it touches neither status registers nor error queue, but a
// waiting *OPC is forgotten (IEEE 488.2, 10.32).
func (m *message) reset() *event {
	m.in.out.reset()
	m.in.status.completing = false
	m.in.display = ""
	return nil
}

// output is OUTPut[:STATe]. While a protection has tripped, the output can't
// be switched on.
func (m *message) output() *event {
	on, e := m.data[0].boolean()
	if e != nil {
		return e
	}
	if on && m.in.out.tripped() {
		return fail(-221)
	}
	m.in.out.on = on
	m.in.out.aim()
	return nil
}

// mostText is how much the display holds.
const mostText = 40

func (m *message) show() *event {
	d := m.data[0]
	if d.kind != text {
		return d.refused()
	}
	if len(d.text) > mostText {
		return fail(-223)
	}
	m.in.display = d.text
	return nil
}

func measureVoltage(m *message) string {
	v, _, _ := m.in.out.terminals()
	return decimal(v + m.in.noise.NormFloat64()*volts(m.in.cfg.NoiseV))
}

func measureCurrent(m *message) string {
	_, i, _ := m.in.out.terminals()
	return decimal(i + m.in.noise.NormFloat64()*amperes(m.in.cfg.NoiseA))
}

// span is what a quantity may be set to.
type span struct{ min, max, reset, step float64 }

func (v Volts) span() span { return span{volts(v.Min), volts(v.Max), volts(v.Reset), volts(v.Step)} }
func (a Amperes) span() span {
	return span{amperes(a.Min), amperes(a.Max), amperes(a.Reset), amperes(a.Step)}
}

// quantity is a number with a unit that can be set.
type quantity struct {
	unit string
	of   func(*Instrument) (span, *float64)
}

// set takes <numeric_value> (SCPI-1999, volume 1, 7.2.1). A number is rounded
// to the instrument's step, and rounding is no error (volume 2, chapter 21,
// execution errors).
func (q quantity) set(m *message) *event {
	s, v := q.of(m.in)
	n, e := s.number(m.data[0], q.unit)
	if e != nil {
		return e
	}
	n = math.Round(math.Round(n/s.step)*s.step*1e9) / 1e9 // 3300 steps of 0.001 are 3.3
	if !(n >= s.min && n <= s.max) {
		return fail(-222)
	}
	*v = n
	m.in.out.aim()
	return nil
}

// get answers the setting, or what a hint names.
func (q quantity) get(m *message) *event {
	s, v := q.of(m.in)
	n := *v
	if len(m.data) > 0 {
		d := m.data[0]
		if d.kind != word {
			return d.refused()
		}
		var e *event
		if n, e = s.number(d, q.unit); e != nil {
			return e
		}
		if math.IsNaN(n) || math.IsInf(n, 0) {
			return fail(-224)
		}
	}
	m.answer(decimal(n))
	return nil
}

func (s span) number(d element, unit string) (float64, *event) {
	switch d.kind {
	case number:
		return d.in(unit)
	case word:
		if v, ok := s.special(d.text); ok {
			return v, nil
		}
		return 0, fail(-141)
	}
	return 0, d.refused()
}

// special returns the value of a word that stands for a number.
func (s span) special(w string) (float64, bool) {
	for _, x := range []struct {
		name  node
		value float64
	}{
		{node{short: "MIN", long: "MINIMUM"}, s.min},
		{node{short: "MAX", long: "MAXIMUM"}, s.max},
		{node{short: "DEF", long: "DEFAULT"}, s.reset},
		{node{short: "INF", long: "INFINITY"}, math.Inf(1)},
		{node{short: "NINF", long: "NINFINITY"}, math.Inf(-1)},
		{node{short: "NAN", long: "NAN"}, math.NaN()},
	} {
		if w == x.name.short || w == x.name.long {
			return x.value, true
		}
	}
	return 0, false
}

// integer formats NR1 (IEEE 488.2, 8.7.2).
func integer[T ~int | ~uint8 | ~uint16](n T) string { return strconv.Itoa(int(n)) }

// boolean formats <Boolean>: 0 or 1, never a word (SCPI-1999, volume 1, 7.3).
func boolean(on bool) string {
	if on {
		return "1"
	}
	return "0"
}

// decimal formats NR3 (IEEE 488.2, 8.7.4).
func decimal(v float64) string { return fmt.Sprintf("%+.6E", v) }

// quote formats <STRING RESPONSE DATA> (IEEE 488.2, 8.7.8).
func quote(s string) string { return `"` + strings.ReplaceAll(s, `"`, `""`) + `"` }
