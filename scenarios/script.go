// Package scenarios runs scripts: Starlark with verbs of its own, a budget of
// steps and of bench time, and no way to files, network or clock. The stock
// scenarios are embedded.
package scenarios

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"time"

	"drench/rig"

	"go.starlark.net/starlark"
	"go.starlark.net/syntax"
)

//go:embed stock/*.star stock/*.limits
var stock embed.FS

// dialect is what scripts may use: loops and conditions at top level are
// allowed, recursion and re-assignment of globals are not.
var dialect = &syntax.FileOptions{TopLevelControl: true, While: true, Set: true}

const (
	maxSteps  = 20_000_000 // a second or two of computing; waiting is no step
	maxSource = 1 << 20
)

// Script is a scenario that has been read and resolved, not yet run.
type Script struct {
	Name   string // "drip", or a file's name without extension
	File   string // for messages
	Text   []byte
	About  string
	Budget time.Duration
	Plan   []Planned // in the order that the script gives them

	prog *starlark.Program
	tree *syntax.File
}

// Planned is the number of trials that a script announces of a kind.
type Planned struct {
	Kind rig.TrialKind
	N    int
}

// Stock lists the names of the embedded scenarios.
func Stock() []string {
	files, err := fs.Glob(stock, "stock/*.star")
	if err != nil {
		return nil
	}
	var names []string
	for _, f := range files {
		names = append(names, strings.TrimSuffix(filepath.Base(f), ".star"))
	}
	sort.Strings(names)
	return names
}

// Load reads a stock scenario by its name, or a script by its path.
func Load(nameOrPath string) (*Script, error) {
	if !strings.ContainsAny(nameOrPath, "/\\.") {
		text, err := stock.ReadFile("stock/" + nameOrPath + ".star")
		if err != nil {
			return nil, fmt.Errorf("no stock scenario is called %q; expected one of %s, or the path of a .star file", nameOrPath, strings.Join(Stock(), ", "))
		}
		return Parse(nameOrPath, nameOrPath+".star", text)
	}
	text, err := readFile(nameOrPath)
	if err != nil {
		return nil, fmt.Errorf("read scenario: %w", err)
	}
	name := strings.TrimSuffix(filepath.Base(nameOrPath), filepath.Ext(nameOrPath))
	return Parse(name, nameOrPath, text)
}

func readFile(path string) ([]byte, error) {
	info, err := os.Stat(path)
	switch {
	case err != nil:
		return nil, err
	case !info.Mode().IsRegular():
		return nil, fmt.Errorf("%s is not a file", path)
	case info.Size() > maxSource:
		return nil, fmt.Errorf("%s has %d bytes; expected at most %d", path, info.Size(), maxSource)
	}
	return os.ReadFile(path)
}

// DefaultLimits returns the limits that go with a script: the stock ones, or
// the .limits file beside it. ok is false if there are none.
func (s *Script) DefaultLimits() (name string, text []byte, ok bool, err error) {
	if text, err := stock.ReadFile("stock/" + s.Name + ".limits"); err == nil && s.File == s.Name+".star" {
		return s.Name + ".limits", text, true, nil
	}
	path := strings.TrimSuffix(s.File, filepath.Ext(s.File)) + ".limits"
	text, err = readFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil, false, nil
	}
	return path, text, err == nil, err
}

// Hash is the SHA-256 of the text, in hexadecimal.
func (s *Script) Hash() string {
	h := sha256.Sum256(s.Text)
	return hex.EncodeToString(h[:])
}

// Parse resolves a script and reads what it says about itself. All names must
// be known; what can be checked without a bench is.
func Parse(name, file string, text []byte) (*Script, error) {
	s := &Script{Name: name, File: file, Text: text, Budget: 24 * time.Hour}
	tree, err := dialect.Parse(file, text, 0)
	if err != nil {
		return nil, positioned(file, err)
	}
	s.tree = tree
	predeclared := (&session{}).predeclared()
	_, s.prog, err = starlark.SourceProgramOptions(dialect, file, text, predeclared.Has)
	if err != nil {
		return nil, positioned(file, err)
	}
	if err := s.literals(); err != nil {
		return nil, err
	}
	globals, err := s.prog.Init(s.thread(), predeclared)
	if err != nil {
		return nil, positioned(file, err)
	}
	return s, s.describe(globals)
}

func (s *Script) thread() *starlark.Thread {
	t := &starlark.Thread{
		Name:  s.Name,
		Print: func(*starlark.Thread, string) {},
		Load: func(_ *starlark.Thread, module string) (starlark.StringDict, error) {
			return nil, fmt.Errorf("load(%q): a script reads no other files; expected all in one file", module)
		},
	}
	t.SetMaxExecutionSteps(maxSteps)
	return t
}

// describe reads the globals about, budget and trials, and looks for run.
func (s *Script) describe(globals starlark.StringDict) error {
	if _, ok := globals["run"].(*starlark.Function); !ok {
		return s.errorAt("run", "the script defines no function run()", "def run():")
	}
	if v, ok := globals["about"]; ok {
		text, ok := starlark.AsString(v)
		if !ok {
			return s.errorAt("about", "about is a "+v.Type(), "a string")
		}
		s.About = text
	}
	if v, ok := globals["budget"]; ok {
		q, err := toQuantity(v, rig.Second)
		if err != nil || q.N <= 0 {
			return s.errorAt("budget", fmt.Sprintf("budget is %v", v), `a time such as "2 h"`)
		}
		s.Budget = time.Duration(q.N)
	}
	return s.readPlan(globals["trials"])
}

func (s *Script) readPlan(v starlark.Value) error {
	const want = `a dictionary such as {"wet": 60, "dry": 20}`
	if v == nil {
		return nil
	}
	d, ok := v.(*starlark.Dict)
	if !ok {
		return s.errorAt("trials", "trials is a "+v.Type(), want)
	}
	for _, item := range d.Items() {
		kind, _ := starlark.AsString(item[0])
		n, err := starlark.AsInt32(item[1])
		if !validKind(kind) || err != nil || n < 0 || n > 1_000_000 {
			return s.errorAt("trials", fmt.Sprintf("trials has %v: %v", item[0], item[1]), want)
		}
		s.Plan = append(s.Plan, Planned{rig.TrialKind(kind), n})
	}
	return nil
}

func validKind(k string) bool {
	for _, t := range rig.TrialKinds {
		if string(t) == k {
			return true
		}
	}
	return false
}

// Scale returns the plan with n trials of the first kind and the other kinds
// in proportion, rounded up; n = 0 leaves it as it is.
func (s *Script) Scale(n int) map[rig.TrialKind]int {
	m := make(map[rig.TrialKind]int)
	for _, p := range s.Plan {
		m[p.Kind] = p.N
		if n > 0 && s.Plan[0].N > 0 {
			m[p.Kind] = (p.N*n + s.Plan[0].N - 1) / s.Plan[0].N
		}
	}
	return m
}
