package limits

import (
	"drench/rig/mistake"
)

// Error is one thing wrong with a limits file, Errors all of them.
type (
	Error  = mistake.Error
	Errors = mistake.Errors
)
