package calc

import "drench/results/stats"

// drift is about a series that may leave its level.
func drift() []Entry {
	const subject = "drift"
	const twenty = "--values 52.0,47.0,53.0,49.3,50.1,47.0,51.0,50.1,51.2,50.5,49.6,47.6,49.9,51.3,47.8,51.2,52.6,52.4,53.6,52.1"
	series := Param{Name: "values", Kind: Column, About: "the series, in order"}
	target := Param{Name: "target", Kind: Number, About: "level that it should keep"}
	return []Entry{{
		Name: "ewma", Subject: subject,
		About:  "chart of the exponentially weighted moving average",
		Source: "NIST e-Handbook 6.3.2.4; Roberts, Technometrics 1 (1959) 239",
		Params: []Param{series, target,
			{Name: "sigma", Kind: Number, About: "standard deviation of one value"},
			{Name: "lambda", Kind: Number, Default: "0.2", About: "weight of the newest value"},
			{Name: "width", Kind: Number, Default: "3", About: "limits, in standard deviations of the average"}},
		Example: twenty + " --target 50 --sigma 2.0539 --lambda 0.3",
		Run:     ewma,
	}, {
		Name: "cusum", Subject: subject,
		About:  "tabular cumulative sums, with the point at which the level changed",
		Source: "NIST e-Handbook 6.3.2.3; Page, Biometrika 41 (1954) 100",
		Params: []Param{series, target,
			{Name: "k", Kind: Number, About: "allowance: half the shift that matters"},
			{Name: "h", Kind: Number, About: "sum that signals: 4 to 5 standard deviations"}},
		Example: "--values 324.925,324.675,324.725,324.350,325.350,325.225,324.125,324.525,325.225,324.600,324.625,325.150,328.325,327.250,327.825,328.500,326.675,327.775,326.875,328.350 --target 325 --k 0.3175 --h 4.1959",
		Run:     cusum,
	}, {
		Name: "individuals", Subject: subject, Also: []string{"shewhart", "moving-range", "xmr"},
		About:   "chart of single values with limits from moving ranges",
		Source:  "NIST e-Handbook 6.3.2.2",
		Params:  []Param{series},
		Example: "--values 49.6,47.6,49.9,51.3,47.8,51.2,52.6,52.4,53.6,52.1",
		Run:     individuals,
	}, {
		Name: "change-point", Subject: subject, Also: []string{"step", "mean-shift"},
		About:   "most likely single step in the mean, with a permutation p-value",
		Source:  "Hinkley, Biometrika 57 (1970) 1 (from memory)",
		Params:  []Param{series, Param{Name: "draws", Kind: Count, Default: "999", Most: mostDraws, About: "random orders to try"}, seedParam},
		Example: "--values 10,11,9,10,14,15,13,14",
		Run: func(a Args) (r Result, err error) {
			m, err := stats.ChangePoint(a.Column("values"), a.Count("draws"), uint64(a.Count("seed")))
			r.set("first after", m.Index+1)
			r.set("before", m.Before)
			r.set("after", m.After)
			r.set("gain", m.Gain)
			r.set("p", m.P)
			return r, err
		},
	}}
}

// position sets the place of a value counted from 1, as a person counts, where
// there is one.
func (r *Result) position(name string, index int) {
	if index == stats.NoSignal {
		r.set(name, nil)
		return
	}
	r.set(name, index+1)
}

func ewma(a Args) (r Result, err error) {
	c, err := stats.EWMA(a.Column("values"), a.Number("target"), a.Number("sigma"), a.Number("lambda"), a.Number("width"))
	if err != nil {
		return r, err
	}
	r.set("lower", c.Lower)
	r.set("upper", c.Upper)
	r.position("first signal", c.Signal)
	r.position("first outside lower or upper", c.SignalSteady)
	g := Grid{Columns: []string{"value", "z", "lower", "upper"}}
	for i, p := range c.Points {
		g.Rows = append(g.Rows, []any{a.Column("values")[i], p.Z, p.Lower, p.Upper})
	}
	r.set("points", g)
	return r, nil
}

func cusum(a Args) (r Result, err error) {
	c, err := stats.CUSUM(a.Column("values"), a.Number("target"), a.Number("k"), a.Number("h"))
	if err != nil {
		return r, err
	}
	r.position("first signal", c.Signal)
	if c.Signal != stats.NoSignal {
		r.set("direction", map[bool]string{true: "up", false: "down"}[c.Up])
	}
	r.position("changed at", c.Change)
	g := Grid{Columns: []string{"value", "high", "low"}}
	for i, p := range c.Points {
		g.Rows = append(g.Rows, []any{a.Column("values")[i], p.High, p.Low})
	}
	r.set("points", g)
	return r, nil
}

func individuals(a Args) (r Result, err error) {
	c, err := stats.Individuals(a.Column("values"))
	r.set("centre", c.Centre)
	r.set("lower", c.Lower)
	r.set("upper", c.Upper)
	r.set("mean range", c.MeanRange)
	r.set("range upper", c.RangeUpper)
	r.set("sigma", c.Sigma)
	r.set("outside", fromOne(c.Outside))
	r.set("wide ranges", fromOne(c.WideRanges))
	return r, err
}

// fromOne counts places from 1.
func fromOne(indices []int) []int {
	places := make([]int, len(indices))
	for i, index := range indices {
		places[i] = index + 1
	}
	return places
}
