package web

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"drench/results/inspection"
	"drench/results/lot"
	"drench/results/report"
	"drench/results/store"
	"drench/rig/daemon"
	"drench/rig/daemon/access"
)

// lotRoutes are pages and actions about lots that are inspected by sampling.
func (s *site) lotRoutes() []route {
	return []route{
		{"GET /lots", access.ToLook, s.lots},
		{"GET /lots/new", access.ToArrange, s.newLot},
		{"POST /lots", access.ToArrange, s.openLot},
		{"GET /lots/of/{name}/{lot}", access.ToLook, s.lot},
		{"GET /lots/of/{name}/{lot}/certificate", access.ToLook, s.certificate},
		{"GET /lots/of/{name}/{lot}/results.csv", access.ToLook, s.lotResults},
		{"GET /lots/ledger/{name}", access.ToLook, s.ledger},
		{"POST /lots/void/{name}", access.ToRun, s.voidEntry},
		{"POST /lots/withdraw/{name}", access.ToArrange, s.withdrawLot},
		{"POST /lots/name", access.ToRun, s.sign},
		{"GET /lots/line/{name}", access.ToLook, s.line},
		{"POST /lots/line/{name}", access.ToRun, s.scan},
		{"POST /lots/line/{name}/retest", access.ToRun, s.retest},
		{"POST /lots/line/{name}/decide", access.ToRun, s.decide},
	}
}

// desk is where lots are inspected.
func (s *site) desk() (inspection.Desk, error) {
	if s.Lots == nil {
		return inspection.Desk{}, errNoPage
	}
	return inspection.Desk{Store: s.Lots, Now: s.Now, Cache: &s.verified}, nil
}

// asAsked turns what a ledger refuses into what is wrong with a request.
func asAsked(err error) error {
	var fault *store.Error
	var broken *lot.BadEntry
	switch {
	case err == nil, errors.As(err, &fault), errors.As(err, &broken), errors.As(err, new(*daemon.BadRequest)), errors.Is(err, daemon.ErrBusy):
		return err
	case errors.Is(err, lot.ErrNoLedger):
		return fmt.Errorf("%w: %w", daemon.ErrNotFound, err)
	}
	return &daemon.BadRequest{Problems: []string{err.Error()}}
}

// series reads the ledger of the product in the path.
func (s *site) series(r *http.Request) (inspection.Desk, *lot.Series, error) {
	d, err := s.desk()
	if err != nil {
		return d, nil, err
	}
	series, err := d.Series(r.Context(), r.PathValue("name"))
	if errors.Is(err, lot.ErrNoLedger) {
		err = fmt.Errorf("%w: %w", daemon.ErrNotFound, err)
	}
	return d, series, err
}

// lotPath is where a lot is shown, linePath where it is tested.
func lotPath(product, name string) string {
	return "/lots/of/" + url.PathEscape(product) + "/" + url.PathEscape(name)
}

func linePath(product string) string { return "/lots/line/" + url.PathEscape(product) }

// lotRow is a lot in a list.
type lotRow struct {
	*lot.Lot
	lot.Standing
	Path string
	Mark string // shape
}

// Word is what became of it.
func (l lotRow) Word() string { return string(l.Decision) }

// lotMarks are the shapes of decisions.
var lotMarks = map[lot.Decision]string{lot.Open: "running", lot.Accepted: "pass", lot.Rejected: "fail", lot.Withdrawn: "none"}

func newLotRow(product string, l *lot.Lot) (lotRow, error) {
	st, err := l.Standing()
	return lotRow{l, st, lotPath(product, l.Lot), lotMarks[l.Decision]}, err
}

// productLots are the lots of a product, the newest first.
type productLots struct {
	*lot.Series
	Lots             []lotRow
	Line, LedgerPath string
	Broken           string // why the ledger does not hold
}

func (s *site) lots(w http.ResponseWriter, r *http.Request) error {
	d, err := s.desk()
	if err != nil {
		return err
	}
	names, err := s.Lots.Products(r.Context())
	if err != nil {
		return err
	}
	var list []productLots
	for _, name := range names {
		p := productLots{Line: linePath(name), LedgerPath: "/lots/ledger/" + url.PathEscape(name)}
		var broken *lot.BadEntry
		if p.Series, err = d.Series(r.Context(), name); errors.As(err, &broken) {
			p.Series, p.Broken = &lot.Series{Product: name}, broken.Error()
		} else if err != nil {
			return err
		}
		for _, l := range slices.Backward(p.Series.Lots) {
			row, err := newLotRow(name, l)
			if err != nil {
				return err
			}
			p.Lots = append(p.Lots, row)
		}
		list = append(list, p)
	}
	return s.show(w, r, view{page: "lots", title: "Lots", section: "lots", body: list})
}

// lotPage is a lot with its ledger.
type lotPage struct {
	lotRow
	Product    string
	Line       string
	Void       string // where an entry is voided
	Withdraw   string
	LedgerPath string
	Next       lot.Step
	Plot       riskPlot
	Entries    []ledgerRow
	Head       string
	Voidable   bool
	Problems   []string
}

// Test is what each unit is tested by, in words.
func (p lotPage) TestWords() string {
	if p.Lot.Test == nil {
		return "not named"
	}
	return p.Lot.Test.Words()
}

// ledgerRow is an entry as it is shown.
type ledgerRow struct {
	lot.Entry
	Hash string
}

func (s *site) lot(w http.ResponseWriter, r *http.Request) error {
	return s.showLot(w, r, r.PathValue("lot"), nil)
}

// showLot shows a lot, with what was wrong with a form on it.
func (s *site) showLot(w http.ResponseWriter, r *http.Request, name string, wrong []string) error {
	_, series, err := s.series(r)
	if err != nil {
		return err
	}
	l := series.Lot(name)
	if l == nil {
		return errNoPage
	}
	product := url.PathEscape(series.Product)
	p := lotPage{Product: series.Product, Line: linePath(series.Product), Void: "/lots/void/" + product, Withdraw: "/lots/withdraw/" + product,
		LedgerPath: "/lots/ledger/" + product, Head: series.Head, Voidable: l.Decision == lot.Open && l.Stopped == "", Problems: wrong}
	if p.lotRow, err = newLotRow(series.Product, l); err != nil {
		return err
	}
	if p.Next, err = l.Next(); err != nil {
		return err
	}
	if p.Plot, err = newRiskPlot(l); err != nil {
		return err
	}
	if p.Entries, err = s.entries(r, l); err != nil {
		return err
	}
	v := view{page: "lot", title: fmt.Sprintf("Lot %s of %s: %s", l.Lot, series.Product, l.Decision), section: "lots", body: p}
	if len(wrong) > 0 {
		v.status = http.StatusUnprocessableEntity
	}
	return s.show(w, r, v)
}

// entries are those of a lot.
func (s *site) entries(r *http.Request, l *lot.Lot) ([]ledgerRow, error) {
	var rows []ledgerRow
	for line, err := range s.Lots.Read(r.Context(), r.PathValue("name")) {
		if err != nil {
			return nil, err
		}
		var e lot.Entry
		if err := json.Unmarshal(line, &e); err != nil {
			return nil, fmt.Errorf("read an entry: %w", err)
		}
		if e.N >= l.First && e.N <= l.Last {
			sum := sha256.Sum256(line)
			rows = append(rows, ledgerRow{e, hex.EncodeToString(sum[:])})
		}
	}
	return rows, nil
}

func (s *site) certificate(w http.ResponseWriter, r *http.Request) error {
	_, series, err := s.series(r)
	if err != nil {
		return err
	}
	name := r.PathValue("lot")
	cert, err := series.Certify(name)
	if err != nil {
		return asAsked(err)
	}
	curve, err := series.Lot(name).Curve(report.CurvePoints)
	if err != nil {
		return err
	}
	var page bytes.Buffer
	if err := report.CertificateHTML(&page, cert, curve); err != nil {
		return err
	}
	w.Header().Set("Content-Security-Policy", reportPolicy(page.Bytes()))
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	_, _ = page.WriteTo(w) // whoever asked has gone, if anything
	return nil
}

func (s *site) lotResults(w http.ResponseWriter, r *http.Request) error {
	_, series, err := s.series(r)
	if err != nil {
		return err
	}
	cert, err := series.Certify(r.PathValue("lot"))
	if err != nil {
		return asAsked(err)
	}
	var table bytes.Buffer
	if err := cert.CSV(&table); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="results.csv"`)
	_, _ = table.WriteTo(w)
	return nil
}

// ledger is a product's ledger as it is kept, to be checked elsewhere.
func (s *site) ledger(w http.ResponseWriter, r *http.Request) error {
	d, series, err := s.series(r)
	if err != nil {
		return err
	}
	var text bytes.Buffer
	if err := lot.Export(r.Context(), &text, d.Store, series.Product); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="ledger.txt"`)
	_, _ = text.WriteTo(w)
	return nil
}

func (s *site) voidEntry(w http.ResponseWriter, r *http.Request) error {
	d, series, err := s.series(r)
	if err != nil {
		return err
	}
	name := r.FormValue("lot")
	n, err := strconv.Atoi(strings.TrimSpace(r.FormValue("entry")))
	if err != nil || n < 1 {
		return s.showLot(w, r, name, []string{fmt.Sprintf("entry: %q; expected the number of an assignment or a result below", r.FormValue("entry"))})
	}
	err = asAsked(d.Void(r.Context(), d.Act(signer(r), r.FormValue("why")), series.Product, n))
	if wrong, ok := problems(err); ok {
		return s.showLot(w, r, name, wrong)
	}
	if err != nil {
		return err
	}
	return done(w, r, lotPath(series.Product, name), "voided")
}

func (s *site) withdrawLot(w http.ResponseWriter, r *http.Request) error {
	d, series, err := s.series(r)
	if err != nil {
		return err
	}
	name := r.FormValue("lot")
	err = asAsked(d.Withdraw(r.Context(), d.Act(signer(r), r.FormValue("why")), series.Product))
	if wrong, ok := problems(err); ok {
		return s.showLot(w, r, name, wrong)
	}
	if err != nil {
		return err
	}
	return done(w, r, "/lots", "withdrawn")
}
