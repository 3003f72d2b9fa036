package calc

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// published is a call with what a publication or other software gives for it.
type published struct {
	name, flags, data string
	want              string  // "NAME VALUE; ...", a cell of a table as TABLE[ROW].COLUMN
	tol               float64 // relative; absolute where 0 is wanted
	source            string
}

const (
	twelve    = "--values .03,.21,.38,.55,.71,.92,1.08,1.27,1.49,1.60,1.77,1.99"
	six       = "--a 2.5,3.6,4.7,5.8,6.9,8.0 --b 1.1,2.2,3.3,4.4,5.0"
	hollander = "--a .80,.83,1.89,1.04,1.45,1.38,1.91,1.64,.73,1.46 --b 1.15,.88,.90,.74,1.21"
	beetles   = "--dose log10_dose --n exposed --hits responding"
)

var checks = []published{
	{"clopper-pearson", "--x 4 --n 20 --conf 0.9", "", "lower 0.0713538843086181; upper 0.401028117331975", 1e-9, "R binom.test; NIST e-Handbook 7.2.4.2"},
	{"clopper-pearson", "--x 4 --n 20 --conf 0.9", "", "lower 0.071354; upper 0.401029", 1e-5, "NIST e-Handbook 7.2.4.2, as printed (from memory)"},
	{"clopper-pearson", "--x 92 --n 93 --conf 95% --side lower", "", "lower 0.950006021612012", 1e-9, `R binom.test(alternative = "greater")`},
	{"clopper-pearson", "--x 0 --n 59 --side upper", "", "upper 0.0495076098882270", 1e-9, "1-0.05^(1/59) in R"},
	{"wilson", "--x 4 --n 20", "", "lower 0.0806576625797981; upper 0.4160174322518935", 1e-9, "R prop.test(correct = FALSE)"},
	{"success-run", "--reliability 0.95", "", "trials 59", 0, "R pbinom; Wilks (1941)"},
	{"success-run", "--reliability 99% --conf 99% --misses 3", "", "trials 1001", 0, "R pbinom"},
	{"poisson-rate", "--x 10 --exposure 1", "", "lower 4.79538869613243; upper 18.3903560420178", 1e-9, "R poisson.test"},
	{"poisson-rate", "--x 0 --exposure 720 --side upper", "", "upper 0.00416073926882", 1e-9, "-ln(0.05)/720 in R"},
	{"poisson-rate", "--x 2 --exposure 168 --conf 0.975 --side lower", "", "lower 0.00144172189609503", 1e-9, "R poisson.test, two-sided 95 %"},
	{"compare-rates", "--x1 11 --exposure1 800 --x2 21 --exposure2 3011", "",
		"ratio 1.9714880952381; lower 0.858426403391639; upper 4.27726594365407; p 0.0796686330333295", 1e-9, "R poisson.test, its help page"},
	{"compare-rates", "--x1 4 --exposure1 10 --x2 0 --exposure2 5 --conf 0.9", "", "ratio none; lower 0.448534067681907; upper none; p 0.308641975308642", 1e-9, "R poisson.test"},

	{"summary", "", "calc_mavro.csv", "n 50; mean 2.00185600000000; sd 0.000429123454003053; lag1 0.937989183438248", 1e-12, "NIST StRD Mavro, certified"},
	{"summary", "--values 10000001,10000003,10000002", "", "mean 10000002; sd 1; lag1 -0.5; min 10000001; max 10000003", 1e-12, "NIST StRD NumAcc1, certified"},
	{"quantile", "--values 4,1,3,2 --p 0.25", "", "quantile 1.75", 1e-15, "R quantile(1:4, 0.25)"},
	{"quantile-interval", "--n 100 --p 0.5", "", "lower rank 40; upper rank 61; cover 0.964799799782295", 1e-9, "R pbinom"},
	{"quantile-interval", "--n 50 --p 0.95", "", "lower rank 44; upper rank none; cover 0.988213552202736", 1e-9, "R pbinom"},
	{"quantile-rank", "--n 93 --p 0.95", "", "rank 92", 0, "Wilks (1941): n for the second largest"},
	{"quantile-rank", "--n 58 --p 0.95", "", "rank none", 0, "Wilks (1941): 59 are needed"},
	{"quantile-rank", "--n 93 --p 0.05 --side lower", "", "rank 2", 0, "Wilks (1941), mirrored"},
	{"wilks", "--p 0.99 --conf 0.95", "", "n 299", 0, "Wilks (1941)"},
	{"wilks", "--p 0.95 --conf 0.95 --k 4", "", "n 153", 0, "Wilks (1941)"},
	{"wilks-two-sided", "--content 0.99 --conf 0.99", "", "n 662", 0, "Wilks (1941)"},
	{"tolerance-factor", "--n 43 --content 0.9 --conf 0.99", "",
		"one-sided 1.87395360585798; two-sided 2.22282517379; two-sided by Howe 2.21731589665363; one-sided by Natrella 1.87518958127703", 1e-8, "R; NIST e-Handbook 7.2.6.3"},

	{"kaplan-meier", "--censored censored --time time", "calc_6mp.csv",
		"n 21; events 9; steps[0].at risk 21; steps[0].S 0.857142857142857; steps[6].time 23; steps[6].S 0.44817927171; steps[6].se 0.134591456756; " +
			"steps[6].lower 0.188052005959; steps[6].upper 0.680142628500", 1e-10, "R survfit(conf.type = log-log), Freireich et al. (1963)"},
	{"survival-quantile", "", "calc_6mp.csv", "quantile 23; lower 13; upper none", 0, "R survfit, Freireich et al. (1963)"},
	{"survival-quantile", "--conf 0.975 --side lower", "calc_6mp.csv", "quantile 23; lower 13", 0, "R survfit, two-sided 95 %"},
	{"survival-quantile", "--p 0.1 --conf 0.975 --side upper", "calc_6mp.csv", "upper 10", 0, "R survfit, two-sided 95 %"},
	{"survival-at", "--at 16.5", "calc_6mp.csv", "S 0.62745098039", 1e-10, "R survfit, Freireich et al. (1963)"},
	{"restricted-mean", "--upto 35", "calc_6mp.csv", "mean 23.28739495798; se 2.82746762337", 1e-10, "R survfit(rmean = 35)"},
	{"latency-bound", "--p 0.5", "calc_6mp.csv", "upper none; exact no", 0, "R survfit: the band does not come down to a half"},
	{"latency-bound", "--time 1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16,17,18,19,20 --p 0.5 --conf 0.975", "", "upper 15; exact yes", 0, "R pbinom: rank 15 of 20"},
	{"log-rank", "", "calc_freireich.csv",
		"groups[0].expected 19.2505009480311; groups[1].expected 10.7494990519689; groups[1].observed 21; variance 6.2569605736755; chi-square 16.7929409892165; p 4.16880911e-05", 1e-8, "R survdiff"},

	{"mann-whitney", six, "", "W 24; exact yes; p 0.125541125541126; p normal, corrected 0.120690800527; p normal 0.100348246462", 1e-9, "R wilcox.test"},
	{"mann-whitney", hollander, "", "W 35; p 0.254412254412254; p greater 0.127206127206", 1e-9, "R wilcox.test, its help page after Hollander and Wolfe"},
	{"hodges-lehmann", six, "", "shift 2.2; lower -0.8; upper 4.7", 1e-12, "R wilcox.test(conf.int = TRUE)"},
	{"ks-two-sample", hollander, "", "D 0.6; p 0.165834165834166; p asymptotic 0.18130044993812283", 1e-9, "R ks.test"},
	{"permutation", six + " --draws 100000", "", "difference 2.05; p 0.108225108225108", 0.03, "R, all 462 re-assignments; 3 standard errors of 100 000 draws"},
	{"permutation", six + " --draws 100000 --statistic median", "", "difference 1.95; p 0.173160173160173", 0.022, "R, all 462 re-assignments; 3 standard errors"},
	{"benjamini-hochberg", "--p .0001,.0004,.0019,.0095,.0201,.0278,.0298,.0344,.0459,.3240,.4262,.5719,.6528,.7590,1", "",
		"adjusted[0] .0015; adjusted[5] .0638571428571; adjusted[12] .753230769231; adjusted[14] 1", 1e-10, "Benjamini and Hochberg (1995), R p.adjust"},

	{"sampler-latency", "--period 0.5 --conversion 0.005 --readings 2", "", "from 0.505; to 1.005; mean 0.755; sd 0.144337567297; quantile 0.98", 1e-11, "derived"},
	{"sampler-period", twelve, "", "period 2.31636363636364", 1e-12, "13/11 of the range"},
	{"sampler-fit", twelve + " --period 2", "", "from 0.01; to 2.01", 1e-12, "mid-range less half the period, by hand"},
	{"ks-uniform", twelve + " --from 0 --to 2", "", "D 0.0783333333333; p 0.999988413", 1e-9, "scipy kstest"},
	{"ks-uniform", twelve + " --from 0.5 --to 2.1", "", "D 0.302083333333; p 0.181412869", 1e-8, "scipy kstest"},
	{"ks", "--values -1.2,-0.3,0.1,0.4,1.9 --mean 0 --sd 1", "", "D 0.1820885778110473; p 0.9856865316461024", 1e-9, `R ks.test(x, "pnorm")`},
	{"ks", "--values .2,.5,1.1,3.0 --law exponential --mean 1.5", "", "D 0.2303053010897993; p 0.9527793282242545", 1e-9, `R ks.test(x, "pexp", 1/1.5)`},

	{"ewma", "--values 52.0,47.0,53.0,49.3,50.1,47.0,51.0,50.1,51.2,50.5,49.6,47.6,49.9,51.3,47.8,51.2,52.6,52.4,53.6,52.1 --target 50 --sigma 2.0539 --lambda 0.3", "",
		"lower 47.4115682619; upper 52.5884317381; first signal none; points[2].upper 52.4314055708; points[19].z 51.9882433", 1e-8, "NIST e-Handbook 6.3.2.4"},
	{"cusum", "--values 324.925,324.675,324.725,324.350,325.350,325.225,324.125,324.525,325.225,324.600,324.625,325.150,328.325,327.250,327.825,328.500,326.675,327.775,326.875,328.350 --target 325 --k 0.3175 --h 4.1959", "",
		"first signal 14; direction up; changed at 13; points[19].high 19.035; points[6].low 0.5575; points[0].high 0", 1e-9, "NIST e-Handbook 6.3.2.3"},
	{"individuals", "--values 49.6,47.6,49.9,51.3,47.8,51.2,52.6,52.4,53.6,52.1", "", "centre 50.81; mean range 1.87777777777778; upper 55.80408983451537; outside none", 1e-12, "NIST e-Handbook 6.3.2.2; R"},
	{"change-point", "--values value", "stats_nile.csv", "first after 29; before 1097.75; after 849.972222222222; gain 1237699.55555555; p 0.001", 1e-12, "R on the Nile series: it drops after the 28th value"},

	{"dose-logit", beetles, "dose_bliss.csv", "method maximum likelihood; intercept -60.7174545656; slope 34.2703257342; se intercept 5.18071146332; se slope 2.91214007062; covariance -15.082151006; " +
		"deviance 11.2322310974; null deviance 284.2024494808; Pearson 10.02681758564; log-likelihood -186.2354032718; df 6; a50 1.771720964448; a90 1.835835457971; a90/95 1.846771314487", 1e-7, "R glm, Bliss (1935)"},
	{"dose-logit", beetles, "dose_bliss.csv", "slope lower 28.854028; slope upper 40.300689", 1e-4, "R confint"},
	{"dose-logit", beetles + " --method firth", "dose_bliss.csv", "intercept -60.113771323620; slope 33.930130451140; se slope 2.884118663", 1e-7, "Newton's method in R"},
	{"dose-logit", "--dose 1,2,3,4,5,6,7,8 --hits 0,0,0,0,1,1,1,1", "", "method Firth's penalty; intercept -4.647349769979; slope 1.032744393329; a50 4.5; a90 6.627558950; log-likelihood, penalised -1.155075209365", 1e-7, "Newton's method in R; Firth (1993)"},
	{"dose-probit", beetles, "dose_bliss.csv", "intercept -34.9352588978; slope 19.7279342106; deviance 10.1197581130; a50 1.770852362185; a90/95 1.845924114706", 1e-7, "R glm, Bliss (1935)"},
	{"dose-cloglog", beetles, "dose_bliss.csv", "intercept -39.5723106061; slope 22.0411698208; deviance 3.4464387330", 1e-7, "R glm, Bliss (1935)"},
	{"dose-limits", beetles + " --q 0.5", "dose_bliss.csv", "dose 1.771720964448; se 0.003858055311; limits[0].lower 1.764159314987; limits[1].lower 1.763858171772; limits[2].upper 1.779187245791", 1e-7, "R, Bliss (1935)"},
	{"dose-limits", beetles + " --link probit --side upper", "dose_bliss.csv", "limits[0].upper 1.845102036651; limits[1].upper 1.846090865149; limits[2].upper 1.845924114706; limits[2].lower none", 1e-7, "R, Bliss (1935)"},
	{"dose-pod", beetles + " --at 1.8113", "dose_bliss.csv", "POD 0.795171771936", 1e-7, "R fitted: 50.095821632 of 63"},
	{"staircase", "--dose level --step 0.3", "dose_staircase.csv", "a50 1.27; sd 0.173934; counted hits; counts[1] 10", 1e-12, "Dixon and Mood (1948), by hand"},

	{"type-a", "--values 10.1,10.3,9.9,10.1", "", "u 0.0816496580927726; dof 3", 1e-12, "sd/sqrt(n) in R"},
	{"type-b", "--half-width 0.5", "", "u 0.288675134594813", 1e-12, "0.5/sqrt(3); JCGM 100 eq. 7"},
	{"type-b", "--half-width 0.5 --shape arcsine", "", "u 0.353553390593274", 1e-12, "0.5/sqrt(2); JCGM 101 6.4.6"},
	{"type-b-dof", "--relative 0.25", "", "dof 8", 1e-12, "JCGM 100 G.4.2: 25 % gives 8"},
	{"budget", "--u 25,5.8,3.9,6.7,2.9,0.029 --sensitivity 1,1,1,1,1,575 --dof 18,24,5,8,50,2 --level 0.99", "", "u 31.7049779215; effective dof 16.6449010297; dof used 16; k 2.920781622; U 92.6033", 1e-6, "JCGM 100 annex H.1, R"},
	{"budget", "--name x,y --u 3,4 --first x --second y --r 1", "", "u 7; contributions[0].contribution 3; k 1.959963984540054", 1e-12, "JCGM 100 eq. 16: a straight sum"},
	{"monte-carlo", "--value 0,0,0,0 --u 1,1,1,1 --shape rectangular,rectangular,rectangular,rectangular", "", "u 2; symmetric upper 3.88; shortest lower -3.88", 0.01, "JCGM 101 9.2.3 (from memory)"},
	{"monte-carlo", "--value 0,0,0,0 --u 1,1,1,10 --shape rectangular,rectangular,rectangular,rectangular", "", "u 10.1; symmetric upper 17.0", 0.01, "JCGM 101 9.2.4 (from memory)"},
	{"monte-carlo", "--value 1 --u 2 --shape triangular --level 0.9", "", "mean 1; u 2; symmetric upper 4.3496953", 0.02, "1 + 2 sqrt(6) (1 - sqrt(0.1)), derived"},

	{"conformance", "--y -5.40 --u 0.05 --lower -5.47", "", "probability 0.919243340766; decision undecided", 1e-9, "JCGM 106 7.3.3 prints 0.92; R"},
	{"conformance", "--y 13.6 --u 1.8 --lower 12.5 --upper 16.3", "", "probability 0.662629786495", 1e-9, "JCGM 106 7.4 prints 0.66; R"},
	{"guard-band", "--u 0.05 --upper 3", "", "accept from none; accept to 2.917757319", 1e-9, "ISO 14253-1:2017 default, R"},
	{"global-risk", "--mean 1500 --sd 0.12 --u 0.04 --lower 1499.8 --upper 1500.2 --accept-lower 1499.82 --accept-upper 1500.18", "", "consumer 0.0098782915217794; producer 0.0690265104615649", 1e-8, "R integrate; JCGM 106 9.5.4 prints 1 % and 7 %"},
	{"global-risk", "--mean 0 --sd 1 --u 0.5 --upper 0", "", "consumer 0.0737918088252166; producer 0.0737918088252166", 1e-8, "Sheppard: atan(0.5)/(2 pi)"},

	{"gauge-rr", "", "calc_gauge.csv", "gauge[0].sd 0.199933179721; gauge[1].sd 0.226837521496; gauge[2].sd 0.302371522323; gauge[3].sd 1.042327493838; gauge[5].sd 1.085299563219; " +
		"gauge[2].% of TV 27.86065088; categories 4; F interaction 0.433721030; p interaction 0.974106404; pooled yes; analysis of variance[3].SS 2.75893333", 1e-8, "AIAG MSA 4th ed., R"},
	{"gauge-rr", "--alpha 1 --tolerance 6", "calc_gauge.csv", "gauge[0].sd 0.214434657232; gauge[2].sd 0.313217406976; pooled no; gauge[2].% of tolerance 31.3217406976", 1e-9, "AIAG MSA 4th ed. with the interaction kept, R"},
	{"gauge-range", "", "calc_gauge.csv", "gauge[0].sd 0.201856666667; gauge[2].sd 0.305766346; gauge[3].sd 1.104595556; categories 5", 1e-8, "AIAG MSA 4th ed. by ranges, R"},

	{"code-letter", "--lot 1000", "", "letter J", 0, "MIL-STD-105E table I"},
	{"code-letter", "--lot 500001 --level S-2", "", "letter E", 0, "MIL-STD-105E table I"},
	{"plan-single", "--lot 1000 --aql 1.0 --severity reduced", "", "n 32; Ac 1; Re 3", 0, "MIL-STD-105E table II-C"},
	{"plan-single", "--lot 20 --aql 0.65", "", "letter C; n 20; Ac 0; whole lot yes", 0, "MIL-STD-105E table II-A, arrow to F"},
	{"aqls", "", "", "aqls[0] 0.065; aqls[11] 10", 0, "MIL-STD-105E table II-A"},
	{"oc", "--n 80 --ac 3 --quality 0.02", "", "accept .923145008938", 1e-9, "R pbinom"},
	{"oc", "--n 80 --ac 3 --quality 0.005 --model poisson", "", "accept .999223748624", 1e-9, "R ppois"},
	{"oc", "--n 32 --ac 1 --re 3 --quality 0.02", "", "accept 0.9742349944170328", 1e-12, "R pbinom(2, 32, 0.02)"},
	{"oc-lot", "--n 80 --ac 1 --lot 1000 --bad 10", "", "accept 0.812641838362", 1e-9, "R phyper"},
	{"oc-quality", "--n 80 --ac 3", "", "quality .0816031554", 1e-8, "R qbeta"},
	{"outgoing", "--n 80 --ac 3 --quality 0.02 --lot 1000", "", "AOQ 0.01698586816445253; AOQL 0.02234786889143169; ATI 150.7065917773734; ASN, stopping at rejection 78.54068753638776", 1e-9, "R pbinom, optimize"},
	{"outgoing", "--n 80 --ac 3 --quality 0.02 --lot 1000", "", "at incoming 0.03650404809", 1e-6, "R optimize"},
	{"zero-acceptance", "--quality 0.05 --beta 0.05", "", "n 59", 0, "ln 0.05/ln 0.95, rounded up"},
	{"zero-acceptance", "--lot 300 --bad 6 --beta 0.331520430622", "", "n 50", 0, "R phyper: 0.331520430621 at 50"},
	{"switching", "--n 80,80,80,80 --ac 2,2,1,1 --bad 3,4,0,1", "", "inspection tightened; lots[1].next tightened; lots[0].outcome rejected", 0, "ISO 2859-1:1999 clause 9 (from memory)"},
	{"switching", "--n 80,80,80,80,80,80,80,80,80 --ac 1,1,1,1,1,1,1,1,1 --bad 2,2,2,2,2,2,2,0,0 --resumed 0,0,0,0,0,0,0,1,0", "", "lots[6].next stopped; lots[7].inspection tightened; inspection tightened", 0, "ISO 2859-1:1999 clause 9 (from memory)"},
	{"sprt", "--p0 .01 --p1 .10 --n 24 --bad 3", "", "h_a 0.9388616025667; h_r 1.2053786463005; s 0.0397474322109; accept with 0; reject with 3; outcome reject", 1e-10, "NIST e-Handbook 6.2.6 prints 0.939, 1.205, 0.0397; R"},
	{"sprt", "--p0 .01 --p1 .10 --n 23", "", "accept with none; reject with 3", 0, "accept first possible at 24"},
	{"sprt-performance", "--p0 .01 --p1 .10 --quality .01", "", "performance[1].accept 0.95; performance[1].mean sample 27.957; performance[0].accept 0.97795289212567; performance[0].mean sample 30.2127262177", 1e-5, "Wald's approximation; recursion in R"},
}

// given reads flags as typed; nothing in these needs quotes.
func given(t testing.TB, line string) map[string]string {
	t.Helper()
	words := strings.Fields(line)
	m := map[string]string{}
	for i := 0; i+1 < len(words); i += 2 {
		name, ok := strings.CutPrefix(words[i], "--")
		if !ok || m[name] != "" {
			t.Fatalf("%q: %q is not a flag, or given twice", line, words[i])
		}
		m[name] = words[i+1]
	}
	if len(words)%2 != 0 {
		t.Fatalf("%q: the last flag has no value", line)
	}
	return m
}

// call runs an entry as the command does.
func call(t testing.TB, name, line, file string) (Answer, error) {
	t.Helper()
	all := Entries()
	i := slices.IndexFunc(all, func(e Entry) bool { return e.Name == name })
	if i < 0 {
		t.Fatalf("there is no %s", name)
	}
	e := all[i]
	if file == "" {
		return e.Call(given(t, line), nil)
	}
	f, err := os.Open(filepath.Join("..", "..", "testdata", file))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	return e.Call(given(t, line), &Data{Name: file, R: f})
}

// dig finds a value by the path that published.want names.
func dig(r Result, path string) (any, error) {
	name, rest, inside := strings.Cut(path, "[")
	i := slices.IndexFunc(r.Values, func(v Value) bool { return v.Name == name })
	if i < 0 {
		return nil, fmt.Errorf("there is no value %q", name)
	}
	v := r.Values[i].V
	if !inside {
		return v, nil
	}
	number, column, _ := strings.Cut(rest, "]")
	at, err := strconv.Atoi(number)
	if err != nil {
		return nil, err
	}
	switch v := v.(type) {
	case []float64:
		return v[at], nil
	case []int:
		return v[at], nil
	case Grid:
		j := slices.Index(v.Columns, strings.TrimPrefix(column, "."))
		if j < 0 || at >= len(v.Rows) {
			return nil, fmt.Errorf("%s has no row %d or column %q", name, at, column)
		}
		return v.Rows[at][j], nil
	}
	return nil, fmt.Errorf("%s is no list", name)
}

// split cuts a want into its path and value.
func split(t *testing.T, want string, r Result) (path, value string) {
	t.Helper()
	want = strings.TrimSpace(want)
	for i := strings.LastIndex(want, " "); i > 0; i = strings.LastIndex(want[:i], " ") {
		if _, err := dig(r, want[:i]); err == nil {
			return want[:i], want[i+1:]
		}
	}
	t.Fatalf("%q names no value of %+v", want, r.Values)
	return "", ""
}

func near(got, want, tol float64) bool {
	if want == 0 {
		return math.Abs(got) <= tol
	}
	return math.Abs(got-want) <= tol*math.Abs(want)
}

// Every entry gives what was published, by the way that the command takes.
func TestPublished(t *testing.T) {
	done := map[string]bool{}
	for _, c := range checks {
		done[c.name] = true
		t.Run(c.name+" "+c.flags, func(t *testing.T) {
			answer, err := call(t, c.name, c.flags, c.data)
			if err != nil {
				t.Fatal(err)
			}
			for _, w := range strings.Split(c.want, ";") {
				path, value := split(t, w, answer.Result)
				got, err := dig(answer.Result, path)
				if err != nil {
					t.Fatal(err)
				}
				number, err := strconv.ParseFloat(value, 64)
				x, isFloat := got.(float64)
				if isFloat && err == nil && near(x, number, c.tol) || text(got) == value {
					continue
				}
				t.Errorf("%s is %v; want %s (%s)", path, text(got), value, c.source)
			}
		})
	}
	for _, e := range Entries() {
		if !done[e.Name] {
			t.Errorf("%s has no published check", e.Name)
		}
	}
}

// The example that help shows works.
func TestExamples(t *testing.T) {
	for _, e := range Entries() {
		answer, err := e.Call(given(t, e.Example), nil)
		if err != nil {
			t.Errorf("%s %s: %v", e.Name, e.Example, err)
		}
		if len(answer.Values) == 0 {
			t.Errorf("%s gives nothing", e.Name)
		}
		for _, v := range answer.Values {
			if x, ok := v.V.(float64); ok && math.IsNaN(x) {
				t.Errorf("%s: %s is NaN", e.Name, v.Name)
			}
		}
	}
}
