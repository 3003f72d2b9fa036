package lot

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/go-json-experiment/json/jsontext"
	"pgregory.net/rapid"

	"drench/results/sampling"
	"drench/results/verdict"
)

// history is a ledger with something of everything in it.
func history(t testing.TB) *shop {
	s := newShop(t, sampling.ISO2859, 9)
	ctx := t.Context()
	s.inspect(small("A"), atMost(0))
	s.inspect(small("B"), atMost(2))
	d := s.open(small("C – <é> \"q\" \\u2028"))
	s.must(s.test(d.Lot, 4, verdict.Error))
	s.must(s.Retest(ctx, act("ann & co", "tripped"), d.Lot, 4))
	s.must(s.Result(ctx, act("bob", ""), d.Lot, 4, 500, sum(500), verdict.Fail))
	s.must(s.Void(ctx, act("ann", "wrong unit"), d.Lot, s.standing(4)))
	for sample := 1; sample <= 13; sample++ {
		if sample == 4 {
			s.must(s.Result(ctx, act("bob", ""), d.Lot, 4, 501, sum(501), verdict.Pass))
			continue
		}
		s.must(s.test(d.Lot, sample, verdict.Pass))
	}
	_, err := s.Decide(ctx, act("ann", ""), d.Lot)
	s.must(err)
	return s
}

func each(lines [][]byte) iter.Seq2[[]byte, error] {
	return func(yield func([]byte, error) bool) {
		for _, line := range lines {
			if !yield(line, nil) {
				return
			}
		}
	}
}

// TestCanonical: lines are what RFC 8785 makes of them, by a library for it,
// whatever texts they hold.
func TestCanonical(t *testing.T) {
	same := func(line []byte) error {
		v := jsontext.Value(slices.Clone(line))
		if err := v.Canonicalize(); err != nil {
			return err
		}
		if !bytes.Equal(v, line) {
			return fmt.Errorf("%s\nis canonically\n%s", line, v)
		}
		return nil
	}
	for _, line := range history(t).lines() {
		if err := same(line); err != nil {
			t.Error(err)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.String().Draw(t, "text")
		if oneLine("text", text) != nil {
			t.Skip("refused")
		}
		// Plans take risks and qualities above 0 only, so that there is no -0,
		// which has two forms.
		risk := rapid.Float64Range(math.SmallestNonzeroFloat64, 1)
		w := &Wald{Alpha: risk.Draw(t, "alpha"), Beta: risk.Draw(t, "beta"), Limit: rapid.IntRange(0, math.MaxInt32).Draw(t, "limit")}
		line, err := canonical(openBody{Lot: text, AQL: rapid.Float64Range(0, 100).Draw(t, "aql"), Sequential: w})
		if err != nil {
			t.Fatal(err)
		}
		if err := same(line); err != nil {
			t.Fatal(err)
		}
	})
}

// TestTampering: whatever is done to a ledger is found, at the entry where it
// was done or at the one after, which no longer follows.
func TestTampering(t *testing.T) {
	s := history(t)
	lines, head := s.lines(), s.series.Head
	if _, err := Verify(each(lines), head); err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		spoilt := slices.Clone(lines)
		at := rapid.IntRange(0, len(lines)-1).Draw(t, "at")
		switch rapid.SampledFrom([]string{"byte", "drop", "twice", "swap", "cut"}).Draw(t, "how") {
		case "byte":
			line := slices.Clone(lines[at])
			line[rapid.IntRange(0, len(line)-1).Draw(t, "byte")] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
			spoilt[at] = line
		case "drop":
			spoilt = slices.Delete(spoilt, at, at+1)
		case "twice":
			spoilt = slices.Insert(spoilt, at, lines[at])
		case "swap":
			to := rapid.IntRange(0, len(lines)-1).Filter(func(i int) bool { return i != at }).Draw(t, "to")
			spoilt[at], spoilt[to] = spoilt[to], spoilt[at]
			at = min(at, to)
		case "cut":
			spoilt = spoilt[:at]
		}
		_, err := Verify(each(spoilt), head)
		var bad *BadEntry
		switch {
		case err == nil:
			t.Fatal("not found")
		case errors.As(err, &bad) && (bad.N < at || bad.N > at+2):
			t.Fatalf("found at entry %d; it was done to entry %d: %v", bad.N, at+1, err)
		case bad == nil && !errors.Is(err, ErrNoLedger):
			t.Fatal(err)
		}
	})
}

// rechained makes every line follow from the one before again, as a forger
// would.
func rechained(t testing.TB, lines [][]byte, change func(*Entry)) [][]byte {
	t.Helper()
	var out [][]byte
	prev := noLine
	for _, line := range lines {
		e, err := parseEntry(line)
		if err != nil {
			t.Fatal(err)
		}
		change(&e)
		e.Prev = prev
		b, err := canonical(e)
		if err != nil {
			t.Fatal(err)
		}
		out, prev = append(out, b), hashOf(b)
	}
	return out
}

// TestForgery: a ledger that is chained anew still has to follow from the plan
// and the rules.
func TestForgery(t *testing.T) {
	lines := history(t).lines()
	for name, c := range map[string]struct {
		kind     Kind
		from, to string
		want     string
	}{
		"decision":       {Decided, `"rejected"`, `"accepted"`, `it says "accepted"; the plan says rejected: 2 of 13 nonconforming; 2 reject the lot`},
		"count":          {Decided, `"bad":2`, `"bad":1`, "it counts 1 nonconforming of 13; the entries have 2 of 13"},
		"verdict":        {Tested, `"verdict":"fail"`, `"verdict":"pass"`, "it counts 2 nonconforming of 13; the entries have 0 of 13"},
		"plan":           {Opened, `"ac":1,"n":13,"re":2`, `"ac":2,"n":13,"re":3`, "its terms come to n 13, Ac 1, Re 2"},
		"AQL":            {Opened, `"aql":4`, `"aql":10`, "its plan is n 13, Ac 1, Re 2"},
		"severity":       {Opened, `"severity":"normal"`, `"severity":"reduced"`, "the switching rules say normal"},
		"next severity":  {Decided, `"severity":"normal"`, `"severity":"reduced"`, "the switching rules say normal"},
		"seal":           {Opened, `"seal":"`, `"seal":"0`, "expected a SHA-256"},
		"sample":         {Drawn, `"units":[`, `"units":[91,`, "it is another sample"},
		"run":            {Tested, `"run":2,`, `"run":1,`, "run 1 is in entry"},
		"rules":          {Begun, `"iso2859"`, `"iso"`, "want iso2859 or mil105e"},
		"format":         {Begun, `"format":1`, `"format":2`, "a newer drench wrote it"},
		"unknown name":   {Tested, `{"lot"`, `{"a":1,"lot"`, "not in canonical form"},
		"other order":    {Begun, `{"format":1,"product":"sensor B",`, `{"product":"sensor B","format":1,`, "not in canonical form"},
		"no such kind":   {Voided, ``, ``, "its kind is"},
		"voided by whim": {Voided, `"entry":`, `"entry":9`, "can't be voided"},
		"drawn away":     {Drawn, ``, ``, "no lot is open"},
	} {
		t.Run(name, func(t *testing.T) {
			forged := rechained(t, lines, func(e *Entry) {
				switch {
				case e.Kind != c.kind:
				case name == "no such kind":
					e.Kind = "voided"
				case name == "drawn away":
					e.Kind, e.Body = Withdrew, []byte(`{"lot":"A"}`)
				default:
					e.Body = []byte(strings.Replace(string(e.Body), c.from, c.to, 1))
				}
			})
			_, err := Verify(each(forged), "")
			var bad *BadEntry
			if !errors.As(err, &bad) || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v\nexpected %s", err, c.want)
			}
		})
	}
}

// TestDraw: the sample that Python's hashlib gives for the same seed, and its
// seal.
func TestDraw(t *testing.T) {
	var seed [seedBytes]byte
	for i := range seed {
		seed[i] = byte(i)
	}
	// sorted(range(1, 21), key=lambda i: sha256(seed + i.to_bytes(8, "big")).digest()),
	// computed with Python 3's hashlib
	want := []int{12, 6, 13, 10, 3, 14, 1, 20, 2, 4, 15, 17, 19, 5, 11, 16, 8, 9, 7, 18}
	if got := unitsBy(seed, 20, 20); !slices.Equal(got, want) {
		t.Errorf("%v", got)
	}
	d := Draw{Lot: "A", Seed: hex.EncodeToString(seed[:]), Units: want[:5]}
	// sha256(json.dumps(…, separators=(",", ":"), sort_keys=True)), likewise
	if got, err := d.Seal(); err != nil || got != "07fbaba9ea564bc718ab040f0d7e483bc2c2cede5e2a2b904fd67379645c50ec" {
		t.Errorf("%s, %v", got, err)
	}
	if err := d.follows(20, 5); err != nil {
		t.Error(err)
	}
	for _, spoil := range []func(*Draw){
		func(d *Draw) { d.Units = []int{12, 6, 13, 10, 14} },
		func(d *Draw) { d.Units = d.Units[:4] },
		func(d *Draw) { d.Seed = strings.ToUpper(d.Seed) },
		func(d *Draw) { d.Seed = d.Seed[2:] },
	} {
		bad := d
		spoil(&bad)
		if bad.follows(20, 5) == nil {
			t.Errorf("%+v follows", bad)
		}
	}
}

// TestDrawIsFair: over many draws each unit is in the sample as often as any
// other, and as often first. Chi-square with 19 degrees of freedom is above
// 43.8 once in a thousand times (NIST e-Handbook 1.3.6.7.4).
func TestDrawIsFair(t *testing.T) {
	const size, n, draws = 20, 5, 20_000
	random := newShop(t, sampling.ISO2859, 10).random
	var in, first [size + 1]float64
	for range draws {
		d, err := draw("L", random, size, n)
		if err != nil {
			t.Fatal(err)
		}
		first[d.Units[0]]++
		for i, unit := range d.Units {
			if unit < 1 || unit > size || slices.Contains(d.Units[:i], unit) {
				t.Fatalf("%v", d.Units)
			}
			in[unit]++
		}
	}
	chi := func(seen []float64, each float64) (sum float64) {
		for _, o := range seen[1:] {
			sum += (o - each) * (o - each) / each
		}
		return sum
	}
	if c := chi(first[:], draws/size); c > 43.8 {
		t.Errorf("first: chi-square %.1f", c)
	}
	// Without replacement the counts vary less, by (size-n)/(size-1).
	if c := chi(in[:], draws*n/size) / (float64(size-n) / (size - 1)); c > 43.8 {
		t.Errorf("in the sample: chi-square %.1f", c)
	}
}

// TestExport: a ledger goes through a file unchanged.
func TestExport(t *testing.T) {
	s := history(t)
	var b bytes.Buffer
	s.must(Export(t.Context(), &b, s.storage, "sensor B"))
	again, err := Verify(Lines(&b), s.series.Head)
	if err != nil || len(again.Lots) != 3 {
		t.Errorf("%v, %v", again, err)
	}
	if l := again.Lot("C – <é> \"q\" \\u2028"); l == nil || l.Decision != Accepted {
		t.Errorf("%+v", l)
	}
}

// FuzzVerify: no file makes the reader panic, and what it takes it would write
// the same.
func FuzzVerify(f *testing.F) {
	lines := history(f).lines()
	f.Add(bytes.Join(lines, []byte("\n")))
	for _, n := range []int{1, 2, 3, 5, 40} {
		f.Add(bytes.Join(lines[:n], []byte("\n")))
	}
	f.Add([]byte(`{"at":"2026-03-02T08:00:00Z","body":{"format":1,"product":"x","rules":"iso2859"},"by":"a","kind":"begin","n":1,"prev":"` + noLine + `","why":"b"}`))
	f.Add([]byte("{}\n\n"))
	f.Fuzz(func(t *testing.T, file []byte) {
		s, err := Verify(Lines(bytes.NewReader(file)), "")
		var bad *BadEntry
		if errors.As(err, &bad) && bad.N != s.Entries+1 {
			t.Errorf("entry %d is bad, and %d were good", bad.N, s.Entries)
		}
		if err != nil {
			return
		}
		if got := bytes.Count(bytes.TrimSuffix(file, []byte("\n")), []byte("\n")) + 1; got != s.Entries {
			t.Errorf("%d entries of %d lines", s.Entries, got)
		}
		for _, l := range s.Lots {
			l.Asks()
			if l.Decision == Accepted || l.Decision == Rejected {
				if _, err := s.Certify(l.Lot); err != nil {
					t.Error(err)
				}
			}
		}
	})
}
