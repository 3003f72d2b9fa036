// Package adaptive chooses the next stimulus from what was seen: the next dose
// on the way to a threshold, the next supply level on the way to a boundary,
// and whether a test of a detection probability goes on.
//
// Each choice is a pure function of a plan and of the trials so far, so that a
// run can be stopped, read back and followed choice by choice. Choices end in a
// timeline, so they must be the same on every machine: all arithmetic here
// keeps the rules of rig/portable, whose tests read this package too.
// Stimuli are whole numbers of a unit, as channels count them (nanolitre,
// nanovolt).
package adaptive
