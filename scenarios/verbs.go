package scenarios

import (
	"fmt"
	"strings"
	"time"

	"drench/rig"

	"go.starlark.net/starlark"
)

// verb is one word that scripts act with. The table of them makes the
// builtins, the checks before a run, and the list that drench prints.
type verb struct {
	name   string
	about  string
	params []param
	needs  []string // channels without which the verb can't work
	moves  bool     // acts on the bench: only inside run()
	do     func(*session, arguments) (starlark.Value, error)
}

type form uint8

// Forms of an argument.
const (
	asQuantity form = iota
	asText
	asChoice // a text out of param.choices
	asInt
	asFloat
	asFunction
	asList
	asChannel // a text that names a channel
)

type param struct {
	name    string
	form    form
	units   []rig.Unit // of a quantity: any of these
	choices []string
	must    bool
	needs   []string // channels that giving this argument needs
}

func quantity(name string, units ...rig.Unit) param {
	return param{name: name, form: asQuantity, units: units}
}

func (p param) required() param                { p.must = true; return p }
func (p param) wants(channels ...string) param { p.needs = channels; return p }

// String shows the parameter as documentation does.
func (p param) String() string {
	var s string
	switch p.form {
	case asQuantity:
		var ex []string
		for _, u := range p.units {
			ex = append(ex, fmt.Sprintf("%q", u.Example()))
		}
		s = strings.Join(ex, " or ")
	case asChoice:
		s = `"` + strings.Join(p.choices, `", "`) + `"`
	default:
		s = [...]string{asText: "text", asInt: "whole number", asFloat: "number", asFunction: "function", asList: "list", asChannel: "channel"}[p.form]
	}
	if !p.must {
		return "[" + p.name + ": " + s + "]"
	}
	return p.name + ": " + s
}

// arguments are a call's arguments by name, checked against the verb's table.
type arguments map[string]starlark.Value

func (a arguments) has(name string) bool { return a[name] != nil }

func (a arguments) quantity(name string) rig.Quantity {
	if q, ok := a[name].(Quantity); ok {
		return q.Quantity
	}
	return rig.Quantity{}
}

func (a arguments) duration(name string) time.Duration { return time.Duration(a.quantity(name).N) }

func (a arguments) text(name string) string {
	s, _ := starlark.AsString(a[name])
	return s
}

func (a arguments) float(name string) float64 {
	f, _ := starlark.AsFloat(a[name])
	return f
}

// bind matches a call to the table.
func (v *verb) bind(args starlark.Tuple, kwargs []starlark.Tuple) (arguments, error) {
	if len(args) > len(v.params) {
		return nil, fmt.Errorf("%s takes at most %d arguments, not %d", v.name, len(v.params), len(args))
	}
	a := make(arguments)
	for i, x := range args {
		if err := v.accept(a, v.params[i], x); err != nil {
			return nil, err
		}
	}
	for _, kw := range kwargs {
		name := string(kw[0].(starlark.String))
		p, ok := v.param(name)
		if !ok {
			return nil, fmt.Errorf("%s has no argument %q; expected %s", v.name, name, v.signature())
		}
		if a.has(name) {
			return nil, fmt.Errorf("%s got its argument %q twice", v.name, name)
		}
		if err := v.accept(a, p, kw[1]); err != nil {
			return nil, err
		}
	}
	for _, p := range v.params {
		if p.must && !a.has(p.name) {
			return nil, fmt.Errorf("%s lacks its argument %q; expected %s", v.name, p.name, v.signature())
		}
	}
	return a, nil
}

func (v *verb) param(name string) (param, bool) {
	for _, p := range v.params {
		if p.name == name {
			return p, true
		}
	}
	return param{}, false
}

func (v *verb) accept(a arguments, p param, x starlark.Value) error {
	if x == starlark.None {
		return nil
	}
	y, err := p.convert(x)
	if err != nil {
		return fmt.Errorf("%s(%s=…): %w", v.name, p.name, err)
	}
	a[p.name] = y
	return nil
}

// signature shows how the verb is called.
func (v *verb) signature() string {
	var ps []string
	for _, p := range v.params {
		ps = append(ps, p.String())
	}
	return v.name + "(" + strings.Join(ps, ", ") + ")"
}

// convert checks one value.
func (p param) convert(x starlark.Value) (starlark.Value, error) {
	ok := true
	switch p.form {
	case asQuantity:
		q, err := toQuantity(x, p.units...)
		return Quantity{q}, err
	case asChoice:
		s, isText := starlark.AsString(x)
		for _, c := range p.choices {
			if isText && s == c {
				return x, nil
			}
		}
		return nil, fmt.Errorf("%v is none of %q", x, p.choices)
	case asText, asChannel:
		_, ok = starlark.AsString(x)
	case asInt:
		_, ok = x.(starlark.Int)
	case asFloat:
		_, ok = starlark.AsFloat(x)
	case asFunction:
		_, ok = x.(starlark.Callable)
	case asList:
		_, ok = x.(starlark.Iterable)
	}
	if !ok {
		return nil, fmt.Errorf("%v is a %s; expected %v", x, x.Type(), p)
	}
	return x, nil
}

// toQuantity takes a quantity, or a string that spells one, in one of the
// units.
func toQuantity(x starlark.Value, units ...rig.Unit) (rig.Quantity, error) {
	var q rig.Quantity
	switch x := x.(type) {
	case Quantity:
		q = x.Quantity
	case starlark.String:
		var err error
		if q, err = rig.ParseQuantity(string(x)); err != nil {
			return q, fmt.Errorf("%w; expected a value such as %s", err, examples(units))
		}
	default:
		return q, fmt.Errorf("%v has no unit; expected a value such as %s", x, examples(units))
	}
	for _, u := range units {
		if q.Unit == u {
			return q, nil
		}
	}
	return q, fmt.Errorf("%v has the wrong unit; expected a value such as %s", x, examples(units))
}

func examples(units []rig.Unit) string {
	var s []string
	for _, u := range units {
		s = append(s, fmt.Sprintf("%q", u.Example()))
	}
	return strings.Join(s, " or ")
}

var trialKinds = func() (names []string) {
	for _, k := range rig.TrialKinds {
		if k != rig.Dip {
			names = append(names, string(k))
		}
	}
	return names
}()

// verbs is the whole language beyond Starlark's own words.
var verbs = []verb{
	{name: "power", moves: true, needs: []string{rig.RelayDUT, rig.SupplySet, rig.Rail}, do: (*session).power,
		about:  "switches the DUT on and lets it start; before the first time, looks whether something else feeds it",
		params: []param{quantity("level", rig.Volt)}},
	{name: "power_off", moves: true, needs: []string{rig.RelayDUT}, do: (*session).powerOff,
		about: "switches the DUT off"},
	{name: "reset", moves: true, needs: []string{rig.Reset}, do: (*session).reset,
		about: "pulses the DUT's reset and lets it start"},
	{name: "wake", moves: true, needs: []string{rig.Wake}, do: (*session).wake,
		about: "pulses the DUT's wake input"},
	{name: "wait", moves: true, do: (*session).waitVerb,
		about: "lets time pass", params: []param{quantity("time", rig.Second).required()}},
	{name: "quiet", moves: true, do: (*session).quiet,
		about:  "lets time pass in which the DUT must stay quiet and its standby power counts",
		params: []param{quantity("time", rig.Second).required()}},
	{name: "prime", moves: true, needs: []string{rig.PumpDrip, rig.ValveAir}, do: (*session).prime,
		about: "fills the drip tube, throws the first drops away and dries the sensor"},
	{name: "drip", moves: true, needs: []string{rig.PumpDrip}, do: (*session).drip,
		about:  "gives a dose; counts drops where there is a drop gate",
		params: []param{quantity("dose", rig.Litre).required()}},
	{name: "spray", moves: true, needs: []string{rig.PumpSpray}, do: (*session).spray,
		about:  "rains on the sensor for a time",
		params: []param{quantity("rate", rig.RainRate).required(), quantity("time", rig.Second).required()}},
	{name: "dry_out", moves: true, needs: []string{rig.ValveAir}, do: (*session).dryOut,
		about:  "blows air until witness, detect line and readings say dry, at most for a time; tells whether they do",
		params: []param{quantity("limit", rig.Second)}},
	{name: "climate", moves: true, do: (*session).climate,
		about: "sets the chamber's humidity and the plate's temperature, at once or in small steps over a time",
		params: []param{quantity("humidity", rig.RelHum).wants(rig.Humidity), quantity("plate", rig.Kelvin).wants(rig.Plate),
			quantity("over", rig.Second)}},
	{name: "climate_off", moves: true, do: (*session).climateOff,
		about: "switches humidifier and plate off"},
	{name: "dew_point", moves: true, needs: []string{rig.AirTemp, rig.AirRH}, do: (*session).dewPoint,
		about: "reads air temperature and humidity and returns the dew point (Magnus formula, WMO-No. 8)"},
	{name: "read", moves: true, do: (*session).read,
		about: "reads a gauge", params: []param{{name: "channel", form: asChannel, must: true}}},
	{name: "detected", moves: true, needs: []string{rig.Detect}, do: (*session).detected,
		about: "tells whether the detect line says liquid now"},
	{name: "trial", moves: true, needs: []string{rig.Detect}, do: (*session).trial,
		about: "runs a trial: wet (dose, rate or film, or what the function does; must be detected within the time), dry or decoy (must stay quiet for the time), release (must clear within the time), probe (a dose that may be detected or not)",
		params: []param{
			{name: "kind", form: asChoice, choices: trialKinds, must: true}, quantity("within", rig.Second).required(),
			quantity("dose", rig.Litre).wants(rig.PumpDrip), quantity("rate", rig.RainRate).wants(rig.PumpSpray),
			quantity("film", rig.FilmMass).wants(rig.AirTemp, rig.AirRH, rig.PlateTemp), {name: "do", form: asFunction}, {name: "label", form: asText}}},
	{name: "dip", moves: true, needs: []string{rig.SupplySet, rig.DipRail, rig.RelayDip, rig.RelayDUT, rig.Rail, rig.Heartbeat}, do: watched((*session).dip),
		about: "a trial: takes the supply to a level (of nominal, or absolute) for a time, then waits for the heartbeat; level 0 with source \"high\" opens the supply line instead",
		params: []param{quantity("level", rig.Proportion, rig.Volt).required(), quantity("width", rig.Second).required(),
			{name: "source", form: asChoice, choices: []string{"low", "high"}}, quantity("within", rig.Second)}},
	{name: "ramp", moves: true, needs: []string{rig.SupplySet, rig.Rail, rig.Heartbeat}, do: (*session).ramp,
		about:  "a trial: takes the supply down slowly and up again, to find where the DUT stops and starts",
		params: []param{quantity("slope", rig.SlewRate).required(), quantity("low", rig.Proportion, rig.Volt).required(), quantity("within", rig.Second)}},
	{name: "cycle", moves: true, needs: []string{rig.RelayDUT, rig.Rail, rig.Heartbeat}, do: (*session).cycle,
		about:  "a trial: off for a time, then on; the start-up time counts",
		params: []param{quantity("off", rig.Second).required(), quantity("within", rig.Second)}},
	{name: "hold", moves: true, needs: []string{rig.SupplySet, rig.Rail, rig.Heartbeat}, do: watched((*session).hold),
		about:  "a trial: lets the supply stand at a level for a time, then at its own again; held tells whether the DUT ran on",
		params: []param{quantity("level", rig.Proportion, rig.Volt).required(), quantity("time", rig.Second).required(), quantity("within", rig.Second)}},
	{name: "rise", moves: true, needs: []string{rig.SupplySet, rig.Rail, rig.Heartbeat}, do: (*session).rise,
		about:  "a trial: stops the DUT at a low level, raises the supply to a level only for a time, then to its own again; held tells whether the DUT started at the level",
		params: []param{quantity("level", rig.Proportion, rig.Volt).required(), quantity("low", rig.Proportion, rig.Volt).required(), quantity("time", rig.Second), quantity("within", rig.Second)}},
	{name: "backfed", moves: true, needs: []string{rig.SupplySet, rig.DipRail, rig.RelayDip, rig.RelayDUT, rig.Rail}, do: (*session).backfedVerb,
		about: "drains the DUT's rail, lets go, and tells whether something else feeds it"},
	{name: "next_dose", moves: true, do: (*session).nextDose,
		about: "the dose to give in the next probe trial, chosen from the probes so far: up and down, then where most is learnt about the dose detected nine times in ten; None once that is known to within the ratio",
		params: []param{quantity("low", rig.Litre).required(), quantity("high", rig.Litre).required(), quantity("step", rig.Litre),
			{name: "ratio", form: asFloat}, {name: "least", form: asInt}}},
	{name: "next_level", moves: true, do: (*session).nextLevel,
		about: "the level for the next hold, rise or dip (of a width), by bisection from those so far; None once the boundary is known to within the resolution",
		params: []param{{name: "of", form: asChoice, choices: []string{"hold", "rise", "dip"}, must: true},
			quantity("low", rig.Proportion, rig.Volt).required(), quantity("high", rig.Proportion, rig.Volt).required(),
			quantity("resolution", rig.Volt).required(), {name: "repeats", form: asInt}, quantity("width", rig.Second)}},
	{name: "next_width", moves: true, do: (*session).nextWidth,
		about: "the width for the next interruption with source \"high\", by bisection from those so far; None once the longest that the DUT rides through is known to within the resolution",
		params: []param{quantity("low", rig.Second).required(), quantity("high", rig.Second).required(),
			quantity("resolution", rig.Second).required(), {name: "repeats", form: asInt}}},
	{name: "assured", moves: true, do: (*session).assured,
		about: "what a sequential test of the wet trials since its first call says: \"accept\" (missed no more than good), \"reject\" (missed as often as bad), or \"continue\"; at most so many trials",
		params: []param{quantity("good", rig.Proportion).required(), quantity("bad", rig.Proportion).required(), {name: "most", form: asInt, must: true},
			quantity("alpha", rig.Proportion), quantity("beta", rig.Proportion)}},
	{name: "note", moves: true, do: (*session).note,
		about: "writes a remark into the timeline", params: []param{{name: "text", form: asText, must: true}}},
	{name: "count", do: (*session).count,
		about:  "the number of trials of a kind that this run is to make (from the script's trials, or --trials)",
		params: []param{{name: "kind", form: asText, must: true}}},
	{name: "random", do: (*session).random,
		about:  "a number from low up to high, drawn from the run's seed",
		params: []param{{name: "low", form: asFloat, must: true}, {name: "high", form: asFloat, must: true}}},
	{name: "shuffle", do: (*session).shuffle,
		about: "the list in an order drawn from the run's seed", params: []param{{name: "list", form: asList, must: true}}},
	{name: "quantity", do: (*session).quantity,
		about: "turns a text such as \"0.4 ml\" into a quantity to calculate with", params: []param{{name: "text", form: asText, must: true}}},
}

func verbNames() []string {
	names := make([]string, len(verbs))
	for i := range verbs {
		names[i] = verbs[i].name
	}
	return names
}

// Verb documents one verb.
type Verb struct{ Signature, About, Needs string }

// Verbs documents all verbs, in the order that a scenario uses them.
func Verbs() []Verb {
	out := make([]Verb, len(verbs))
	for i := range verbs {
		v := &verbs[i]
		out[i] = Verb{v.signature(), v.about, strings.Join(v.needs, ", ")}
	}
	return out
}
