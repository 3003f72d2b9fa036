// Package physics has the laws that the virtual bench lives by: humid air and
// what it leaves on a cold plate, water as it falls, wets, conducts and dries,
// what a sensor makes of it, and how a supply decays and settles.
//
// Every function is pure, takes and returns SI units (see the types), and
// names the source of its formula. A source that was not at hand when the
// constants were written down says "from memory". All arithmetic goes through
// package portable, so results are the same bits on every machine.
//
// Where a quantity has no value (a fall from below the ground, a film that does
// not dry) functions return NaN or an infinity as their comment says; only what
// a user can type in wrong is refused with an error.
package physics
