package instrument

import (
	"context"
	"math"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"
	"pgregory.net/rapid"
)

// jumper is a clock that nobody waits for.
type jumper struct {
	mu  sync.Mutex
	now time.Time
}

func newJumper() *jumper { return &jumper{now: time.Unix(0, 0)} }

func (j *jumper) Now() time.Time {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.now
}

func (j *jumper) Sleep(ctx context.Context, d time.Duration) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.now = j.now.Add(d)
	return ctx.Err()
}

// quiet is a bench supply without noise, on a clock of its own.
func quiet() (Config, *jumper) {
	cfg, clock := Bench(), newJumper()
	cfg.Clock, cfg.NoiseV, cfg.NoiseA = clock, 0, 0
	return cfg, clock
}

func start(t testing.TB, cfg Config) *Instrument {
	t.Helper()
	in, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return in
}

func exec(t testing.TB, in *Instrument, message string) string {
	t.Helper()
	answer, err := in.Exec(context.Background(), message)
	if err != nil {
		t.Fatalf("%q: %v", message, err)
	}
	return answer
}

// step is a program message and the response message that must follow.
type step struct{ send, want string }

const noError = `0,"No error"`

// spec has the rules of the standards, each with where it is found. "From
// memory" is a rule whose text was not looked up; a manual is named where it
// restates the standard.
var spec = []struct {
	rule, source string
	steps        []step
}{
	{"short and long form, any case, nothing between", "a counter's SCPI guide, “short and long forms”: SYSTE and CONFIG are command errors", []step{
		{"SYST:ERR?", noError}, {"SYSTEM:ERROR?", noError}, {"system:err?", noError}, {"sYsT:eRrOr:nExT?", noError},
		{"SYSTE:ERR?", ""}, {"SYST:ERR?", `-113,"Undefined header;SYSTE:ERR"`},
		{"VOLTA 5", ""}, {"SYST:ERR?", `-113,"Undefined header;VOLTA"`},
	}},
	{"optional nodes may be left out or written", "the same guide, “default nodes”", []step{
		{"VOLT 1", ""}, {"SOUR:VOLT:LEV:IMM:AMPL?", "+1.000000E+00"}, {"SOURCE:VOLTAGE:IMM 2", ""}, {"VOLT:AMPL?", "+2.000000E+00"},
		{":OUTP:STAT?", "0"}, {"SYST:ERR?", noError},
	}},
	{"the path of the last header less its leaf goes before the next", "SCPI-1999, vol. 1, 6.2.4; BOP programming manual 3.6.6", []step{
		{"SOUR:VOLT 5;CURR 0.1", ""}, {"VOLT?;CURR?", "+5.000000E+00;+1.000000E-01"},
		{"STAT:OPER:COND?;ENAB 16", "0"}, {"STAT:OPER:ENAB?", "16"},
		{"SYST:ERR?", noError},
	}},
	{"an optional node is in the path only when written", "from memory", []step{
		{"VOLT:PROT 6;LEV 5", ""}, {"VOLT?", "+5.000000E+00"}, {"VOLT:PROT?", "+6.000000E+00"},
		{"VOLT:PROT:LEV 7;STAT OFF", ""}, {"VOLT:PROT?;PROT:STAT?", "+7.000000E+00;0"},
		{"SYST:ERR?", noError},
	}},
	{"a colon in front goes back to the root; without it the path stays", "BOP programming manual 3.6.6: meas:volt?;curr? against meas:volt?;:curr?", []step{
		{"MEAS:VOLT?;CURR?", "+0.000000E+00;+0.000000E+00"}, {"MEAS:VOLT?;:CURR?", "+0.000000E+00;+3.000000E+00"},
		{"MEAS:VOLT?;VOLT 5", "+0.000000E+00"}, {"SYST:ERR?", `-113,"Undefined header;MEAS:VOLT"`}, {"VOLT?", "+0.000000E+00"},
	}},
	{"a terminator goes back to the root", "BOP programming manual 3.6.6", []step{
		{"STAT:OPER:COND?", "0"}, {"ENAB 16", ""}, {"SYST:ERR?", `-113,"Undefined header;ENAB"`},
	}},
	{"a common command leaves the path alone", "SCPI-1999, vol. 1, 6.2.4 (from memory)", []step{
		{"SOUR:VOLT 5;*CLS;CURR 0.2", ""}, {"CURR?", "+2.000000E-01"}, {"SYST:ERR?", noError},
	}},
	{"white space is 0 to 9 and 11 to 32, around units and data", "IEEE 488.2, 7.4.1.2 (from memory)", []step{
		{" \tVOLT\x00\x1f 4 ;\v CURR 1 \r", ""}, {"VOLT?;\rCURR?\r", "+4.000000E+00;+1.000000E+00"}, {"", ""}, {" ", ""}, {"SYST:ERR?", noError},
	}},
	{"numbers in any of NR1, NR2, NR3, with blanks at the exponent", "IEEE 488.2, 7.7.2; 83620B programming guide p. 1-74", []step{
		{"VOLT 3", ""}, {"VOLT?", "+3.000000E+00"}, {"VOLT +3.", ""}, {"VOLT?", "+3.000000E+00"}, {"VOLT .5", ""}, {"VOLT?", "+5.000000E-01"},
		{"VOLT 0.0456e 2", ""}, {"VOLT?", "+4.560000E+00"}, {"VOLT 3300 E -3", ""}, {"VOLT?", "+3.300000E+00"},
		{"*ESE #H1F", ""}, {"*ESE?", "31"}, {"*ESE #q17;*ESE?", "15"}, {"*ESE #B101;*ESE?", "5"}, {"SYST:ERR?", noError},
	}},
	{"suffixes: M is milli and MA mega", "IEEE 488.2, 7.7.3 (from memory)", []step{
		{"VOLT 3300mV", ""}, {"VOLT?", "+3.300000E+00"}, {"VOLT 0.005 KV", ""}, {"VOLT?", "+5.000000E+00"}, {"VOLT 2 V;VOLT?", "+2.000000E+00"},
		{"CURR 20 MA", ""}, {"CURR?", "+2.000000E-02"}, {"CURR 1500000 uA;CURR?", "+1.500000E+00"}, {"VOLT 0.000005 MAV;VOLT?", "+5.000000E+00"},
		{"SYST:ERR?", noError},
	}},
	{"a suffix of another unit is invalid; a mask takes none", "SCPI-1999, vol. 2, ch. 21: -131, -138, -134", []step{
		{"VOLT 5 A", ""}, {"SYST:ERR?", `-131,"Invalid suffix"`}, {"VOLT 5 QV", ""}, {"SYST:ERR?", `-131,"Invalid suffix"`},
		{"*ESE 5 V", ""}, {"SYST:ERR?", `-138,"Suffix not allowed"`}, {"VOLT 5 VVVVVVVVVVVVV", ""}, {"SYST:ERR?", `-134,"Suffix too long"`},
	}},
	{"MINimum, MAXimum, DEFault set and can be asked for", "SCPI-1999, vol. 1, 7.2.1; a remote-control primer, “special numeric values”", []step{
		{"VOLT MAX", ""}, {"VOLT?", "+3.000000E+01"}, {"VOLT minimum", ""}, {"VOLT?", "+0.000000E+00"}, {"CURR DEF;CURR?", "+3.000000E+00"},
		{"VOLT? MAX;VOLT? MIN;VOLT? DEF", "+3.000000E+01;+0.000000E+00;+0.000000E+00"}, {"VOLT:PROT? MAX", "+3.300000E+01"},
		{"VOLT MAXI", ""}, {"SYST:ERR?", `-141,"Invalid character data"`}, {"VOLT? 5", ""}, {"SYST:ERR?", `-128,"Numeric data not allowed"`}, {"VOLT? INF", ""}, {"SYST:ERR?", `-224,"Illegal parameter value"`},
	}},
	{"infinity and not-a-number are numbers out of range", "SCPI-1999, vol. 1, 7.2.1 (from memory)", []step{
		{"VOLT INF", ""}, {"SYST:ERR?", `-222,"Data out of range"`}, {"VOLT NINF", ""}, {"SYST:ERR?", `-222,"Data out of range"`},
		{"VOLT NAN", ""}, {"SYST:ERR?", `-222,"Data out of range"`}, {"VOLT 9.9E37", ""}, {"SYST:ERR?", `-222,"Data out of range"`},
	}},
	{"rounding to the step is no error", "SCPI-1999, vol. 2, ch. 21, execution errors", []step{
		{"VOLT 3.30049", ""}, {"VOLT?", "+3.300000E+00"}, {"VOLT 30.0004", ""}, {"VOLT?", "+3.000000E+01"}, {"SYST:ERR?", noError},
		{"VOLT 30.0006", ""}, {"SYST:ERR?", `-222,"Data out of range"`}, {"VOLT?", "+3.000000E+01"},
	}},
	{"booleans: ON, OFF or a rounded number; answered as 0 or 1", "SCPI-1999, vol. 1, 7.3; IQS-600 guide p. 283", []step{
		{"OUTP ON", ""}, {"OUTP?", "1"}, {"OUTP 0.4", ""}, {"OUTP?", "0"}, {"OUTP 17", ""}, {"OUTP?", "1"}, {"OUTP off", ""}, {"OUTP?", "0"},
		{"OUTP -0.6", ""}, {"OUTP?", "1"}, {"OUTP MAX", ""}, {"SYST:ERR?", `-141,"Invalid character data"`}, {"OUTP 'ON'", ""}, {"SYST:ERR?", `-158,"String data not allowed"`},
	}},
	{"strings in either quote, a quote inside doubled, a semicolon inside no separator", "IEEE 488.2, 7.7.5 and 8.7.8 (from memory)", []step{
		{`DISP:TEXT "a;b, ""c"""`, ""}, {"DISP:TEXT?", `"a;b, ""c"""`}, {`DISP:WIND:TEXT:DATA 'it''s'`, ""}, {"DISP:TEXT?", `"it's"`},
		{`DISP:TEXT "open`, ""}, {"SYST:ERR?", `-151,"Invalid string data"`}, {"DISP:TEXT 5", ""}, {"SYST:ERR?", `-128,"Numeric data not allowed"`},
		{`DISP:TEXT "0123456789012345678901234567890123456789x"`, ""}, {"SYST:ERR?", `-223,"Too much data"`},
	}},
	{"answers of one message are joined by semicolons", "IEEE 488.2, 8.4 (from memory)", []step{
		{"VOLT?;*ESE?;:OUTP?", "+0.000000E+00;0;0"},
	}},
	{"*IDN? answers four fields", "IEEE 488.2, 10.14", []step{{"*IDN?", "drench,simulated supply,0,1.0"}}},
	{"no query after *IDN? in its message", "IEEE 488.2, 6.5.7.5; SCPI-1999, vol. 2, ch. 21: -440", []step{
		{"*IDN?;VOLT?", "drench,simulated supply,0,1.0"}, {"SYST:ERR?", `-440,"Query UNTERMINATED after indefinite response"`},
		{"*ESR?", "132"}, {"VOLT?;*IDN?", "+0.000000E+00;drench,simulated supply,0,1.0"}, {"SYST:ERR?", noError},
	}},
	{"*TST? answers 0 when good", "IEEE 488.2, 10.38", []step{{"*TST?", "0"}}},
	{"the version is year and revision", "SCPI-1999, vol. 2, 21.21", []step{{"SYST:VERS?", "1999.0"}}},
	{"power-up sets PON; reading the event register clears it", "IEEE 488.2, 11.5.1 and 10.12", []step{{"*ESR?", "128"}, {"*ESR?", "0"}}},
	{"each class of error sets its event bit", "SCPI-1999, vol. 2, ch. 21; IEEE 488.2, 11.5.1", []step{
		{"*ESR?", "128"}, {"FOO", ""}, {"*ESR?", "32"}, {"VOLT 99", ""}, {"*ESR?", "16"}, {"*IDN?;*ESE?", "drench,simulated supply,0,1.0"}, {"*ESR?", "4"},
	}},
	{"an execution error does not stop the message, a command error does", "from memory", []step{
		{"VOLT 99;CURR 1;VOLT?", "+0.000000E+00"}, {"CURR?", "+1.000000E+00"}, {"*CLS;FOO;CURR 2", ""}, {"CURR?", "+1.000000E+00"}, {"SYST:ERR?", `-113,"Undefined header;FOO"`},
	}},
	{"the queue gives the oldest first, then no error", "SCPI-1999, vol. 2, 21.8", []step{
		{"VOLT 99", ""}, {"FOO", ""}, {"SYST:ERR:COUN?", "2"}, {"SYST:ERR?", `-222,"Data out of range"`}, {"SYST:ERR?", `-113,"Undefined header;FOO"`}, {"SYST:ERR?", noError}, {"SYST:ERR:COUN?", "0"},
	}},
	{"error queue bit, MAV, ESB and MSS of the status byte", "IEEE 488.2, 11.2 and 10.36; SCPI-1999, vol. 1, ch. 9 (from memory)", []step{
		{"*CLS;*STB?", "0"}, {"FOO", ""}, {"*STB?", "4"}, {"*ESE 32;*STB?", "36"}, {"*SRE 32;*STB?", "100"},
		{"VOLT?;*STB?", "+0.000000E+00;116"}, {"*CLS;*STB?", "0"}, {"*ESE?;*SRE?", "32;32"},
	}},
	{"bit 6 of *SRE is not to be set; masks are 0 to 255", "IEEE 488.2, 10.34 and 10.10 (from memory)", []step{
		{"*SRE 255;*SRE?", "191"}, {"*ESE 256", ""}, {"SYST:ERR?", `-222,"Data out of range"`}, {"*ESE -1", ""}, {"SYST:ERR?", `-222,"Data out of range"`}, {"*ESE 7.6;*ESE?", "8"},
	}},
	{"*CLS empties the queue and the event registers, not the enables", "IEEE 488.2, 10.3", []step{
		{"*ESE 60;*SRE 4;STAT:QUES:ENAB 3", ""}, {"FOO", ""}, {"*CLS", ""}, {"*ESR?", "0"}, {"SYST:ERR?", noError}, {"*ESE?;*SRE?;:STAT:QUES:ENAB?", "60;4;3"},
	}},
	{"*RST resets settings, not the queue and not the registers", "IEEE 488.2, 10.32", []step{
		{"VOLT 5;CURR 1;OUTP ON;*ESE 60", ""}, {"FOO", ""}, {"*RST", ""}, {"VOLT?;CURR?;:OUTP?;*ESE?", "+0.000000E+00;+3.000000E+00;0;60"}, {"SYST:ERR?", `-113,"Undefined header;FOO"`},
	}},
	{"STATus:PRESet clears the enables; bit 15 reads 0", "SCPI-1999, vol. 2, ch. 20 (from memory)", []step{
		{"STAT:QUES:ENAB 65535;ENAB?", "32767"}, {"STAT:OPER:ENAB 2", ""}, {"STAT:PRES", ""}, {"STAT:QUES:ENAB?;:STAT:OPER:ENAB?", "0;0"},
	}},
	{"*OPC? answers 1 when the output has settled", "IEEE 488.2, 10.19", []step{
		{"VOLT 5;:OUTP ON;:STAT:OPER:COND?", "2"}, {"*OPC?", "1"}, {"STAT:OPER:COND?", "0"}, {"STAT:OPER?", "2"}, {"STAT:OPER?", "0"}, {"*ESR?", "128"},
	}},
	{"*OPC sets its bit when the output has settled; *WAI waits", "IEEE 488.2, 10.18 and 10.39", []step{
		{"*CLS;VOLT 5;:OUTP ON;*OPC;*ESR?", "0"}, {"*WAI", ""}, {"*ESR?", "1"}, {"*OPC;*ESR?", "1"},
	}},
	{"*CLS and *RST forget a waiting *OPC", "IEEE 488.2, 10.3 and 10.32", []step{
		{"*CLS;VOLT 5;:OUTP ON;*OPC;*CLS;*WAI;*ESR?", "0"}, {"VOLT 9;*OPC;*RST;*WAI;*ESR?", "0"},
	}},
	{"OPER and QUES summaries", "SCPI-1999, vol. 1, ch. 9 (from memory)", []step{
		{"*CLS;STAT:OPER:ENAB 2;:VOLT 5;:OUTP ON;*STB?", "128"}, {"*SRE 128;*STB?", "192"}, {"STAT:OPER?", "2"}, {"*STB?", "0"},
	}},
	{"syntax errors", "SCPI-1999, vol. 2, ch. 21, error/event numbers", []step{
		{"VO&LT 5", ""}, {"SYST:ERR?", `-101,"Invalid character"`}, {"\xc3\xa9", ""}, {"SYST:ERR?", `-101,"Invalid character"`},
		{"VOLT 5;;CURR 1", ""}, {"SYST:ERR?", `-102,"Syntax error"`}, {"VOLT 5;", ""}, {"SYST:ERR?", `-102,"Syntax error"`}, {"VOLT: 5", ""}, {"SYST:ERR?", `-102,"Syntax error"`},
		{"*ESE 1:CURR 5", ""}, {"SYST:ERR?", `-103,"Invalid separator"`}, {"VOLT 5 6", ""}, {"SYST:ERR?", `-103,"Invalid separator"`},
		{"VOLT 5,6", ""}, {"SYST:ERR?", `-108,"Parameter not allowed"`}, {"*CLS 1", ""}, {"SYST:ERR?", `-108,"Parameter not allowed"`},
		{"VOLT", ""}, {"SYST:ERR?", `-109,"Missing parameter"`}, {`VOLT"5"`, ""}, {"SYST:ERR?", `-111,"Header separator error"`},
		{"MNEMONICTHIRT 5", ""}, {"SYST:ERR?", `-112,"Program mnemonic too long"`}, {"VOLT2 5", ""}, {"SYST:ERR?", `-114,"Header suffix out of range"`},
		{"*XYZ", ""}, {"SYST:ERR?", `-113,"Undefined header;*XYZ"`}, {"VOLT:PROT:CLE?", ""}, {"SYST:ERR?", `-113,"Undefined header;VOLT:PROT:CLE"`},
		{"VOLT +", ""}, {"SYST:ERR?", `-121,"Invalid character in number"`}, {"*ESE #HG", ""}, {"SYST:ERR?", `-121,"Invalid character in number"`},
		{"VOLT 1E32001", ""}, {"SYST:ERR?", `-123,"Exponent too large"`}, {"VOLT 1E32000", ""}, {"SYST:ERR?", `-222,"Data out of range"`},
		{"VOLT " + strings.Repeat("1", 256), ""}, {"SYST:ERR?", `-124,"Too many digits"`}, {"VOLT " + strings.Repeat("0", 256) + "1", ""}, {"VOLT?", "+1.000000E+00"},
		{"VOLT CHARACTERDAT", ""}, {"SYST:ERR?", `-141,"Invalid character data"`}, {"VOLT CHARACTERDATA", ""}, {"SYST:ERR?", `-144,"Character data too long"`},
		{"*ESE MAX", ""}, {"SYST:ERR?", `-148,"Character data not allowed"`}, {"VOLT #15abcde", ""}, {"SYST:ERR?", `-168,"Block data not allowed"`},
		{"VOLT #15abcd", ""}, {"SYST:ERR?", `-161,"Invalid block data"`}, {"VOLT (@1)", ""}, {"SYST:ERR?", `-178,"Expression data not allowed"`}, {"VOLT (@1", ""}, {"SYST:ERR?", `-171,"Invalid expression"`},
		{"VOLT 1;VOLT1:LEV1?", "+1.000000E+00"}, {"SYST:ERR?", noError},
	}},
}

func TestSpec(t *testing.T) {
	for _, rule := range spec {
		t.Run(rule.rule, func(t *testing.T) {
			cfg, _ := quiet()
			in := start(t, cfg)
			for _, s := range rule.steps {
				if got := exec(t, in, s.send); got != s.want {
					t.Fatalf("%q: got %q, want %q\n(%s: %s)", s.send, got, s.want, rule.rule, rule.source)
				}
			}
		})
	}
}

// TestQueueOverflow: the newest entry of a full queue becomes -350, and the
// queue works again once it has been read (SCPI-1999, vol. 2, 21.8; XDC manual
// p. 260).
func TestQueueOverflow(t *testing.T) {
	cfg, _ := quiet()
	cfg.Queue = 3
	in := start(t, cfg)
	exec(t, in, "*CLS")
	for range 5 {
		exec(t, in, "VOLT 99")
	}
	for i, want := range []string{`-222,"Data out of range"`, `-222,"Data out of range"`, `-350,"Queue overflow"`, noError} {
		if got := exec(t, in, "SYST:ERR?"); got != want {
			t.Errorf("entry %d is %s, want %s", i, got, want)
		}
	}
	if got := exec(t, in, "*ESR?"); got != "24" { // execution error and, for -350, device error
		t.Errorf("*ESR? answers %s, want 24", got)
	}
	exec(t, in, "FOO")
	if got := exec(t, in, "SYST:ERR?"); got != `-113,"Undefined header;FOO"` {
		t.Errorf("after the queue was read, an error is %s", got)
	}
}

// TestEveryErrorHasItsText: what is reported has a description, and number,
// quotes and text fit the 255 characters of SCPI-1999, vol. 2, 21.8 (from
// memory).
func TestEveryErrorHasItsText(t *testing.T) {
	cfg, _ := quiet()
	cfg.Queue = 100
	in := start(t, cfg)
	exec(t, in, strings.Repeat("A:", 300)+"A")
	got := exec(t, in, "SYST:ERR?")
	if !strings.HasPrefix(got, `-113,"Undefined header;A:A`) || len(got) > 255 {
		t.Errorf("a long header gives %q of %d characters", got, len(got))
	}
	for code := range texts {
		e := event{code: code}
		if code != 0 && e.bit() == 0 {
			t.Errorf("%v sets no event bit", e)
		}
	}
}

// TestHeaderForms: any mix of short and long form, case, optional nodes and
// the suffix 1 is the same command.
func TestHeaderForms(t *testing.T) {
	cfg, _ := quiet()
	in := start(t, cfg)
	words := [][]string{
		{"", "SOUR:", "SOURCE:", ":SOUR:", "SOUR1:"}, {"VOLT", "VOLTAGE", "VOLT1"}, {"", ":LEV", ":LEVEL"}, {"", ":IMM", ":IMMEDIATE"}, {"", ":AMPL", ":AMPLITUDE"},
	}
	rapid.Check(t, func(t *rapid.T) {
		var b strings.Builder
		for _, w := range words {
			for _, r := range rapid.SampledFrom(w).Draw(t, "keyword") {
				c := string(r)
				if rapid.Bool().Draw(t, "lower") {
					c = strings.ToLower(c)
				}
				b.WriteString(c)
			}
		}
		mv := rapid.IntRange(0, 30000).Draw(t, "mV")
		answer, err := in.Exec(context.Background(), b.String()+" "+strconv.Itoa(mv)+"MV;"+":"+strings.TrimPrefix(b.String(), ":")+"?")
		if err != nil {
			t.Fatal(err)
		}
		if got, err := strconv.ParseFloat(answer, 64); err != nil || math.Abs(got-float64(mv)/1000) > 1e-9 {
			t.Fatalf("%s: set to %d mV, answers %q", b.String(), mv, answer)
		}
	})
}

// TestNumberForms: a number means the same in every form that NRf allows.
func TestNumberForms(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-1e30, 1e30).Draw(t, "v")
		form := rapid.SampledFrom([]byte("feEgG")).Draw(t, "form")
		s := strconv.FormatFloat(v, form, -1, 64)
		if len(strings.TrimLeft(s, "-0.")) > mostDigits {
			t.Skip("too many digits")
		}
		d, e := (&scanner{in: []byte(s)}).decimal()
		if e != nil || d.value != v || d.suffix != "" {
			t.Fatalf("%s: got %v (%v), want %v", s, d, e, v)
		}
	})
}

// TestPowerCycle: state is lost and the power-on bit set.
func TestPowerCycle(t *testing.T) {
	cfg, _ := quiet()
	in := start(t, cfg)
	exec(t, in, "*CLS;VOLT 5;:OUTP ON;*ESE 60")
	in.PowerCycle()
	if got := exec(t, in, "VOLT?;:OUTP?;*ESE?;*ESR?"); got != "+0.000000E+00;0;0;128" {
		t.Errorf("after power-up: %s", got)
	}
}

func TestConfig(t *testing.T) {
	for name, spoil := range map[string]func(*Config){
		"voltage":  func(c *Config) { c.Voltage.Step = 0 },
		"current":  func(c *Config) { c.Current.Reset = 9 * physic.Ampere },
		"ovp":      func(c *Config) { c.OverVoltage.Reset = 0 },
		"ocp":      func(c *Config) { c.OverCurrent.Min = 9 * physic.Ampere },
		"slew":     func(c *Config) { c.SlewDown = 0 },
		"band":     func(c *Config) { c.Band = 0 },
		"noise":    func(c *Config) { c.NoiseA = -1 },
		"queue":    func(c *Config) { c.Queue = 1 },
		"input":    func(c *Config) { c.Input = 10 },
		"identity": func(c *Config) { c.Identity[2] = "a,b" },
	} {
		cfg := Bench()
		spoil(&cfg)
		if _, err := New(cfg); err == nil {
			t.Errorf("%s: a spoilt config is accepted", name)
		}
	}
	if _, err := New(Bench()); err != nil {
		t.Error(err)
	}
}

// FuzzMessage: no message may panic, give an answer that is not 7-bit and
// bounded, leave the settings out of their range or keep the instrument from
// answering the next one.
func FuzzMessage(f *testing.F) {
	for _, rule := range spec {
		for _, s := range rule.steps {
			f.Add([]byte(s.send))
		}
	}
	shape := regexp.MustCompile(`^(0|-?[0-9]+),"[^"]*"$`)
	f.Fuzz(func(t *testing.T, message []byte) {
		if len(message) > 1024 {
			t.Skip("longer than the input buffer")
		}
		cfg, clock := quiet()
		cfg.Load = func(v physic.ElectricPotential) physic.ElectricCurrent { return physic.ElectricCurrent(v / 10) }
		in := start(t, cfg)
		answer := exec(t, in, string(message))
		if len(answer) > 256*len(message) || strings.ContainsFunc(answer, func(r rune) bool { return r == '\n' || r > 0x7f }) {
			t.Fatalf("%q answers %q", message, answer)
		}
		clock.Sleep(context.Background(), time.Second)
		if v, i, _ := in.Output(); v < 0 || v > cfg.Voltage.Max || i < 0 || i > cfg.Current.Max {
			t.Fatalf("%q makes %v, %v", message, v, i)
		}
		for n := 0; ; n++ {
			e := exec(t, in, "SYST:ERR?")
			if !shape.MatchString(e) || n > cfg.Queue {
				t.Fatalf("%q: error queue answers %q at entry %d", message, e, n)
			}
			if e == noError {
				break
			}
		}
		if got := exec(t, in, "*CLS;*RST;VOLT 5;VOLT?"); got != "+5.000000E+00" {
			t.Fatalf("after %q, VOLT? answers %q", message, got)
		}
	})
}
