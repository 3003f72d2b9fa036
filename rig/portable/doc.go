// Package portable has the few elementary functions and the random generator
// that the virtual bench computes with, such that one seed gives the same
// timeline, bit for bit, on every machine that Go runs on.
//
// Two things make ordinary floating-point code differ between machines. The
// compiler may fuse x*y + z into one instruction with one rounding where the
// processor has it (arm64, and amd64 from level v3), and math.Exp, math.Log,
// math.Pow and their kin are hand-written assembly on some processors only.
// Here every product that feeds a sum is rounded on its own: by the Go
// specification (Floating-point operators) an explicit conversion float64(x*y)
// prevents fusion. The package's tests look for fused instructions, and for
// calls of functions that differ between machines, in the arm64 code of
// all packages whose arithmetic ends in a timeline.
//
// Exact operations need no twin here: + - * / themselves, math.Sqrt, math.Abs,
// math.Floor, math.Mod, math.Frexp, math.Ldexp and the like give the same bits
// everywhere. Left to the caller: a conversion to an integer that the value does
// not fit into gives whatever the processor makes of it, and so do the bits of a
// NaN.
package portable

// Poly returns the polynomial with coefficients c, highest power first, at x
// by Horner's scheme, each step rounded twice (product, then sum). No
// coefficients give 0.
func Poly(x float64, c ...float64) float64 {
	if len(c) == 0 {
		return 0
	}
	p := c[0]
	for _, next := range c[1:] {
		p = float64(p*x) + next
	}
	return p
}
