package performance

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// A world is an invented program with a known truth: log after = slope·log
// before + class + area + contractor + chance.
type world struct {
	effects []float64 // by contractor
	counts  []int     // jobs by contractor
	sigma   float64
	areas   bool
	classes []string
}

var classShift = map[string]float64{"single": 0, "double": 0.2, "triple": 0.3}

func (w world) jobs(r *rand.Rand) []Job {
	var jobs []Job
	for c, n := range w.counts {
		leaky := 0.3 * r.NormFloat64() // some contractors get leaky homes
		for range n {
			class := w.classes[r.IntN(len(w.classes))]
			area := math.Round(800 + 1000*r.Float64())
			x := math.Log(150.0/200) + leaky + 0.5*r.NormFloat64() + classShift[class]
			y := -0.9 + 0.6*x + classShift[class] + w.effects[c] + w.sigma*r.NormFloat64()
			j := measured(len(jobs)+1, c+1, 200*math.Exp(x), max(0.1, 200*math.Exp(y+0.3*math.Log(area/1000))))
			j.ID = domain.UUID{13: byte(len(jobs) >> 16), 14: byte(len(jobs) >> 8), 15: byte(len(jobs))}
			j.AcceptedAt = october.From
			j.Class = class
			if w.areas {
				j.AreaFt2 = &area
			}
			jobs = append(jobs, j)
		}
	}
	return jobs
}

// The model from cell sums is the regression with a dummy variable for every
// contractor: slopes, their errors, σ, every contractor's place against the
// first, all to 1e-12.
func TestCellSumsEqualDummyVariables(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, areas := range []bool{false, true} {
		w := world{effects: []float64{0, .1, -.1, .2, 0}, counts: []int{40, 7, 25, 3, 60}, sigma: .4, areas: areas,
			classes: []string{"single", "double", "triple"}}
		jobs := w.jobs(r)
		tally, err := take(inOrder(jobs), october, ByContractor)
		if err != nil {
			t.Fatal(err)
		}
		m, effects := tally.model()
		if m.Reason != "" {
			t.Fatal(m.Reason)
		}

		columns := make([][]float64, 3, 8)
		var y []float64
		for _, j := range jobs {
			columns[0] = append(columns[0], math.Log(float64(*j.BeforeTenths)/2000))
			columns[1] = append(columns[1], indicator(j.Class == "double"))
			columns[2] = append(columns[2], indicator(j.Class == "triple"))
			y = append(y, math.Log(float64(*j.AfterTenths)/2000))
		}
		if areas {
			var z []float64
			for _, j := range jobs {
				z = append(z, math.Log(*j.AreaFt2/1000))
			}
			columns = append(columns, z)
		}
		slopes := len(columns)
		for c := 2; c <= 5; c++ {
			var d []float64
			for _, j := range jobs {
				d = append(d, indicator(j.ContractorID == id(c)))
			}
			columns = append(columns, d)
		}
		full := leastSquares(columns, y)
		const tol = 1e-12
		near(t, "slope", m.BeforeSlope, full.Coefficients[1], tol)
		near(t, "slope's error", m.BeforeSlopeSE, full.SE[1], tol)
		near(t, "double", &m.Classes[1].Term, full.Coefficients[2], tol)
		near(t, "triple", &m.Classes[2].Term, full.Coefficients[3], tol)
		near(t, "sigma", m.ResidualSD, full.ResidualSD, tol)
		if areas {
			near(t, "area", m.AreaSlope, full.Coefficients[4], tol)
		}
		for c := 1; c < 5; c++ {
			place := effects[c].r - effects[0].r
			near(t, fmt.Sprint("contractor ", c+1), &place, full.Coefficients[slopes+c], tol)
		}
		weighted := 0.0
		for _, e := range effects {
			weighted += float64(e.n) * e.r
		}
		if math.Abs(weighted) > 1e-9 {
			t.Errorf("effects weighted by jobs add up to %v, not 0", weighted)
		}
	}
}

func indicator(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// Var c_j with the columns centered at the program's means is the variance
// of a regression's own intercept when the columns are so centered and block j
// is the reference.
func TestVarianceOfEffects(t *testing.T) {
	w := world{effects: make([]float64, 3), counts: []int{12, 20, 9}, sigma: .4, classes: []string{"single"}}
	jobs := w.jobs(rand.New(rand.NewPCG(3, 4)))
	tally, err := take(inOrder(jobs), october, ByContractor)
	if err != nil {
		t.Fatal(err)
	}
	_, effects := tally.model()
	mean := 0.0
	for _, j := range jobs {
		mean += math.Log(float64(*j.BeforeTenths)/2000) / float64(len(jobs))
	}
	for reference := 1; reference <= 3; reference++ {
		columns := make([][]float64, 1)
		var y []float64
		for _, j := range jobs {
			columns[0] = append(columns[0], math.Log(float64(*j.BeforeTenths)/2000)-mean)
			y = append(y, math.Log(float64(*j.AfterTenths)/2000))
		}
		for c := 1; c <= 3; c++ {
			if c == reference {
				continue
			}
			var d []float64
			for _, j := range jobs {
				d = append(d, indicator(j.ContractorID == id(c)))
			}
			columns = append(columns, d)
		}
		full := leastSquares(columns, y)
		near(t, "variance", &effects[reference-1].v, full.SE[0]*full.SE[0], 1e-12)
	}
}

// Var r_j is the squared error of a regression's coefficient when the dummy
// variables are coded so that the effects weighted by jobs add up to 0:
// column k is D_k − (n_k/n_last)·D_last.
func TestVarianceAgainstTheProgram(t *testing.T) {
	counts := []float64{12, 20, 9}
	w := world{effects: make([]float64, 3), counts: []int{12, 20, 9}, sigma: .4, classes: []string{"single"}}
	jobs := w.jobs(rand.New(rand.NewPCG(17, 18)))
	tally, err := take(inOrder(jobs), october, ByContractor)
	if err != nil {
		t.Fatal(err)
	}
	_, effects := tally.model()
	for last := range 3 {
		columns, y := make([][]float64, 3), []float64(nil)
		others := []int{(last + 1) % 3, (last + 2) % 3}
		for _, j := range jobs {
			columns[0] = append(columns[0], math.Log(float64(*j.BeforeTenths)/2000))
			for i, k := range others {
				d := indicator(j.ContractorID == id(k+1)) - counts[k]/counts[last]*indicator(j.ContractorID == id(last+1))
				columns[i+1] = append(columns[i+1], d)
			}
			y = append(y, math.Log(float64(*j.AfterTenths)/2000))
		}
		full := leastSquares(columns, y)
		for i, k := range others {
			near(t, "effect", &effects[k].r, full.Coefficients[i+2], 1e-12)
			near(t, "variance", &effects[k].own, full.SE[i+2]*full.SE[i+2], 1e-12)
		}
	}
}

// anorexia is the weight gain data of Hand et al. 1993 (in Venables & Ripley):
// weights before and after by treatment, lb.
var anorexia = []string{ // control, CBT, FT
	"80.7 80.2 89.4 80.1 91.8 86.4 74 86.3 78.1 76.1 88.3 78.1 87.3 75.1 75.1 86.7 80.6 73.5 78.4 84.6 77.6 77.4 88.7 79.5 81.3 89.6 78.1 81.4 70.5 81.8 77.3 77.3 85.2 84.2 86 75.4 84.1 79.5 79.7 73 85.5 88.3 84.4 84.7 79.6 81.4 77.5 81.2 72.3 88.2 89 78.8",
	"80.5 82.2 84.9 85.6 81.5 81.4 82.6 81.9 79.9 76.4 88.7 103.6 94.9 98.4 76.3 93.4 81 73.4 80.5 82.1 85 96.7 89.2 95.3 81.3 82.4 76.5 72.5 70 90.9 80.4 71.3 83.3 85.4 83 81.6 87.7 89.1 84.2 83.9 86.4 82.7 76.5 75.7 80.2 82.6 87.8 100.4 83.3 85.2 79.7 83.6 84.5 84.6 80.8 96.2 87.4 86.7",
	"83.8 95.2 83.3 94.3 86 91.5 82.5 91.9 86.7 100.3 79.6 76.7 76.9 76.8 94.2 101.6 73.4 94.9 80.5 75.2 81.6 77.8 82.1 95.5 77.6 90.7 83.5 92.5 89.9 93.8 86 91.7 87.3 98",
}

// A published analysis of covariance: gain on weight before and treatment.
// Source: tests of GLM.jl (github.com/JuliaStats/GLM.jl) with its
// data/anorexia.csv [pub], 7 decimals.
func TestPublishedCovarianceAnalysis(t *testing.T) {
	var blocks []*block
	for _, text := range anorexia {
		fields := strings.Fields(text)
		b := newBlock(2)
		for i := 0; i < len(fields); i += 2 {
			var before, after float64
			fmt.Sscan(fields[i], &before)
			fmt.Sscan(fields[i+1], &after)
			x, y := int64(math.RoundToEven(before*logUnits)), int64(math.RoundToEven((after-before)*logUnits))
			b.n++
			b.s[0].add(wideOf(x))
			b.s[1].add(wideOf(y))
			b.ss[0][0].add(product(x, x))
			b.ss[0][1].add(product(x, y))
			b.ss[1][1].add(product(y, y))
		}
		blocks = append(blocks, b)
	}
	f := fitBlocks(blocks, 1)
	if f.n != 72 || f.df != 68 {
		t.Fatalf("n %d, df %d", f.n, f.df)
	}
	const tol = 5.1e-8
	slopeSE := math.Sqrt(f.sigma2 * f.inverse[0][0])
	control := f.intercept[0] - f.intercept[1]
	d := f.means[0][0] - f.means[1][0]
	controlSE := math.Sqrt(f.sigma2 * (1.0/26 + 1.0/29 + d*d*f.inverse[0][0]))
	near(t, "slope", &f.slopes[0], -.5655388, tol)
	near(t, "slope's error", &slopeSE, .1611824, tol)
	near(t, "intercept of CBT", &f.intercept[1], 49.7711090, tol)
	near(t, "control", &control, -4.0970655, tol)
	near(t, "control's error", &controlSE, 1.8934926, tol)
}

func TestMergeClasses(t *testing.T) {
	for _, c := range []struct {
		name   string
		counts map[string]int64
		want   string
	}{
		{"all large", map[string]int64{"triple": 5, "single": 5, "double": 5}, "[single] 5 [double] 5 [triple] 5"},
		{"few triples", map[string]int64{"single": 90, "double": 40, "triple": 4}, "[single] 90 [double triple] 44"},
		{"few doubles go to the more numerous side", map[string]int64{"single": 9, "double": 4, "triple": 8}, "[single double] 13 [triple] 8"},
		{"of equal sides to the smaller home", map[string]int64{"single": 9, "double": 4, "triple": 9}, "[single double] 13 [triple] 9"},
		{"few of each", map[string]int64{"single": 1, "double": 2, "triple": 1}, "[single double triple] 4"},
		{"one class", map[string]int64{"double": 3}, "[double] 3"},
		{"merged still small", map[string]int64{"single": 30, "double": 1, "triple": 2}, "[single double triple] 33"},
	} {
		var got []string
		for _, term := range mergeClasses(c.counts) {
			got = append(got, fmt.Sprint(term.Classes), fmt.Sprint(term.N))
		}
		if s := strings.Join(got, " "); s != c.want {
			t.Errorf("%s: %s, want %s", c.name, s, c.want)
		}
	}
}

func TestModelRefuses(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	spread := func(counts ...int) []Job {
		return world{effects: make([]float64, len(counts)), counts: counts, sigma: .4, classes: []string{"single"}}.jobs(r)
	}
	alike := spread(20, 20)
	for i := range alike {
		p, q := int64(1500), int64(600)
		alike[i].BeforeTenths, alike[i].AfterTenths = &p, &q
	}
	noClass := spread(20, 20)
	for i := range noClass {
		noClass[i].Class = ""
	}
	for _, c := range []struct {
		name, want string
		jobs       []Job
	}{
		{"29 jobs", TooFewJobs, spread(15, 14)},
		{"30 jobs", "", spread(15, 15)},
		{"one contractor", TooFewContractors, spread(40)},
		{"no jobs", NoJobs, nil},
		{"every home alike", ZeroVariance, alike},
		{"no class known", NoJobs, noClass},
	} {
		x, err := Compare(c.jobs, october, map[domain.UUID]string{id(1): "a"})
		if err != nil || x.Model.Reason != c.want {
			t.Errorf("%s: reason %q, %v; want %q", c.name, x.Model.Reason, err, c.want)
			continue
		}
		if a := x.Contractors[0].Adjusted; c.want != "" && (a.Reason != c.want || a.Index != nil || !strings.HasPrefix(a.Statement, "Unadjusted: ") || strings.Contains(a.Statement, ": ,")) {
			t.Errorf("%s: contractor %+v", c.name, a)
		}
	}
}

func TestTermsDropped(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	// Contractor 1 does single homes only, contractor 2 double ones only: class
	// and contractor cannot be told apart.
	jobs := world{effects: []float64{0, 0}, counts: []int{20, 20}, sigma: .4, classes: []string{"single"}}.jobs(r)
	for i := range jobs[20:] {
		jobs[20+i].Class = "double"
	}
	c, err := Compare(jobs, october, nil)
	if err != nil {
		t.Fatal(err)
	}
	want := []Dropped{{"area", MissingArea}, {"double", NoOwnSpread}}
	if !slices.Equal(c.Model.Dropped, want) || c.Model.Classes[1].Term != 0 {
		t.Errorf("dropped %+v, terms %+v", c.Model.Dropped, c.Model.Classes)
	}

	// All homes leak the same before: no slope, yet a model.
	for i := range jobs {
		p := int64(1500)
		jobs[i].BeforeTenths, jobs[i].Class = &p, "single"
	}
	if c, err = Compare(jobs, october, nil); err != nil || *c.Model.BeforeSlope != 0 || c.Contractors[0].Adjusted.Index == nil {
		t.Errorf("constant before: %+v, %v", c.Model, err)
	}
}

// The area enters when at least 95 % of the homes know it; the others are then
// left out and counted.
func TestAreaShare(t *testing.T) {
	w := world{effects: []float64{0, 0}, counts: []int{50, 50}, sigma: .4, areas: true, classes: []string{"single", "double"}}
	jobs := w.jobs(rand.New(rand.NewPCG(9, 10)))
	for i := range 5 {
		jobs[i].AreaFt2 = nil
	}
	c, _ := Compare(jobs, october, nil)
	if c.Model.AreaSlope == nil || c.Model.N != 95 || !slices.Equal(c.Model.LeftOut, []LeftOut{{MissingArea, 5}}) {
		t.Errorf("95 of 100: %+v", c.Model)
	}
	jobs[5].AreaFt2 = nil
	c, _ = Compare(jobs, october, nil)
	if c.Model.AreaSlope != nil || c.Model.N != 100 || !slices.Contains(c.Model.Dropped, Dropped{"area", MissingArea}) {
		t.Errorf("94 of 100: %+v", c.Model)
	}
}

// A regression is y = Coefficients[0] + Σ Coefficients[j]·x_j, j from 1.
type regression struct {
	Coefficients []float64 // the intercept first
	SE           []float64 // standard errors in the same order
	ResidualSD   float64
}

// leastSquares fits y on the columns and an intercept: another way to what the
// model solves by sums. Each column is centered and scaled to length 1, then
// reduced by Householder reflections to R·b = Q'y.
//
//	s² = Σ(y − fit)²/(N − p − 1)      Var b = s²·(R'R)⁻¹, scaled back
//	intercept = ȳ − Σ b_j·x̄_j         Var = s²·(1/N + x̄'(X'X)⁻¹x̄)
//
// Source: Golub, Van Loan, Matrix Computations §5.2–5.3 [mem].
func leastSquares(columns [][]float64, y []float64) regression {
	p, n := len(columns), len(y)
	meanY := stat.SumCompensated(y) / float64(n)
	rhs := make([]float64, n)
	for i := range y {
		rhs[i] = y[i] - meanY
	}
	mean, length := make([]float64, p), make([]float64, p)
	a := make([][]float64, p) // columns; becomes R above the diagonal
	for j, column := range columns {
		mean[j] = stat.SumCompensated(column) / float64(n)
		a[j] = make([]float64, n)
		for i, v := range column {
			a[j][i] = v - mean[j]
		}
		length[j] = math.Sqrt(squares(a[j]))
		for i := range a[j] {
			a[j][i] /= length[j]
		}
	}
	triangle(a, rhs)
	r := regression{Coefficients: make([]float64, p+1)}
	intercept := meanY
	for j, b := range solveUpper(a, rhs) {
		r.Coefficients[j+1] = b / length[j]
		intercept -= float64(r.Coefficients[j+1] * mean[j])
	}
	r.Coefficients[0] = intercept
	r.ResidualSD = math.Sqrt(squares(rhs[p:]) / float64(n-p-1))
	r.SE = standardErrors(a, mean, length, r.ResidualSD, n)
	return r
}

// triangle reduces the columns a, and rhs with them, to upper triangular form.
func triangle(a [][]float64, rhs []float64) {
	for k := range a {
		v := a[k][k:]
		norm := math.Sqrt(squares(v))
		if v[0] > 0 {
			norm = -norm // the sign that does not cancel
		}
		reflector := append([]float64(nil), v...)
		reflector[0] -= norm
		half := squares(reflector) / 2
		for _, column := range append(a[k+1:len(a):len(a)], rhs) {
			reflectBy(column[k:], reflector, half)
		}
		a[k][k] = norm
		clear(a[k][k+1:])
	}
}

// reflectBy replaces x by x − v·(v'x)/half.
func reflectBy(x, v []float64, half float64) {
	dot := 0.0
	for i := range x {
		dot += float64(v[i] * x[i])
	}
	f := dot / half
	for i := range x {
		x[i] -= float64(f * v[i])
	}
}

func solveUpper(a [][]float64, rhs []float64) []float64 {
	b := make([]float64, len(a))
	for k := len(a) - 1; k >= 0; k-- {
		s := rhs[k]
		for j := k + 1; j < len(a); j++ {
			s -= float64(a[j][k] * b[j])
		}
		b[k] = s / a[k][k]
	}
	return b
}

// standardErrors works from the rows of R⁻¹: Var b_j is the square of row j,
// and the row combined with the means gives the intercept.
func standardErrors(a [][]float64, mean, length []float64, s float64, n int) []float64 {
	p := len(a)
	variance := make([]float64, p+1)
	variance[0] = 1 / float64(n)
	unit := make([]float64, p)
	for k := range p { // column k of R⁻¹
		clear(unit)
		unit[k] = 1
		inverse := solveUpper(a, unit)
		along := 0.0
		for j := range p {
			v := inverse[j] / length[j]
			variance[j+1] += float64(v * v)
			along += float64(v * mean[j])
		}
		variance[0] += float64(along * along)
	}
	se := make([]float64, p+1)
	for j, v := range variance {
		se[j] = s * math.Sqrt(v)
	}
	return se
}

func squares(x []float64) float64 {
	s := 0.0
	for _, v := range x {
		s += float64(v * v)
	}
	return s
}
