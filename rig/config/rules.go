package config

import (
	"fmt"
	"strings"

	"drench/rig"

	"go.yaml.in/yaml/v3"
)

// rules collects the problems of one file. Paths are keys joined by dots.
type rules struct {
	has   func(path string) bool // whether the file has that key
	found []Problem
}

func (t *tree) rules() *rules {
	return &rules{has: func(path string) bool {
		n := t.root
		for key := range strings.SplitSeq(path, ".") {
			if n == nil || n.Kind != yaml.MappingNode {
				return false
			}
			n = t.child(n, key).value
		}
		return n != nil
	}}
}

// refuse notes a problem if bad holds.
func (r *rules) refuse(bad bool, path, what, want string) {
	if bad {
		r.found = append(r.found, Problem{strings.Split(path, "."), what, want})
	}
}

// entry is a quantity and where the file has it.
type entry struct {
	path string
	q    rig.Quantity
}

func (e entry) key() string { return e.path[strings.LastIndexByte(e.path, '.')+1:] }

// positive refuses what is not above zero, given as 0 or not given at all.
func (r *rules) positive(entries ...entry) {
	for _, e := range entries {
		want := fmt.Sprintf("more than 0, such as %q", e.q.Unit.Example())
		switch {
		case e.q.N < 0:
			r.refuse(true, e.path, e.key()+" is negative", want)
		case e.q.N == 0 && r.has(e.path):
			r.refuse(true, e.path, e.key()+" is 0", want)
		case e.q.N == 0:
			r.refuse(true, e.path, e.path+" is missing", want)
		}
	}
}

// notNegative refuses what is below zero.
func (r *rules) notNegative(entries ...entry) {
	for _, e := range entries {
		r.refuse(e.q.N < 0, e.path, e.key()+" is negative", "0 or more")
	}
}
