package config

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"drench/rig"
	"drench/rig/mistake"

	"go.yaml.in/yaml/v3"
)

// Overlay has keys of a DUT profile, with dots between those of each level,
// and other values for them: "sampling.period": "1 s". A value is written as
// in the profile.
type Overlay map[string]string

// ParseOverlay reads settings that are written as key=value.
func ParseOverlay(words []string) (Overlay, error) {
	o := Overlay{}
	for _, w := range words {
		key, value, ok := strings.Cut(w, "=")
		key = strings.TrimSpace(key)
		if !ok || key == "" {
			return nil, fmt.Errorf("setting %s; expected key=value such as \"sampling.period=1 s\"", mistake.Quote(w))
		}
		if _, twice := o[key]; twice {
			return nil, fmt.Errorf("setting %s is given twice; expected each key once", key)
		}
		o[key] = strings.TrimSpace(value)
	}
	return o, nil
}

// ReadProfile reads a DUT profile with settings over it, see [LoadProfile].
// The Source that it returns is the profile as they make it, each value that
// they changed with a comment that says so: what a run was made with can be
// read again from that alone.
//
// A wrong setting is an error that names it.
func ReadProfile(src Source, settings Overlay, model any) (rig.DUT, Source, error) {
	d, err := readProfile(src, model)
	if err != nil || len(settings) == 0 {
		return d, src, err
	}
	src, err = settings.over(src)
	if err != nil {
		return d, src, err
	}
	d, err = readProfile(src, model)
	return d, src, settings.blame(src, err)
}

// over returns a profile with the settings in it.
func (o Overlay) over(src Source) (Source, error) {
	var doc yaml.Node
	if err := yaml.Unmarshal(src.Text, &doc); err != nil || len(doc.Content) != 1 {
		return src, fmt.Errorf("read %s: %w", src.Name, errors.Join(err, errors.New("it is no profile")))
	}
	for _, key := range o.keys() {
		if err := put(doc.Content[0], key, o[key]); err != nil {
			return src, fmt.Errorf("setting %s=%s: %w", key, o[key], err)
		}
	}
	var text bytes.Buffer
	enc := yaml.NewEncoder(&text)
	enc.SetIndent(2)
	if err := errors.Join(enc.Encode(&doc), enc.Close()); err != nil {
		return src, fmt.Errorf("write %s with its settings: %w", src.Name, err)
	}
	return newSource(src.Name, text.Bytes()), nil
}

func (o Overlay) keys() []string { return slices.Sorted(maps.Keys(o)) }

// put gives the key at a dotted path below n a value.
func put(n *yaml.Node, key, value string) error {
	v, err := scalarOf(value)
	if err != nil {
		return err
	}
	words := strings.Split(key, ".")
	for i, word := range words {
		switch {
		case !keyShape.MatchString(word):
			return fmt.Errorf("%s is no key; expected the profile's keys with dots between them, such as sampling.period", mistake.Quote(word))
		case n.Kind != yaml.MappingNode:
			return fmt.Errorf("%s has no keys below it; expected a key of the profile", strings.Join(words[:i], "."))
		}
		at := valueOf(n, word)
		if i == len(words)-1 {
			v.LineComment = "# set for this run; the profile says " + said(n.Content[at])
			n.Content[at] = v
		}
		n = n.Content[at]
	}
	return nil
}

// valueOf finds the value of a key in n, and makes an empty one if the key is
// not there.
func valueOf(n *yaml.Node, key string) (at int) {
	for i := 0; i < len(n.Content); i += 2 {
		if n.Content[i].Value == key {
			return i + 1
		}
	}
	n.Content = append(n.Content, &yaml.Node{Kind: yaml.ScalarNode, Value: key}, &yaml.Node{Kind: yaml.MappingNode})
	return len(n.Content) - 1
}

// said is a value of the profile in words.
func said(n *yaml.Node) string {
	switch {
	case n.Kind == yaml.ScalarNode:
		return n.Value
	case len(n.Content) == 0:
		return "nothing"
	}
	return "otherwise"
}

// scalarOf reads one value.
func scalarOf(value string) (*yaml.Node, error) {
	var doc yaml.Node
	err := yaml.Unmarshal([]byte(value), &doc)
	if err != nil || len(doc.Content) != 1 || doc.Content[0].Kind != yaml.ScalarNode || strings.ContainsAny(value, "#\n\r") {
		return nil, errors.New("that is not one value; expected it as in the profile, such as 1 s")
	}
	v := doc.Content[0]
	return &yaml.Node{Kind: yaml.ScalarNode, Tag: v.Tag, Value: v.Value, Style: v.Style, Anchor: v.Anchor}, nil
}

// blame names the settings that errors about the profile are due to.
func (o Overlay) blame(src Source, err error) error {
	var errs Errors
	if !errors.As(err, &errs) {
		return err
	}
	places := map[[2]int]string{}
	t := parse(src.Name, src.Text)
	for _, key := range o.keys() {
		at := step{t.root, t.root}
		for word := range strings.SplitSeq(key, ".") {
			if at.value != nil {
				at = t.child(at.value, word)
			}
			for _, n := range []*yaml.Node{at.at, at.value} {
				if n != nil {
					places[[2]int{n.Line, n.Column}] = key
				}
			}
		}
	}
	var said []error
	for _, e := range errs {
		key, known := places[[2]int{e.Line, e.Col}]
		if len(o) == 1 {
			key, known = o.keys()[0], true
		}
		name := "the settings " + strings.Join(o.keys(), ", ") + " together"
		if known {
			name = fmt.Sprintf("setting %s=%s", key, o[key])
		}
		text := name + ": " + e.What
		if e.Want != "" {
			text += "; expected " + e.Want
		}
		said = append(said, errors.New(text))
	}
	return errors.Join(said...)
}
