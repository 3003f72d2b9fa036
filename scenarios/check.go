package scenarios

import (
	"fmt"
	"strings"

	"drench/rig"

	"go.starlark.net/starlark"
	"go.starlark.net/syntax"
)

// calls walks every call of a verb in the script, with the verb's entry.
func (s *Script) calls(visit func(*verb, *syntax.CallExpr)) {
	syntax.Walk(s.tree, func(n syntax.Node) bool {
		call, ok := n.(*syntax.CallExpr)
		if !ok {
			return true
		}
		id, ok := call.Fn.(*syntax.Ident)
		if !ok {
			return true
		}
		for i := range verbs {
			if verbs[i].name == id.Name {
				visit(&verbs[i], call)
			}
		}
		return true
	})
}

// given calls visit for each argument that a call gives to a parameter of the
// verb, and reports arguments that the verb does not have.
func given(v *verb, call *syntax.CallExpr, visit func(param, syntax.Expr)) (faults Errors) {
	for i, arg := range call.Args {
		if b, ok := arg.(*syntax.BinaryExpr); ok && b.Op == syntax.EQ {
			name := b.X.(*syntax.Ident)
			p, ok := v.param(name.Name)
			if !ok {
				faults = append(faults, at(name.NamePos, fmt.Sprintf("%s has no argument %q", v.name, name.Name), v.signature()))
				continue
			}
			visit(p, b.Y)
			continue
		}
		if u, ok := arg.(*syntax.UnaryExpr); ok && (u.Op == syntax.STAR || u.Op == syntax.STARSTAR) {
			continue
		}
		if i >= len(v.params) {
			p, _ := arg.Span()
			faults = append(faults, at(p, fmt.Sprintf("%s takes at most %d arguments", v.name, len(v.params)), v.signature()))
			continue
		}
		visit(v.params[i], arg)
	}
	return faults
}

// literals checks the arguments that are written out in the script.
func (s *Script) literals() error {
	var faults Errors
	s.calls(func(v *verb, call *syntax.CallExpr) {
		faults = append(faults, given(v, call, func(p param, x syntax.Expr) {
			value, ok := literal(x)
			if !ok {
				return
			}
			if _, err := p.convert(value); err != nil {
				pos, _ := x.Span()
				what, want, _ := strings.Cut(err.Error(), "; expected ")
				faults = append(faults, at(pos, fmt.Sprintf("%s(%s=…): %s", v.name, p.name, what), want))
			}
		})...)
	})
	return faults.Err()
}

// literal returns the value of a plain number or string.
func literal(x syntax.Expr) (starlark.Value, bool) {
	l, ok := x.(*syntax.Literal)
	if !ok {
		return nil, false
	}
	switch v := l.Value.(type) {
	case string:
		return starlark.String(v), l.Token == syntax.STRING
	case int64:
		return starlark.MakeInt64(v), true
	case float64:
		return starlark.Float(v), true
	}
	return nil, false
}

// Check reports the verbs of the script that a bench with these channels can't
// do, before anything moves.
func (s *Script) Check(table []rig.Channel) error {
	var faults Errors
	lacks := func(v *verb, pos syntax.Position, channels []string) {
		for _, c := range channels {
			if _, ok := rig.Find(table, c); !ok {
				faults = append(faults, at(pos, fmt.Sprintf("%s needs the channel %q, which this bench lacks", v.name, c),
					"a rig file that names it, or a script that does without"))
			}
		}
	}
	s.calls(func(v *verb, call *syntax.CallExpr) {
		pos, _ := call.Fn.Span()
		lacks(v, pos, v.needs)
		given(v, call, func(p param, x syntax.Expr) {
			xpos, _ := x.Span()
			lacks(v, xpos, p.needs)
			if name, ok := literal(x); ok && p.form == asChannel {
				text, _ := starlark.AsString(name)
				lacks(v, xpos, []string{text})
			}
		})
	})
	return faults.Err()
}
