package limits

import (
	"fmt"

	"drench/rig/mistake"
)

// Error is one thing wrong with a limits file, Errors all of them.
type (
	Error  = mistake.Error
	Errors = mistake.Errors
)

// clip quotes text from a file, shortened to what fits a message.
func clip(s string) string {
	const most = 40
	if r := []rune(s); len(r) > most {
		s = string(r[:most]) + "…"
	}
	return fmt.Sprintf("%q", s)
}
