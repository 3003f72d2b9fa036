package main

import (
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// The page on the doctor has every check, in its order, and no other.
func TestDoctorDocs(t *testing.T) {
	text, err := os.ReadFile("../../docs/doctor.md")
	if err != nil {
		t.Fatal(err)
	}
	_, table, _ := strings.Cut(string(text), "## What it looks at")
	var listed, have []string
	for _, m := range regexp.MustCompile(`(?m)^\| ([A-Za-z0-9 -]+) \| [^|]+ \| [^|]*\|$`).FindAllStringSubmatch(table, -1) {
		listed = append(listed, m[1])
	}
	for _, c := range checks {
		have = append(have, c.name)
	}
	if listed = slices.DeleteFunc(listed, func(s string) bool { return s == "check" }); !slices.Equal(listed, have) {
		t.Errorf("the page lists %q\nthe doctor has %q", listed, have)
	}
}
