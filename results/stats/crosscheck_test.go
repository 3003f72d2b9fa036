package stats

import (
	"bufio"
	"encoding/binary"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// BenchmarkAgainstR does the analysis of BenchmarkMillionTrials, checks it
// against the same in R (crosscheck.R), and reports how many times longer R
// takes, which is timed in the same run: by the clock ("R/Go", R's fastest of
// three), and in processor time ("cpu-R/Go"), which other programs on the
// machine disturb less. It is skipped where R or its package survival is
// missing.
//
//	go test ./results/stats -run '^$' -bench AgainstR -benchtime 5x
func BenchmarkAgainstR(b *testing.B) {
	latencies, durations := millionTrials()
	inR := askR(b, latencies, durations)
	spent := processorTime(b)
	b.ResetTimer()
	var got map[string]float64
	for range b.N {
		var err error
		if got, err = analyse(latencies, durations); err != nil {
			b.Fatal(err)
		}
	}
	b.StopTimer()
	spent = processorTime(b) - spent
	for name, v := range got {
		// R takes the mean in extended precision, sums of products in plain.
		if want, ok := inR[name]; !ok || !(math.Abs(v-want) <= 1e-11) && !(math.Abs(v-want) <= 1e-11*math.Abs(want)) {
			b.Errorf("%s is %v; in R %v", name, v, want)
		}
	}
	b.ReportMetric(inR["seconds"]/(b.Elapsed().Seconds()/float64(b.N)), "R/Go")
	b.ReportMetric(inR["cpu"]/(spent.Seconds()/float64(b.N)), "cpu-R/Go")
}

// processorTime is what this process has used so far.
func processorTime(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// millionTrials are those of BenchmarkMillionTrials.
func millionTrials() ([]float64, []Duration) {
	rng := rand.New(rand.NewPCG(1, 1))
	latencies, durations := make([]float64, 1_000_000), make([]Duration, 1_000_000)
	for i := range latencies {
		latencies[i] = 0.01 + 2*rng.Float64()
		durations[i] = Duration{T: latencies[i], Censored: rng.IntN(100) == 0}
	}
	return latencies, durations
}

// analyse returns the whole analysis by the names that crosscheck.R gives it.
func analyse(latencies []float64, durations []Duration) (map[string]float64, error) {
	s, err := Summarize(latencies)
	if err != nil {
		return nil, err
	}
	out := map[string]float64{"mean": s.Mean, "sd": s.SD, "min": s.Min, "max": s.Max, "lag1": s.Lag1}
	for name, p := range map[string]float64{"50": 0.5, "95": 0.95, "99": 0.99} {
		q, err := Quantile(latencies, p)
		if err != nil {
			return nil, err
		}
		ranks, err := OrderStatInterval(len(latencies), p, 0.95)
		if err != nil {
			return nil, err
		}
		out["q"+name], out["lower"+name], out["upper"+name] = q, float64(ranks.L), float64(ranks.U)
	}
	curve, err := KaplanMeier(durations)
	if err != nil {
		return nil, err
	}
	out["steps"] = float64(len(curve.Steps))
	out["km95"], _ = curve.Quantile(0.95)
	out["kmlower95"], out["kmupper95"], _, _, err = curve.QuantileBounds(0.95, 0.95)
	return out, err
}

// askR runs crosscheck.R on the data and returns what it prints.
func askR(b *testing.B, latencies []float64, durations []Duration) map[string]float64 {
	b.Helper()
	path := filepath.Join(b.TempDir(), "trials")
	if err := writeTrials(path, latencies, durations); err != nil {
		b.Fatal(err)
	}
	out, err := exec.Command("Rscript", "--vanilla", "crosscheck.R", path, "3").Output()
	var exit *exec.ExitError
	switch {
	case errors.Is(err, exec.ErrNotFound), errors.As(err, &exit) && exit.ExitCode() == 3:
		b.Skip("needs R with its package survival (Debian: r-base-core, r-cran-survival)")
	case errors.As(err, &exit):
		b.Fatalf("crosscheck.R: %v: %s", err, exit.Stderr)
	case err != nil:
		b.Fatalf("run crosscheck.R: %v", err)
	}
	values := map[string]float64{}
	for _, line := range strings.Split(strings.TrimSpace(string(out)), "\n") {
		name, text, _ := strings.Cut(strings.TrimSpace(line), " ")
		if values[name], err = strconv.ParseFloat(strings.TrimSpace(text), 64); err != nil {
			b.Fatalf("crosscheck.R printed %q: %v", line, err)
		}
	}
	return values
}

// writeTrials writes the file that crosscheck.R reads.
func writeTrials(path string, latencies []float64, durations []Duration) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer f.Close()
	w := bufio.NewWriter(f)
	numbers := append([]float64{float64(len(latencies))}, latencies...)
	for _, d := range durations {
		flag := 0.0
		if d.Censored {
			flag = 1
		}
		numbers = append(numbers, flag)
	}
	if err := binary.Write(w, binary.LittleEndian, numbers); err != nil {
		return err
	}
	return w.Flush()
}
