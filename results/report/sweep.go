package report

import (
	"cmp"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"drench/results/sweep"
	"drench/results/verdict"
	"drench/rig"
)

// Sweep is a comparison of settings, to be written for people.
type Sweep struct {
	Name     string
	Scenario string
	Begun    time.Time // wall time
	Battery  string    // as given; "" for none
	// LatencyLimit is the limit on the 95 % quantile of latency in ns, 0 for
	// none.
	LatencyLimit float64
	Points       []sweep.Point
}

// SweepHTML writes the trade-off of settings as one page that needs no other
// file and no network.
func SweepHTML(w io.Writer, s Sweep) error {
	chosen := s.choices()
	p := &page{
		Style: template.CSS(styleText), Title: fmt.Sprintf("Settings of %s compared: %s", printable(s.Scenario), printable(s.Name)),
		Kind: "settings compared", Skip: "Skip to the choices", Footer: "Written by drench from the timelines of the runs named.",
		Reason: s.conclude(chosen), Verdict: verdict.Pass.String(), Meaning: "There are settings that meet every limit.",
		Facts: []fact{{"scenario", printable(s.Scenario), ""}, {"settings", strconv.Itoa(len(s.Points)), ""}, {"begun", wall(s.Begun), ""}},
	}
	if len(chosen) == 0 {
		p.Verdict, p.Meaning = verdict.Fail.String(), "No setting was shown to meet every limit."
	}
	if s.Battery != "" {
		p.Facts = append(p.Facts, fact{"battery", printable(s.Battery), "life at standby power"})
	}
	p.Sections = []section{s.tradeoff(chosen)}
	return p.write(w)
}

// choices are the settings that meet all limits and that no other beats.
func (s Sweep) choices() (chosen []int) {
	for i, p := range s.Points {
		if p.Meets() && p.Front {
			chosen = append(chosen, i)
		}
	}
	return chosen
}

func (s Sweep) conclude(chosen []int) string {
	if len(chosen) == 0 {
		return "Look at which limits each setting broke or left undecided; more trials settle what is inconc."
	}
	var names []string
	for _, i := range chosen {
		names = append(names, fmt.Sprintf("%d (%s)", i+1, printable(s.Points[i].Name())))
	}
	return "Worth choosing from: " + strings.Join(names, "; ") + ". Each meets every limit, and no other setting is better on one count without being worse on another."
}

func (s Sweep) tradeoff(chosen []int) section {
	sec := section{ID: "tradeoff", Heading: "Latency against power", Wide: true, Words: []string{
		fmt.Sprintf("%d of %d settings meet every limit; %d of those are worth choosing from.", s.meeting(), len(s.Points), len(chosen)),
		"A mark is a setting, by its verdict and its number in the table; lower and further left is better. The stepped line joins the settings that none beats on all counts, missed doses and false alarms included. One beats another only where their 90 % intervals are apart, so neighbours on the line may be alike.",
	}}
	if p, ok := s.plot(); ok {
		sec.Plots = []plot{p}
	}
	sec.Shown = []*table{s.table()}
	return sec
}

func (s Sweep) meeting() (n int) {
	for _, p := range s.Points {
		if p.Meets() {
			n++
		}
	}
	return n
}

// plot draws the settings whose power and latency are known.
func (s Sweep) plot() (plot, bool) {
	var x, y []float64
	var at []int
	for i, p := range s.Points {
		if l, w := p.Values[sweep.Latency], p.Values[sweep.Power]; l.Known && w.Known {
			at, x, y = append(at, i), append(x, w.Value), append(y, l.Value)
		}
	}
	if len(at) == 0 {
		return plot{}, false
	}
	ax := newAxis(0, 1.1*slices.Max(x), rig.Watt, 5)
	ay := newAxis(0, 1.1*max(slices.Max(y), s.LatencyLimit), rig.Second, 5)
	p := plot{ID: "tradeoff-plot", Title: "Latency against mean power, a mark a setting", Height: 320,
		Desc: fmt.Sprintf("%d settings; the table below has the numbers.", len(at))}
	p.xTicks(ax, "mean power")
	p.yTicks(ay, "latency, 95 % quantile")
	if s.LatencyLimit > 0 {
		p.across(ay.at(s.LatencyLimit), "limit "+quantity(s.LatencyLimit, rig.Second), "limit")
	}
	s.marks(&p, at, func(k int) (float64, float64) { return ax.at(x[k]), ay.at(y[k]) })
	var front []int
	for k, i := range at {
		if s.Points[i].Front {
			front = append(front, k)
		}
	}
	slices.SortFunc(front, func(a, b int) int { return cmp.Or(cmp.Compare(x[a], x[b]), cmp.Compare(y[a], y[b])) })
	line := pen{height: p.Height}
	for n, k := range front {
		if n == 0 {
			line.move(ax.at(x[k]), ay.at(y[k]))
			continue
		}
		line.h(ax.at(x[k]))
		line.v(ay.at(y[k]))
	}
	p.Traces = append(p.Traces, trace{D: line.path(), Class: "law"})
	return p, true
}

// near is how close marks are, as a share of either side, that get one label.
const near = 0.05

// marks draws the settings, those that meet all limits over the others, and
// their numbers, those of marks that lie on each other as one label.
func (s Sweep) marks(p *plot, at []int, place func(k int) (x, y float64)) {
	order := make([]int, len(at))
	for k := range order {
		order[k] = k
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Compare(goodness(s.Points[at[a]]), goodness(s.Points[at[b]]))
	})
	for _, k := range order {
		x, y := place(k)
		point := s.Points[at[k]]
		p.Marks = append(p.Marks, mark{X: pct(x), Y: num(p.y(y)), Symbol: point.Verdict.String(), Text: fmt.Sprintf("%d: %s", at[k]+1, printable(point.Name()))})
	}
	labelled := make([]bool, len(at))
	for k := range at {
		if labelled[k] {
			continue
		}
		x, y := place(k)
		var numbers []string
		for j := k; j < len(at); j++ {
			if u, v := place(j); !labelled[j] && math.Abs(u-x) < near && math.Abs(v-y) < near {
				labelled[j] = true
				numbers = append(numbers, strconv.Itoa(at[j]+1))
			}
		}
		p.label(x+0.012, y, strings.Join(numbers, ", "), "axis")
	}
}

// goodness orders marks: what is drawn last lies on top.
func goodness(p sweep.Point) int {
	if p.Meets() {
		return 1
	}
	return 0
}

// table lists all settings with what each costs.
func (s Sweep) table() *table {
	t := &table{Caption: "Settings, with 90 % intervals", Head: []column{{"no.", true}, {"setting", false}, {"verdict", false}}}
	for _, c := range sweep.Costs {
		t.Head = append(t.Head, column{c.Name, true})
	}
	t.Head = append(t.Head, column{"standby", true}, column{"battery life", true}, column{"worth it", false})
	for i, p := range s.Points {
		row := []cell{{Text: strconv.Itoa(i + 1)}, {Text: p.Name(), Small: runsOf(p)}, verdictCell(p.Verdict)}
		for k, c := range sweep.Costs {
			row = append(row, cost(p.Values[k], c.Unit))
		}
		life := "not asked"
		if p.Battery > 0 {
			life = years(p.Battery)
		}
		row = append(row, cost(p.Standby, rig.Watt), cell{Text: life}, cell{Text: worth(p), Small: strings.Join(p.Broken, "; ")})
		t.addRow("", row...)
	}
	return t
}

// cost shows a value over its interval.
func cost(v sweep.Value, u rig.Unit) cell {
	if !v.Known {
		return cell{Text: "not shown"}
	}
	show := func(x float64) string {
		switch {
		case math.IsInf(x, 1):
			return "∞"
		case u == rig.Proportion:
			return percent(x)
		case u == rig.Hertz:
			return rig.Significant(x, 3) + " per h"
		}
		return quantity(x, u)
	}
	return cell{Text: show(v.Value), Small: show(v.Low) + " to " + show(v.High)}
}

func runsOf(p sweep.Point) string {
	ids := make([]string, len(p.Runs))
	for i, id := range p.Runs {
		ids[i] = strconv.FormatInt(id, 10)
	}
	word := "runs "
	if len(ids) == 1 {
		word = "run "
	}
	return word + strings.Join(ids, ", ")
}

func worth(p sweep.Point) string {
	switch {
	case !p.Front:
		return fmt.Sprintf("no, %d beats it", p.BeatBy)
	case p.Meets():
		return "yes"
	}
	return "no, limits"
}

// years prints a battery's life to what can be meant by it.
func years(d time.Duration) string {
	days := d.Hours() / 24
	if days < 730 {
		return rig.Significant(days, 2) + " days"
	}
	return rig.Significant(days/365.25, 2) + " years"
}
