package verdict

import "testing"

// TestOverwrite walks the whole table of ETSI ES 201 873-1 clause 24 (rows
// now, columns set), with error on top of all.
func TestOverwrite(t *testing.T) {
	table := map[Verdict][5]Verdict{ // set: none pass inconc fail error
		None:   {None, Pass, Inconc, Fail, Error},
		Pass:   {Pass, Pass, Inconc, Fail, Error},
		Inconc: {Inconc, Inconc, Inconc, Fail, Error},
		Fail:   {Fail, Fail, Fail, Fail, Error},
		Error:  {Error, Error, Error, Error, Error},
	}
	for now, row := range table {
		for set, want := range row {
			if got := now.Overwrite(Verdict(set)); got != want {
				t.Errorf("%v, then %v: got %v, want %v", now, Verdict(set), got, want)
			}
		}
	}
}

func TestWords(t *testing.T) {
	for v := None; v <= Error; v++ {
		got, err := Parse(v.String())
		if err != nil || got != v {
			t.Errorf("Parse(%q) = %v, %v", v, got, err)
		}
	}
	if _, err := Parse("passed"); err == nil {
		t.Error("Parse took a word that the standard does not have")
	}
}
