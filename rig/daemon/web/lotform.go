package web

import (
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"drench/results/lot"
	"drench/results/sampling"
)

// lotForm opens a lot. What was typed stays in it when something is wrong.
type lotForm struct {
	Product, Lot, Size, AQL, Level, Scenario, Limits, Profile, Trials, Resubmits string
	Curtailed, Steady, Agreed                                                    bool

	AQLs, Levels, Scenarios, LimitsFiles, Profiles, Products []string
	Planned                                                  *plannedLot
	Problems                                                 []string
}

// plannedLot is what the form comes to.
type plannedLot struct {
	*lot.Lot
	Letter sampling.Letter
	Plot   riskPlot
}

var levels = []string{"S-1", "S-2", "S-3", "S-4", "I", "II", "III"}

func (s *site) newLot(w http.ResponseWriter, r *http.Request) error {
	return s.showLotForm(w, r, lotForm{Product: r.FormValue("product"), Level: "II", Scenario: "drip"})
}

func (s *site) showLotForm(w http.ResponseWriter, r *http.Request, f lotForm) error {
	if s.Lots == nil {
		return errNoPage
	}
	files, err := s.Bench.Files(r.Context())
	if err != nil {
		return err
	}
	f.Scenarios, f.LimitsFiles, f.Profiles = byKind(files)
	f.Levels = levels
	aqls, err := sampling.AQLs()
	if err != nil {
		return err
	}
	for _, a := range aqls {
		f.AQLs = append(f.AQLs, strconv.FormatFloat(a, 'g', -1, 64))
	}
	if f.Products, err = s.Lots.Products(r.Context()); err != nil {
		return err
	}
	v := view{page: "lotform", title: "Open a lot", section: "lots", body: f}
	if len(f.Problems) > 0 {
		v.status = http.StatusUnprocessableEntity
	}
	return s.show(w, r, v)
}

func readLotForm(r *http.Request) lotForm {
	v := func(name string) string { return strings.TrimSpace(r.FormValue(name)) }
	return lotForm{Product: v("product"), Lot: v("lot"), Size: v("size"), AQL: v("aql"), Level: v("level"), Scenario: v("scenario"), Limits: v("limits"),
		Profile: v("profile"), Trials: v("trials"), Resubmits: v("resubmits"), Curtailed: v("curtailed") != "", Steady: v("steady") != "", Agreed: v("agreed") != ""}
}

// terms reads the form; problems say what in it is no lot.
func (f lotForm) terms() (lot.Terms, []string) {
	t := lot.Terms{Lot: f.Lot, Mode: lot.Whole, Level: sampling.Level(f.Level), Resubmits: f.Resubmits, Steady: f.Steady, Agreed: f.Agreed}
	var wrong []string
	var err error
	if t.Size, err = strconv.Atoi(f.Size); err != nil {
		wrong = append(wrong, fmt.Sprintf("units in the lot: %q; expected a whole number", f.Size))
	}
	if t.AQL, err = strconv.ParseFloat(f.AQL, 64); err != nil {
		wrong = append(wrong, fmt.Sprintf("AQL: %q; expected one of the list", f.AQL))
	}
	test := lot.Test{Scenario: f.Scenario, Limits: f.Limits, Profile: f.Profile}
	if f.Trials != "" {
		if test.Trials, err = strconv.Atoi(f.Trials); err != nil || test.Trials < 1 {
			wrong = append(wrong, fmt.Sprintf("trials: %q; expected a whole number from 1, or nothing for as many as the script says", f.Trials))
		}
	}
	if f.Curtailed {
		t.Mode = lot.Curtailed
	}
	t.Test = &test
	return t, wrong
}

// openLot shows what the form comes to, and opens it when that was seen.
func (s *site) openLot(w http.ResponseWriter, r *http.Request) error {
	d, err := s.desk()
	if err != nil {
		return err
	}
	f := readLotForm(r)
	t, wrong := f.terms()
	if f.Problems = wrong; len(wrong) > 0 {
		return s.showLotForm(w, r, f)
	}
	if r.FormValue("do") == "open" {
		_, err = d.Open(r.Context(), d.Act(signer(r), ""), f.Product, sampling.ISO2859, t)
		if err == nil {
			return done(w, r, linePath(f.Product), "opened")
		}
	} else {
		f.Planned, err = s.planned(r, f.Product, t)
	}
	if err = asAsked(err); err != nil {
		var ok bool
		if f.Problems, ok = problems(err); !ok {
			return err
		}
	}
	return s.showLotForm(w, r, f)
}

func (s *site) planned(r *http.Request, product string, t lot.Terms) (*plannedLot, error) {
	d, err := s.desk()
	if err != nil {
		return nil, err
	}
	if product == "" {
		return nil, errors.New("product: it is empty; expected what the lot is of")
	}
	l, err := d.Plan(r.Context(), product, sampling.ISO2859, t)
	if err != nil {
		return nil, err
	}
	p := &plannedLot{Lot: l}
	if p.Letter, err = sampling.CodeLetter(l.Size, l.Level); err != nil {
		return nil, err
	}
	p.Plot, err = newRiskPlot(l)
	return p, err
}
