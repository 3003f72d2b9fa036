package virtual

import (
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

// digestWanted makes TestDigest, in a test binary for another machine, print.
const digestWanted = "DRENCH_VIRTUAL_DIGEST"

func TestDigest(t *testing.T) {
	if os.Getenv(digestWanted) == "" {
		t.Skip("only for TestSameOnAnotherMachine")
	}
	os.Stdout.WriteString("digest " + course(t, Default(), 42) + "\n")
}

// The same seed gives the same course, bit for bit, on another processor: one
// that fuses multiplications with additions where a compiler lets it.
func TestSameOnAnotherMachine(t *testing.T) {
	if testing.Short() {
		t.Skip("compiles for another processor")
	}
	other, emulator := "arm64", "qemu-aarch64-static"
	if runtime.GOARCH == "arm64" {
		other, emulator = "amd64", "qemu-x86_64-static"
	}
	emulator, err := exec.LookPath(emulator)
	if err != nil {
		missing := "no emulator for " + other + ": install Debian's qemu-user-static"
		if os.Getenv("DRENCH_REQUIRE") == "all" {
			t.Fatal(missing)
		}
		t.Skip(missing)
	}
	binary := filepath.Join(t.TempDir(), "virtual.test")
	build := exec.Command("go", "test", "-c", "-o", binary, ".")
	build.Env = append(os.Environ(), "GOOS=linux", "GOARCH="+other, "CGO_ENABLED=0", "GOFLAGS=")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("compile for %s: %v\n%s", other, err, out)
	}
	run := exec.Command(emulator, binary, "-test.run=^TestDigest$")
	run.Env = append(os.Environ(), digestWanted+"=1")
	out, err := run.CombinedOutput()
	if err != nil {
		t.Fatalf("run on %s: %v\n%s", other, err, out)
	}
	if want := "digest " + course(t, Default(), 42) + "\n"; !strings.Contains(string(out), want) {
		t.Errorf("%s gives %swant %s", other, out, want)
	}
}
