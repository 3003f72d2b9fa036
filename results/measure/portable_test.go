package measure

import (
	"os"
	"os/exec"
	"regexp"
	"testing"
)

// TestSameBitsEverywhere compiles measures and limits for arm64, where the
// compiler fuses a product into a sum if it may, and finds no such instruction
// in them: a run judged on a bench and on a desk gives the same bytes.
func TestSameBitsEverywhere(t *testing.T) {
	if testing.Short() {
		t.Skip("compiles for another processor")
	}
	// The build cache replays the listing when nothing has to be compiled.
	cmd := exec.Command("go", "build", "-gcflags=drench/results/...=-S", ".", "../limits")
	cmd.Env = append(os.Environ(), "GOOS=linux", "GOARCH=arm64", "CGO_ENABLED=0")
	listing, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("compile for arm64: %v", err)
	}
	own := regexp.MustCompile(`results/(measure|limits)/\w+\.go:\d+\)\t`)
	fused := regexp.MustCompile(`(?m)^.*\tFN?M(ADD|SUB)[SD]\t.*$`)
	if !own.Match(listing) {
		t.Fatal("the listing has no line of this package")
	}
	for _, line := range fused.FindAll(listing, -1) {
		if own.Match(line) {
			t.Errorf("fused: %s", line)
		}
	}
}
