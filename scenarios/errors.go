package scenarios

import (
	"errors"
	"fmt"
	"strings"

	"drench/rig/mistake"

	"go.starlark.net/resolve"
	"go.starlark.net/starlark"
	"go.starlark.net/syntax"
)

// Error is a fault of a script at a place in it, Errors all that were found.
type (
	Error  = mistake.Error
	Errors = mistake.Errors
)

func at(p syntax.Position, what, want string) Error {
	return Error{File: p.Filename(), Line: int(p.Line), Col: int(p.Col), What: what, Want: want}
}

// positioned turns Starlark's errors into ours.
func positioned(file string, err error) error {
	var se syntax.Error
	var rl resolve.ErrorList
	var ee *starlark.EvalError
	switch {
	case errors.As(err, &se):
		return at(se.Pos, se.Msg, "")
	case errors.As(err, &rl):
		var l Errors
		for _, e := range rl {
			l = append(l, unknownName(e))
		}
		return l.Err()
	case errors.As(err, &ee):
		return atRunTime(file, ee)
	}
	return fmt.Errorf("%s: %w", file, err)
}

// unknownName suggests a verb that is spelt alike.
func unknownName(e resolve.Error) Error {
	name, ok := strings.CutPrefix(e.Msg, "undefined: ")
	if !ok {
		return at(e.Pos, e.Msg, "")
	}
	name, _, _ = strings.Cut(name, " ")
	want := "a name that the script defines, or a verb (drench check --verbs lists them)"
	if near := mistake.Nearest(name, verbNames(), 2); near != "" {
		want = fmt.Sprintf("%q, or another name that the script or the verbs define", near)
	}
	return at(e.Pos, fmt.Sprintf("unknown name %q", name), want)
}

// atRunTime places an error at the innermost call inside the script.
func atRunTime(file string, ee *starlark.EvalError) error {
	out := Error{File: file, Line: 1, Col: 1, What: ee.Msg, Cause: ee.Unwrap()}
	for i := range ee.CallStack {
		if p := ee.CallStack.At(i).Pos; p.Filename() == file && p.Line > 0 {
			out.Line, out.Col = int(p.Line), int(p.Col)
			break
		}
	}
	if strings.Contains(ee.Msg, "too many steps") {
		out.What = fmt.Sprintf("the script computed for %d steps without end", maxSteps)
		out.Want = "a loop that ends; waiting costs no steps"
	}
	return out
}

// errorAt places a fault at the global called name, or at the start.
func (s *Script) errorAt(name, what, want string) error {
	p := syntax.MakePosition(&s.File, 1, 1)
	for _, st := range s.tree.Stmts {
		if as, ok := st.(*syntax.AssignStmt); ok {
			if id, ok := as.LHS.(*syntax.Ident); ok && id.Name == name {
				p, _ = as.RHS.Span()
			}
		}
	}
	return at(p, what, want)
}
