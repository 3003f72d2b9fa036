package calc

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// sink is an entry with a parameter of each kind, that shows what it was given.
func sink(show func(Args)) Entry {
	return Entry{Name: "sink", Source: "none", Params: []Param{
		{Name: "time", Kind: Column}, {Name: "n", Kind: CountColumn}, {Name: "hit", Kind: FlagColumn, Default: None},
		{Name: "group", Kind: LabelColumn, Default: None}, {Name: "b", Kind: Column, Rows: "b", Default: None},
		{Name: "x", Kind: Number, Default: None}, {Name: "k", Kind: Count, Default: "3", Most: 1000},
		{Name: "conf", Kind: Probability, Default: "95%"}, {Name: "side", Kind: Choice, Default: "two", Choices: []string{"two", "one"}},
	}, Run: func(a Args) (r Result, err error) {
		if show != nil {
			show(a)
		}
		r.set("nothing", nil)
		return r, nil
	}}
}

func TestArgs(t *testing.T) {
	var a Args
	e := sink(func(got Args) { a = got })
	_, err := e.Call(given(t, "--time 1,2.5,-3e2 --n 4,0,1 --hit 1,0,0 --group x,y,x --b 7 --x -2 --side one"), nil)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(a.Column("time"), []float64{1, 2.5, -300}) || !slices.Equal(a.Counts("n"), []int{4, 0, 1}) ||
		!slices.Equal(a.Flags("hit"), []bool{true, false, false}) || !slices.Equal(a.Labels("group"), []string{"x", "y", "x"}) {
		t.Errorf("columns are %+v", a)
	}
	if a.Number("x") != -2 || a.Count("k") != 3 || a.Number("conf") != 0.95 || a.Choice("side") != "one" || !a.Has("b") {
		t.Errorf("values are %+v", a)
	}
	if _, err := e.Call(given(t, "--time 1 --n 4"), nil); err != nil || a.Has("hit") || a.Has("group") || a.Has("x") {
		t.Errorf("left out: %+v, %v", a, err)
	}
}

func TestArgsRefused(t *testing.T) {
	for _, c := range []struct{ flags, want string }{
		{"--n 1", "--time is missing"},
		{"--time 1 --n 1 --zeit 3", `sink has no parameter "zeit"; expected one of --time, --n`},
		{"--time none --n 1", `"none" is not a finite number`},
		{"--time 1,x --n 1,2", `--time: value 2: "x" is not a finite number`},
		{"--time 1, --n 1,2", `--time: value 2: "" is not a finite number`},
		{"--time NaN --n 1", `"NaN" is not a finite number`},
		{"--time -Inf --n 1", `"-Inf" is not a finite number`},
		{"--time 1e999 --n 1", `"1e999" is not a finite number`},
		{"--time 0x1p3 --n 1", `"0x1p3" is not a finite number`},
		{"--time 1 --n 1.5", `"1.5" is not a count; expected a whole number, 0 or more`},
		{"--time 1 --n -1", `"-1" is not a count`},
		{"--time 1 --n 99999999999999999", "is not a count"},
		{"--time 1 --n 1 --k 1001", "--k: 1001 is too many; expected at most 1000"},
		{"--time 1 --n 1 --hit yes", `"yes" is not a flag; expected 0 or 1`},
		{"--time 1 --n 1 --group ,", "there is nothing; expected a label"},
		{"--time 1 --n 1 --conf 95", `"95" is not a probability; expected 0 to 1, such as 0.95, or a percentage, such as 95%`},
		{"--time 1 --n 1 --conf 101%", `"101%" is not a probability`},
		{"--time 1 --n 1 --side three", `"three" is not a choice; expected two or one`},
		{"--time 1,2 --n 1", "--n has 1 values and --time has 2; expected one of each a row"},
		{"--time 1 --n 1 --k x --x y", `--x: "y" is not a finite number; expected one such as 0.25 or 2.5e-3` + "\n" + `--k: "x" is not a count`},
	} {
		_, err := sink(nil).Call(given(t, c.flags), nil)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v; want %s", c.flags, err, c.want)
		}
	}
}

func TestData(t *testing.T) {
	for _, c := range []struct{ name, csv, flags string }{
		{"plain", "time,n\n1,4\n2.5,0\n", ""},
		{"comments, blanks, other columns", "# source\n\nwho,  n , time\n\"a, b\", 4 ,1\nc,0,2.5\n", ""},
		{"byte order mark, carriage returns", "\ufefftime,n\r\n1,4\r\n2.5,0\r\n", ""},
		{"named", "seconds,trials\n1,4\n2.5,0\n", "--time seconds --n trials"},
		{"a longer column beside", "time,n,b\n1,4,7\n2.5,0,8\n,,9\n", ""},
	} {
		var a Args
		e := sink(func(got Args) { a = got })
		answer, err := e.Call(given(t, c.flags), &Data{c.name, strings.NewReader(c.csv)})
		if err != nil || !slices.Equal(a.Column("time"), []float64{1, 2.5}) || !slices.Equal(a.Counts("n"), []int{4, 0}) {
			t.Errorf("%s: %v, %+v", c.name, err, a)
		}
		if !slices.Contains(answer.Inputs, Value{"data", c.name}) {
			t.Errorf("%s: inputs %v do not name the file", c.name, answer.Inputs)
		}
	}
}

func TestDataRefused(t *testing.T) {
	for _, c := range []struct{ csv, flags, want string }{
		{"", "", "f.csv:1:1: there is nothing in it; expected a header"},
		{"time,n\n1,4\nx,5\n3,y\n", "", "f.csv:3:1: column \"time\": \"x\" is not a finite number; expected one such as 0.25 or 2.5e-3\nf.csv:4:3: column \"n\": \"y\" is not a count"},
		{"time,n\n1,4\nNaN,5\n", "", `f.csv:3:1: column "time": "NaN" is not a finite number`},
		{"time,n\n1,4\n,5\n2,6\n", "", `f.csv:3:1: column "time" has a blank cell above line 4; expected numbers without holes`},
		{"time,n\n1,4\n2\n", "", "f.csv:3:1: the row has another number of fields than the header"},
		{"time,n\n2\nx,4\n", "", "expected equally many\nf.csv:3:1: column \"time\": \"x\""},
		{"time,n\n1,\"4\n", "", "f.csv:2:6: extraneous or missing \" in quoted-field; expected comma-separated values"},
		{"# a\ntime,m\n1,4\n", "", `f.csv:2:1: there is no column "n"; expected a header that has it, or --n with one of time, m`},
		{"time,m\n1,4\n", "--n k", `f.csv:1:1: there is no column "k"`},
		{"time,n,n\n1,4,4\n", "", `f.csv:1:1: there are two columns "n"; expected one`},
		{"time,n\n", "", `f.csv:1:1: column "time" has no values below it; expected numbers`},
		{"time,n\n1,\n", "", `f.csv:1:6: column "n" has no values below it; expected counts`},
		{"time,n\n1,4\n2,\n", "", "--n has 1 values and --time has 2"},
		{"time,n\n1,4\n", "--conf 7", `--conf: "7" is not a probability`},
	} {
		_, err := sink(nil).Call(given(t, c.flags), &Data{"f.csv", strings.NewReader(c.csv)})
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%q: %v; want %s", c.csv, err, c.want)
		}
	}
	_, err := sink(nil).Call(nil, &Data{"f.csv", strings.NewReader("time,n\n" + strings.Repeat("x,1\n", 100))})
	if n := strings.Count(err.Error(), "\n") + 1; n != maxComplaints {
		t.Errorf("%d complaints; want %d", n, maxComplaints)
	}
	_, err = sink(nil).Call(nil, &Data{"f.csv", broken{}})
	if err == nil || !strings.Contains(err.Error(), "read f.csv: the disk is gone") {
		t.Errorf("a broken disk: %v", err)
	}
}

type broken struct{}

func (broken) Read([]byte) (int, error) { return 0, errors.New("the disk is gone") }

// What a file holds is what the columns get, whatever the numbers.
func TestDataRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		times := rapid.SliceOfN(rapid.Float64Range(-1e300, 1e300), 1, 50).Draw(t, "times")
		var csv strings.Builder
		csv.WriteString("n,time\n")
		for _, v := range times {
			csv.WriteString("1," + text(v) + "\n")
		}
		var got []float64
		_, err := sink(func(a Args) { got = a.Column("time") }).Call(nil, &Data{"f.csv", strings.NewReader(csv.String())})
		if err != nil || !slices.Equal(got, times) {
			t.Fatalf("%v, %v; want %v", err, got, times)
		}
	})
}

// Whatever a file holds, either all columns are good, or the error says where.
func FuzzData(f *testing.F) {
	for _, seed := range []string{"time,n\n1,4\n", "", "time,n\nNaN,4\n", "\"time\nn\",n\n1,2\n", "#\n\xff,time,n\n\n1,,\n", "time,n,hit,group\n1,2,0,x\n3,4,1,\n"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, csv string) {
		called := false
		e := sink(func(a Args) {
			called = true
			if len(a.Column("time")) != len(a.Counts("n")) || len(a.Column("time")) == 0 {
				t.Errorf("%d times and %d counts", len(a.Column("time")), len(a.Counts("n")))
			}
			for _, v := range slices.Concat(a.Column("time"), a.Column("b")) {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Errorf("%v got through", v)
				}
			}
		})
		_, err := e.Call(nil, &Data{"f.csv", strings.NewReader(csv)})
		if (err == nil) != called {
			t.Errorf("error %v, called %v", err, called)
		}
		if err != nil && !strings.HasPrefix(err.Error(), "f.csv:") && !strings.Contains(err.Error(), "expected one of each a row") {
			t.Errorf("%v does not say where", err)
		}
	})
}

func TestAnswerJSON(t *testing.T) {
	a := Answer{Name: "sink", Inputs: []Value{{"x", 2.0}, {"group", []string{"a"}}}, Source: "none"}
	a.set("p", 0.1)
	a.limit("upper", 9, false, "there is none")
	a.set("infinite", math.Inf(1))
	a.set("exact", true)
	a.set("steps", Grid{Columns: []string{"time", "S"}, Rows: [][]any{{1.5, nil}, {2.0, math.Inf(-1)}}})
	const want = `{"name":"sink","inputs":{"x":2,"group":["a"]},"values":{"p":0.1,"upper":null,"infinite":null,"exact":true,` +
		`"steps":[{"time":1.5,"S":null},{"time":2,"S":null}]},"notes":["upper: there is none"],"source":"none"}`
	for range 2 {
		got, err := json.Marshal(a)
		if err != nil || string(got) != want {
			t.Errorf("%v\n%s; want\n%s", err, got, want)
		}
	}
	var b bytes.Buffer
	if err := a.WriteText(&b); err != nil {
		t.Fatal(err)
	}
	const page = "p         0.1\nupper     none\ninfinite  none\nexact     yes\nsteps\n  time  S\n  1.5   none\n  2     none\nnote: upper: there is none\n"
	if b.String() != page {
		t.Errorf("%q; want\n%q", b.String(), page)
	}
}

// Names are told apart from each other and from the command's own flags.
func TestNames(t *testing.T) {
	seen := map[string]string{}
	for _, e := range Entries() {
		for _, name := range append([]string{e.Name}, e.Also...) {
			if other, twice := seen[name]; twice {
				t.Errorf("%s is a name of %s and of %s", name, other, e.Name)
			}
			seen[name] = e.Name
		}
		if e.About == "" || e.Source == "" || strings.Trim(e.Name, "abcdefghijklmnopqrstuvwxyz-") != "" {
			t.Errorf("%s: %q, %q", e.Name, e.About, e.Source)
		}
		flags := map[string]bool{"data": true, "json": true, "help": true, "rig": true}
		for _, p := range e.Params {
			if flags[p.Name] || p.About == "" || (p.Kind == Choice) != (len(p.Choices) > 0) {
				t.Errorf("%s: parameter %+v", e.Name, p)
			}
			flags[p.Name] = true
		}
	}
	for typed, want := range map[string]string{"clopper-peerson": "clopper-pearson", "garwod": "poisson-rate", "wilcoxon": "mann-whitney", "cusun": "cusum"} {
		if got := Nearest(typed); got != want {
			t.Errorf("%s: did you mean %s? want %s", typed, got, want)
		}
	}
}
