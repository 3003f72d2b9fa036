package sweep

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strconv"

	"drench/rig"
	"drench/rig/config"

	"periph.io/x/conn/v3/physic"
)

// Spec is a sweep file: which settings to compare.
type Spec struct {
	Name     string        `yaml:"sweep"`
	Scenario string        `yaml:"scenario"`
	Trials   int           `yaml:"trials"`  // a run; 0: as many as the scenario says
	Repeats  int           `yaml:"repeats"` // runs of each setting, with seeds of their own
	Battery  physic.Energy `yaml:"battery"` // when full; 0: no battery
	Usable   rig.Share     `yaml:"usable"`  // of it
	Factors  []Factor      `yaml:"factors"`
}

// Factor is one thing that is varied.
type Factor struct {
	Name   string   `yaml:"name"`
	Levels []Choice `yaml:"levels"`
}

// Choice is one setting of a factor: keys of the DUT's profile with other
// values, or another rig file (for another liquid, say), or both. With neither
// it is what the profile has.
type Choice struct {
	Name string   `yaml:"name"`
	Set  []string `yaml:"set"` // key=value, such as "sampling.period=1 s"
	Rig  string   `yaml:"rig"` // path, from the sweep file's folder
}

// most is how many settings a sweep may have: each is a run or more.
const most = 200

// ReadSpec reads a sweep file. What is wrong with it is of type config.Errors.
func ReadSpec(src config.Source) (Spec, error) {
	s := Spec{Repeats: 1, Usable: 800_000_000}
	err := config.Decode(src.Name, src.Text, &s)
	return s, err
}

// Check implements config.Checker.
func (s Spec) Check() (list []config.Problem) {
	refuse := func(bad bool, what, want string, path ...string) {
		if bad {
			list = append(list, config.Problem{Path: path, What: what, Want: want})
		}
	}
	refuse(s.Name == "", "the sweep has no name", "sweep: and a name", "sweep")
	refuse(s.Scenario == "", "no scenario is given", "scenario: with a stock scenario or the path of a script", "scenario")
	refuse(s.Trials < 0, "trials is negative", "0 or more", "trials")
	refuse(s.Repeats < 1, "repeats is below 1", "1 or more", "repeats")
	refuse(s.Battery < 0, "battery is negative", "what it holds when full, such as 8.6 Wh", "battery")
	refuse(s.Usable <= 0 || s.Usable > 1e9, "usable is not a share of the battery", "above 0 % and up to 100 %", "usable")
	refuse(len(s.Factors) == 0, "no factor is given", "factors: with a list of what to vary", "factors")
	n := 1
	for i, f := range s.Factors {
		at := []string{"factors", strconv.Itoa(i)}
		refuse(f.Name == "", "the factor has no name", "name:", at...)
		refuse(slices.ContainsFunc(s.Factors[:i], func(g Factor) bool { return g.Name == f.Name }), "factor "+f.Name+" is there twice", "each once", append(at, "name")...)
		refuse(len(f.Levels) == 0, "the factor has no levels", "levels: with two or more", at...)
		for j, l := range f.Levels {
			place := append(at, "levels", strconv.Itoa(j))
			refuse(l.Name == "", "the level has no name", "name:", place...)
			refuse(slices.ContainsFunc(f.Levels[:j], func(k Choice) bool { return k.Name == l.Name }), "level "+l.Name+" is there twice", "each once", append(place, "name")...)
			_, err := config.ParseOverlay(l.Set)
			refuse(err != nil, fmt.Sprint(err), "", append(place, "set")...)
		}
		n *= max(1, len(f.Levels))
		if n > most {
			refuse(true, fmt.Sprintf("the factors make more than %d settings", most), "fewer factors or levels", "factors")
			break
		}
	}
	return list
}

// Setting is one combination of choices.
type Setting struct {
	Levels []Level
	Set    config.Overlay
	Rig    string // path of a rig file, "" for the one in use
}

// ClashError says that two choices set the same.
type ClashError struct {
	Setting string
	Key     string
}

func (e *ClashError) Error() string {
	return fmt.Sprintf("setting %s: %s is given by two factors; expected each key, and the rig file, from one factor alone", e.Setting, e.Key)
}

// Settings lists all combinations, the last factor varying fastest.
func (s Spec) Settings() ([]Setting, error) {
	list := []Setting{{Set: config.Overlay{}}}
	for _, f := range s.Factors {
		var next []Setting
		for _, base := range list {
			for _, c := range f.Levels {
				one, err := base.with(f.Name, c)
				if err != nil {
					return nil, err
				}
				next = append(next, one)
			}
		}
		list = next
	}
	return list, nil
}

func (s Setting) with(factor string, c Choice) (Setting, error) {
	n := Setting{Levels: append(slices.Clone(s.Levels), Level{factor, c.Name}), Set: maps.Clone(s.Set), Rig: cmp.Or(c.Rig, s.Rig)}
	name := Point{Setting: n.Levels}.Name()
	if c.Rig != "" && s.Rig != "" {
		return n, &ClashError{name, "the rig file"}
	}
	set, err := config.ParseOverlay(c.Set)
	if err != nil {
		return n, fmt.Errorf("setting %s: %w", name, err)
	}
	for k, v := range set {
		if _, twice := n.Set[k]; twice {
			return n, &ClashError{name, k}
		}
		n.Set[k] = v
	}
	return n, nil
}
