package main

import (
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// TestLotDocs types what docs/lots.md says, in a shell, on the virtual bench,
// and holds each exit status to what stands there.
func TestLotDocs(t *testing.T) {
	bin, data, dir := drench(t), t.TempDir(), t.TempDir()
	text, err := os.ReadFile("../../docs/lots.md")
	if err != nil {
		t.Fatal(err)
	}
	printed := map[string]string{}
	ran := 0
	for _, m := range regexp.MustCompile(`(?m)^    ([a-z].*?)(?: +# exit (\d))?$`).FindAllStringSubmatch(string(text), -1) {
		line, want := m[1], 0
		if m[2] != "" {
			want, _ = strconv.Atoi(m[2])
		}
		head := regexp.MustCompile(`head ([0-9a-f]{64})`).FindStringSubmatch(printed["drench lot verify"])
		typed := line
		if strings.Contains(line, "HEAD") {
			typed = strings.Replace(line, "HEAD", head[1], 1)
		}
		cmd := exec.Command("sh", "-c", "drench() { '"+bin+"' \"$@\"; }\n"+typed)
		cmd.Dir = dir
		cmd.Env = append(os.Environ(), "DRENCH_DATA="+data, "DRENCH_RIG=", "XDG_CONFIG_HOME="+dir)
		out, _ := cmd.CombinedOutput() // its status is looked at
		printed[line] = string(out)
		if got := cmd.ProcessState.ExitCode(); got != want {
			t.Fatalf("%s: exit status %d; expected %d\n%s", typed, got, want, out)
		}
		ran++
	}
	if ran < 20 {
		t.Errorf("only %d commands ran", ran)
	}
	hashes := strings.Fields(strings.ReplaceAll(printed[`while IFS= read -r line; do printf %s "$line" | sha256sum; done < ledger.txt`], "-", ""))
	prev := regexp.MustCompile(`[0-9a-f]{64}`).FindAllString(printed[`grep -o '"prev":"[0-9a-f]*"' ledger.txt`], -1)
	if len(hashes) != len(prev) || len(hashes) < 14 {
		t.Fatalf("%d hashes of lines, %d of lines before", len(hashes), len(prev))
	}
	for i := range hashes[1:] {
		if hashes[i] != prev[i+1] {
			t.Errorf("entry %d has the hash %s, and the next names %s", i+1, hashes[i], prev[i+1])
		}
	}
	page, err := os.ReadFile(dir + "/certificate.html")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{hashes[len(hashes)-1], "B-0031", "the nozzle was blocked; cleaned it", "accepted"} {
		if !strings.Contains(string(page), want) {
			t.Errorf("the certificate does not tell of %q", want)
		}
	}
}
