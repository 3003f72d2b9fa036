package scenarios

import (
	"fmt"
	"math"

	"drench/rig"

	"go.starlark.net/starlark"
	"go.starlark.net/syntax"
)

// Quantity is a number with a unit, as scripts see it. Two of the same unit
// add, subtract, compare and divide; a number multiplies or divides one. A
// string such as "2 K" stands for a quantity wherever one does.
type Quantity struct{ rig.Quantity }

var (
	_ starlark.HasBinary  = Quantity{}
	_ starlark.HasUnary   = Quantity{}
	_ starlark.Comparable = Quantity{}
	_ starlark.HasAttrs   = Quantity{}
)

// Type implements starlark.Value.
func (q Quantity) Type() string { return "quantity" }

// Freeze implements starlark.Value.
func (q Quantity) Freeze() {}

// Truth implements starlark.Value.
func (q Quantity) Truth() starlark.Bool { return q.N != 0 }

// Hash implements starlark.Value.
func (q Quantity) Hash() (uint32, error) {
	return uint32(q.N) ^ uint32(q.N>>32) ^ uint32(q.Unit)<<24, nil
}

// CompareSameType implements starlark.Comparable.
func (q Quantity) CompareSameType(op syntax.Token, y starlark.Value, _ int) (bool, error) {
	o := y.(Quantity)
	if o.Unit != q.Unit {
		if op == syntax.EQL || op == syntax.NEQ {
			return op == syntax.NEQ, nil
		}
		return false, fmt.Errorf("%v and %v can't be compared", q, o)
	}
	return starlark.Compare(op, starlark.MakeInt64(q.N), starlark.MakeInt64(o.N))
}

// Unary implements starlark.HasUnary.
func (q Quantity) Unary(op syntax.Token) (starlark.Value, error) {
	switch op {
	case syntax.PLUS:
		return q, nil
	case syntax.MINUS:
		return Quantity{rig.Quantity{N: -q.N, Unit: q.Unit}}, nil
	}
	return nil, nil
}

// Binary implements starlark.HasBinary.
func (q Quantity) Binary(op syntax.Token, y starlark.Value, side starlark.Side) (starlark.Value, error) {
	switch y := y.(type) {
	case Quantity:
		return q.withQuantity(op, y)
	case starlark.String:
		o, err := rig.ParseQuantity(string(y))
		if err != nil {
			return nil, err
		}
		if side == starlark.Right {
			return Quantity{o}.withQuantity(op, q)
		}
		return q.withQuantity(op, Quantity{o})
	case starlark.Int, starlark.Float:
		f, _ := starlark.AsFloat(y)
		switch {
		case op == syntax.STAR:
			return q.times(f)
		case op == syntax.SLASH && side == starlark.Left:
			return q.times(1 / f)
		}
	}
	return nil, nil // starlark says which types do not go together
}

func (q Quantity) withQuantity(op syntax.Token, o Quantity) (starlark.Value, error) {
	if q.Unit != o.Unit {
		return nil, fmt.Errorf("%v and %v have different units", q, o)
	}
	switch op {
	case syntax.PLUS:
		return Quantity{rig.Quantity{N: q.N + o.N, Unit: q.Unit}}, nil
	case syntax.MINUS:
		return Quantity{rig.Quantity{N: q.N - o.N, Unit: q.Unit}}, nil
	case syntax.SLASH:
		if o.N == 0 {
			return nil, fmt.Errorf("%v divided by zero", q)
		}
		return starlark.Float(float64(q.N) / float64(o.N)), nil
	}
	return nil, nil
}

func (q Quantity) times(f float64) (starlark.Value, error) {
	v := math.Round(float64(q.N) * f)
	if math.IsNaN(v) || math.Abs(v) >= math.MaxInt64 {
		return nil, fmt.Errorf("%v times %v is out of range", q, f)
	}
	return Quantity{rig.Quantity{N: int64(v), Unit: q.Unit}}, nil
}

// Attr gives q.to(unit), the number of that unit as a float.
func (q Quantity) Attr(name string) (starlark.Value, error) {
	if name != "to" {
		return nil, nil
	}
	return starlark.NewBuiltin("to", func(_ *starlark.Thread, b *starlark.Builtin, args starlark.Tuple, kwargs []starlark.Tuple) (starlark.Value, error) {
		var unit string
		if err := starlark.UnpackPositionalArgs(b.Name(), args, kwargs, 1, &unit); err != nil {
			return nil, err
		}
		one, err := rig.ParseQuantity("1 " + unit)
		if err != nil {
			return nil, err
		}
		zero, err := rig.ParseQuantity("0 " + unit)
		if err != nil {
			return nil, err
		}
		if one.Unit != q.Unit {
			return nil, fmt.Errorf("%v can't be given in %s", q, unit)
		}
		return starlark.Float(float64(q.N-zero.N) / float64(one.N-zero.N)), nil
	}), nil
}

// AttrNames implements starlark.HasAttrs.
func (q Quantity) AttrNames() []string { return []string{"to"} }
