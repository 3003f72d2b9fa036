package web

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strconv"

	"drench/results/report"
	"drench/results/store"
)

// format is a form that a run's report comes in.
type format struct {
	file, kind string
	About      string
	write      func(io.Writer, report.Input) error
}

// File is the name to keep it under.
func (f format) File() string { return f.file }

// formats lists them, the page first.
var formats = []format{
	{"report.html", "text/html; charset=utf-8", "the report as one page that opens offline", report.HTML},
	{"trials.csv", "text/csv; charset=utf-8", "a row a trial, for a spreadsheet", report.CSV},
	{"junit.xml", "application/xml", "JUnit-style result, for a build server", report.JUnit},
	{"timeline.vcd", "application/octet-stream", "waveforms, for a wave viewer", report.VCD},
	{"run.json", "application/json", "everything, for a program", report.JSON},
}

// subject is the run of a request, and the limits to judge it by: its own, or
// those of the judgement that the query names.
func (s *site) subject(r *http.Request) (run store.Run, name, text string, err error) {
	id, err := number(r)
	if err != nil {
		return run, "", "", err
	}
	if run, err = s.Runs.Get(r.Context(), id); err != nil {
		return run, "", "", err
	}
	if run.State == store.Running {
		return run, "", "", notYet(run)
	}
	asked := r.FormValue("judgement")
	if asked == "" {
		return run, run.LimitsName, run.LimitsText, nil
	}
	list, err := s.Runs.Judgements(r.Context(), id)
	if err != nil {
		return run, "", "", err
	}
	i := slices.IndexFunc(list, func(j store.Judgement) bool { return strconv.FormatInt(j.ID, 10) == asked })
	if i < 0 {
		return run, "", "", errNoPage
	}
	return run, list[i].LimitsName, list[i].LimitsText, nil
}

// fresh tells the browser that what it has is still good. A report is a
// function of the timeline, the limits and the program.
func (s *site) fresh(w http.ResponseWriter, r *http.Request, f format, run store.Run, limits string) bool {
	tag := etag(fmt.Appendf(nil, "%s\n%s\n%s\n%s", f.file, run.Sum, limits, s.began))
	w.Header().Set("ETag", tag)
	w.Header().Set("Cache-Control", "private, no-cache")
	if r.Header.Get("If-None-Match") != tag {
		return false
	}
	w.WriteHeader(http.StatusNotModified)
	return true
}

// report shows the report in the browser. It is a page of its own, with its
// style in it: the policy names that style by its hash, and takes all else
// from the page, scripts and this site's data among it.
func (s *site) report(w http.ResponseWriter, r *http.Request) error {
	run, name, text, err := s.subject(r)
	if err != nil {
		return err
	}
	if s.fresh(w, r, formats[0], run, text) {
		return nil
	}
	patient(w)
	b, err := s.kept.write(r.Context(), formats[0], run, name, text)
	if err != nil {
		return err
	}
	h := w.Header()
	h.Set("Content-Security-Policy", reportPolicy(b))
	h.Set("X-Frame-Options", "SAMEORIGIN") // the run's page holds it in a frame
	h.Set("Content-Type", formats[0].kind)
	_, _ = w.Write(b) // whoever asked has gone, if anything
	return nil
}

// reportPolicy is the content security policy of a report.
func reportPolicy(page []byte) string {
	policy := "default-src 'none'; sandbox allow-same-origin; form-action 'none'; frame-ancestors 'self'; base-uri 'none'"
	if _, rest, ok := bytes.Cut(page, []byte("<style>")); ok {
		if style, _, ok := bytes.Cut(rest, []byte("</style>")); ok {
			sum := sha256.Sum256(style)
			policy += "; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
		}
	}
	return policy
}

// download sends a run in one of the formats as a file.
func (s *site) download(w http.ResponseWriter, r *http.Request) error {
	i := slices.IndexFunc(formats, func(f format) bool { return f.file == r.PathValue("file") })
	if i < 0 {
		return errNoPage
	}
	f := formats[i]
	run, name, text, err := s.subject(r)
	if err != nil {
		return err
	}
	h := w.Header()
	h.Set("Content-Disposition", fmt.Sprintf(`attachment; filename="run-%d-%s"`, run.ID, f.file))
	if s.fresh(w, r, f, run, text) {
		return nil
	}
	patient(w)
	b, err := s.kept.write(r.Context(), f, run, name, text)
	if err != nil {
		h.Del("Content-Disposition")
		return err
	}
	h.Set("Content-Type", f.kind)
	_, _ = w.Write(b) // whoever asked has gone, if anything
	return nil
}
