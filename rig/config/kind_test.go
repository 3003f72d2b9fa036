package config

import (
	"os"
	"testing"
)

func TestKindOf(t *testing.T) {
	stockRig, err := stock.ReadFile("stock/rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	dut, err := stock.ReadFile("stock/duts/latching-2s.yaml")
	if err != nil {
		t.Fatal(err)
	}
	// A profile with an error of its own is a profile all the same.
	anchor, err := os.ReadFile("../../testdata/bad/profiles/anchor.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]Kind{
		string(stockRig): RigFile, string(dut): Profile, string(anchor): Profile,
		"by: me\nexpires: \"2027-01-01T00:00:00Z\"\n": Calibration,
		"": RigFile, "a: [": RigFile, "name: x\n": RigFile,
	} {
		if got := KindOf([]byte(text)); got != want {
			t.Errorf("%.20q is a %s, want %s", text, got, want)
		}
	}
}
