package calc

// Nearest returns the name of the entry whose name, or one of whose other
// names, takes the fewest edits to come from what was typed.
func Nearest(typed string) string {
	best, least := "", 0
	for _, e := range Entries() {
		for _, name := range append([]string{e.Name}, e.Also...) {
			if d := edits(typed, name); best == "" || d < least {
				best, least = e.Name, d
			}
		}
	}
	return best
}

// edits counts the insertions, deletions and substitutions between two texts
// (Levenshtein's distance, by the rows of Wagner and Fischer).
func edits(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
