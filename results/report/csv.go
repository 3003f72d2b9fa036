package report

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"

	"drench/results/measure"
)

// csvColumns are the columns of trials.csv: one row a trial, times in seconds
// on the bench's clock, empty where there is nothing to say.
var csvColumns = []struct {
	name string
	of   func(measure.Trial) string
}{
	{"trial", func(t measure.Trial) string { return strconv.Itoa(t.N) }},
	{"kind", func(t measure.Trial) string { return string(t.Spec.Kind) }},
	{"label", func(t measure.Trial) string { return printable(t.Spec.Label) }},
	{"begin_s", func(t measure.Trial) string { return seconds(int64(t.Begin)) }},
	{"end_s", func(t measure.Trial) string { return seconds(int64(t.End)) }},
	{"within_s", func(t measure.Trial) string { return present(int64(t.Spec.Within), 9) }},
	{"dose_ml", func(t measure.Trial) string { return present(int64(t.Spec.Dose), 6) }},
	{"rate_mm_per_min", func(t measure.Trial) string { return present(int64(t.Spec.Rate), 6) }},
	{"film_asked_g_per_m2", func(t measure.Trial) string { return present(int64(t.Spec.Film), 6) }},
	{"dip_shape", dipAsked(func(t measure.Trial) string { return string(t.Spec.Dip.Shape) })},
	{"dip_source_impedance", dipAsked(func(t measure.Trial) string { return string(t.Spec.Dip.Source) })},
	{"dip_from_v", dipAsked(func(t measure.Trial) string { return decimal(int64(t.Spec.Dip.From), 3) })},
	{"dip_level_v", dipAsked(func(t measure.Trial) string { return decimal(int64(t.Spec.Dip.Level), 3) })},
	{"dip_width_s", dipAsked(func(t measure.Trial) string { return seconds(int64(t.Spec.Dip.Width)) })},
	{"wetting_s", wetting(func(w measure.Wetting) string { return seconds(int64(w.At)) })},
	{"wetting_u_s", wetting(func(w measure.Wetting) string { return seconds(int64(w.U)) })},
	{"wetting_source", wetting(func(w measure.Wetting) string { return string(w.Source) })},
	{"drops", func(t measure.Trial) string { return strconv.Itoa(t.Drops) }},
	{"detected", func(t measure.Trial) string { return strconv.FormatBool(t.Detected) }},
	{"detect_s", func(t measure.Trial) string {
		if !t.Detected {
			return ""
		}
		return seconds(int64(t.DetectAt))
	}},
	{"latency_s", func(t measure.Trial) string { return present(int64(t.Latency), 9) }},
	{"latency_u_s", func(t measure.Trial) string { return present(int64(t.U), 9) }},
	{"film_g_per_m2", func(t measure.Trial) string { return present(int64(t.Film), 6) }},
	{"rail_lowest_v", dipSeen(func(d measure.DipSeen) string { return decimal(int64(d.Lowest), 3) })},
	{"rail_low_s", dipSeen(func(d measure.DipSeen) string { return seconds(int64(d.Width)) })},
	{"restarted", dipSeen(func(d measure.DipSeen) string { return strconv.FormatBool(d.Restarted) })},
	{"verdict", func(t measure.Trial) string { return t.Verdict.String() }},
	{"reason", func(t measure.Trial) string { return printable(t.Reason) }},
}

func present(n int64, places int) string {
	if n == 0 {
		return ""
	}
	return decimal(n, places)
}

func dipAsked(of func(measure.Trial) string) func(measure.Trial) string {
	return func(t measure.Trial) string {
		if t.Spec.Dip == nil {
			return ""
		}
		return of(t)
	}
}

func dipSeen(of func(measure.DipSeen) string) func(measure.Trial) string {
	return func(t measure.Trial) string {
		if t.Dip == nil {
			return ""
		}
		return of(*t.Dip)
	}
}

func wetting(of func(measure.Wetting) string) func(measure.Trial) string {
	return func(t measure.Trial) string {
		if t.Wetting == nil {
			return ""
		}
		return of(*t.Wetting)
	}
}

// CSV writes one row a trial (RFC 4180).
func CSV(w io.Writer, in Input) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	row := make([]string, len(csvColumns))
	for i, c := range csvColumns {
		row[i] = c.name
	}
	if err := out.Write(row); err != nil {
		return fmt.Errorf("write the table of trials: %w", err)
	}
	for _, t := range in.Set.Trials {
		for i, c := range csvColumns {
			row[i] = c.of(t)
		}
		if err := out.Write(row); err != nil {
			return fmt.Errorf("write the table of trials: %w", err)
		}
	}
	out.Flush()
	if err := out.Error(); err != nil {
		return fmt.Errorf("write the table of trials: %w", err)
	}
	return nil
}
