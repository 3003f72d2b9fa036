package limits

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"drench/rig"
)

func parse(t *testing.T, text string) *File {
	t.Helper()
	f, err := Parse("test.limits", []byte(text))
	if err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	return f
}

func TestParse(t *testing.T) {
	for _, c := range []struct {
		text string
		want Limit
	}{
		{"latency p95 < 2.5 s with 95 % confidence", Limit{Measure: "latency", Statistic: "p95", Op: "<", Value: 2500e6, Unit: rig.Second, Confidence: 95}},
		{"latency p95 < 1.25 periods with 95 % confidence", Limit{Measure: "latency", Statistic: "p95", Op: "<", Periods: 1.25, Unit: rig.Second, Confidence: 95}},
		{"missed <= 5 % with 95 % confidence", Limit{Measure: "missed", Op: "<=", Value: 5e7, Unit: rig.Proportion, Confidence: 95}},
		{"missed <= 0", Limit{Measure: "missed", Op: "<="}},
		{"false alarms <= 0.5 per h with 90 % confidence", Limit{Measure: "false alarms", Op: "<=", Value: 138888, Unit: rig.Hertz, Confidence: 90}},
		{"false alarms <= 0", Limit{Measure: "false alarms", Op: "<="}},
		{"heartbeat gap max <= 1.2 periods", Limit{Measure: "heartbeat gap", Statistic: "max", Op: "<=", Periods: 1.2, Unit: rig.Second}},
		{"heartbeat gap <= 1.2 periods", Limit{Measure: "heartbeat gap", Statistic: "max", Op: "<=", Periods: 1.2, Unit: rig.Second}},
		{"heartbeat jitter <= 20 ms", Limit{Measure: "heartbeat jitter", Op: "<=", Value: 20e6, Unit: rig.Second}},
		{"start-up max <= 0.6 s", Limit{Measure: "start-up", Statistic: "max", Op: "<=", Value: 600e6, Unit: rig.Second}},
		{"drop-out max <= 2.4 V", Limit{Measure: "drop-out", Statistic: "max", Op: "<=", Value: 2400e6, Unit: rig.Volt}},
		{"standby <= 0.3 W", Limit{Measure: "standby", Op: "<=", Value: 300e6, Unit: rig.Watt}},
		{"settings lost <= 0", Limit{Measure: "settings lost", Op: "<="}},
		{"release p95 < 60 s with 90 % confidence", Limit{Measure: "release", Statistic: "p95", Op: "<", Value: 60e9, Unit: rig.Second, Confidence: 90}},
		{"film max <= 150 g/m2", Limit{Measure: "film", Statistic: "max", Op: "<=", Value: 150e6, Unit: rig.FilmMass}},
		{"carry-over max <= -3", Limit{Measure: "carry-over", Statistic: "max", Op: "<=", Value: -3}},
		{"latency p99.5<=2s with 97.5% confidence", Limit{Measure: "latency", Statistic: "p99.5", Op: "<=", Value: 2e9, Unit: rig.Second, Confidence: 97.5}},
		{"recovery min >= 2 V", Limit{Measure: "recovery", Statistic: "min", Op: ">=", Value: 2e9, Unit: rig.Volt}},
		{"heartbeat gap sd < 5 ms", Limit{Measure: "heartbeat gap", Statistic: "sd", Op: "<", Value: 5e6, Unit: rig.Second}},
	} {
		f := parse(t, "\n  "+c.text+"   # why\r\n")
		c.want.Line, c.want.Text = 2, c.text
		if len(f.Limits) != 1 || f.Limits[0] != c.want {
			t.Errorf("%s is %+v; want %+v", c.text, f.Limits, c.want)
		}
	}
	f := parse(t, "# nothing\nallow 7.5 % inconc\nmissed <= 0\nmissed <= 5 % with 95 % confidence\nlatency p95 < 2 s\nlatency p95 > 0.1 s\n")
	if f.AllowInconc != 0.075 || len(f.Limits) != 4 {
		t.Errorf("file is %+v", f)
	}
}

// TestBadFiles holds each broken file against the complaints beside it.
func TestBadFiles(t *testing.T) {
	files, err := filepath.Glob(filepath.Join("..", "..", "testdata", "bad", "limits", "*.limits"))
	if err != nil || len(files) < 8 {
		t.Fatalf("%d broken limits files, %v", len(files), err)
	}
	for _, name := range files {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		want, err := os.ReadFile(strings.TrimSuffix(name, ".limits") + ".want")
		if err != nil {
			t.Fatal(err)
		}
		f, err := Parse(filepath.Base(name), text)
		if f != nil || err == nil {
			t.Errorf("%s was taken", name)
			continue
		}
		if got := err.Error() + "\n"; got != string(want) {
			t.Errorf("%s gives\n%swant\n%s", name, got, want)
		}
		var first Error
		if !errors.As(err, &first) || first.Line == 0 || first.Col == 0 {
			t.Errorf("%s: first error is %+v", name, first)
		}
	}
}

func TestResolve(t *testing.T) {
	f := parse(t, "latency p95 < 1.25 periods\nheartbeat gap <= 1.2 periods\nstart-up <= 0.5 s")
	d := rig.DUT{Sampling: rig.SamplingSpec{Period: 2 * time.Second}, Heartbeat: time.Second}
	r := f.Resolve(d)
	for i, want := range []int64{2500e6, 1200e6, 500e6} {
		if got := r.Limits[i].Value; got != want {
			t.Errorf("%s is %d ns; want %d", r.Limits[i].Text, got, want)
		}
	}
	if f.Limits[0].Value != 0 {
		t.Error("resolving changed the file")
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte("latency p95 < 2.5 s with 95 % confidence\nallow 5 % inconc\nmissed <= 0 # c"))
	f.Add([]byte("false alarms<=0.5 per h with 90% confidence"))
	f.Add([]byte("allow\nallow %\nwith\n< \nlatency < with with"))
	f.Fuzz(func(t *testing.T, text []byte) {
		file, err := Parse("f", text)
		if (file == nil) != (err != nil) {
			t.Fatalf("file %v, error %v", file, err)
		}
		if err != nil {
			var errs Errors
			if !errors.As(err, &errs) || len(errs) == 0 {
				t.Fatalf("error %T", err)
			}
			return
		}
		for _, l := range file.Limits {
			again, err := Parse("f", []byte(l.Text))
			if err != nil || len(again.Limits) != 1 {
				t.Fatalf("%q read again: %v", l.Text, err)
			}
			l.Line = 1
			if again.Limits[0] != l {
				t.Fatalf("%q read again is %+v, was %+v", l.Text, again.Limits[0], l)
			}
		}
	})
}
