package calc

import "drench/rig/mistake"

// Nearest returns the name of the entry whose name, or one of whose other
// names, takes the fewest edits to come from what was typed.
func Nearest(typed string) string {
	best, least := "", 0
	for _, e := range Entries() {
		for _, name := range append([]string{e.Name}, e.Also...) {
			if d := mistake.Distance(typed, name); best == "" || d < least {
				best, least = e.Name, d
			}
		}
	}
	return best
}
