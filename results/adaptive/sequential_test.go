package adaptive

import (
	"testing"

	"drench/results/sampling"
	"drench/rig"

	"pgregory.net/rapid"
)

// plan is the same test in package sampling, whose boundaries are checked
// against published ones.
func (t Test) plan() (sampling.Sequential, error) {
	s, err := sampling.Wald(t.Good, t.Bad, t.Alpha, t.Beta)
	if err != nil {
		return s, err
	}
	return s.Truncate(t.Most)
}

// TestDecide: the decision is that of package sampling at every count.
func TestDecide(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		test := Test{Good: rapid.Float64Range(0.001, 0.2).Draw(rt, "good"), Alpha: rapid.Float64Range(0.01, 0.3).Draw(rt, "alpha"),
			Beta: rapid.Float64Range(0.01, 0.3).Draw(rt, "beta"), Most: rapid.IntRange(1, 200).Draw(rt, "most")}
		test.Bad = test.Good * rapid.Float64Range(1.5, 4.5).Draw(rt, "times")
		s, err := test.plan()
		if err != nil {
			rt.Fatal(err)
		}
		n := rapid.IntRange(1, test.Most).Draw(rt, "n")
		for wrong := range n + 1 {
			want, err := s.Judge(n, wrong)
			if err != nil {
				rt.Fatal(err)
			}
			if got, err := test.Decide(n, wrong); err != nil || string(got) != want.String() {
				rt.Fatalf("%d of %d: %v %v, want %v", wrong, n, got, err, want)
			}
		}
	})
}

// stock is the test of the scenario assurance.
var stock = rig.TestSpec{Good: 5e6, Bad: 50e6, Alpha: 50e6, Beta: 40e6, Most: 150}

// TestStockRisks: the test of the scenario assurance keeps its risks, exactly
// (package sampling's recursion), although it is cut off, and takes fewer trials
// on average than the 59 to 93 that a fixed number would.
func TestStockRisks(t *testing.T) {
	s, err := TestOf(stock).plan()
	if err != nil {
		t.Fatal(err)
	}
	good, err := s.Exact(0.005)
	if err != nil {
		t.Fatal(err)
	}
	bad, err := s.Exact(0.05)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("at 0.5 %%: %+v; at 5 %%: %+v", good, bad)
	if good.Reject > 0.05 || bad.Accept > 0.05 || good.Undecided+bad.Undecided != 0 {
		t.Errorf("risks: rejects %v of good, accepts %v of bad", good.Reject, bad.Accept)
	}
	if bad.ASN > 59 {
		t.Errorf("takes %v trials on average to reject", bad.ASN)
	}
}

func TestTestErrors(t *testing.T) {
	fine := TestOf(stock)
	if d, err := fine.Decide(0, 0); err != nil || d != Continue {
		t.Errorf("before the first trial: %v %v", d, err)
	}
	for _, c := range []struct{ n, wrong int }{{-1, 0}, {151, 0}, {5, 6}, {5, -1}} {
		if _, err := fine.Decide(c.n, c.wrong); err == nil {
			t.Errorf("%d of %d was taken", c.wrong, c.n)
		}
	}
	for _, bad := range []Test{{}, {Good: 0.1, Bad: 0.05, Alpha: 0.1, Beta: 0.1, Most: 5}, {Good: 0.1, Bad: 0.2, Alpha: 0.5, Beta: 0.5, Most: 5}, {Good: 0.1, Bad: 0.2, Alpha: 0.1, Beta: 0.1}} {
		if _, err := bad.Decide(1, 0); err == nil {
			t.Errorf("%+v was taken", bad)
		}
	}
}
