package performance

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// Below these the model is refused and only unadjusted figures stand.
const (
	minModelJobs        = 30
	minModelContractors = 2
)

// areaShare is the share of used jobs whose floor area must be known for the
// area to enter the model; the rest is then left out of it, and counted.
const areaShare = 0.95

// Reasons of the model.
const (
	TooFewContractors = "contractors_too_few"
	MissingClass      = "missing_class"
	MissingArea       = "missing_area"
	MissingLead       = "missing_crew_lead"
	NoOwnSpread       = "no_spread" // a column that does not vary within contractors, or follows from the others
)

// A Model says what leakage a home is expected to keep: the published numbers
// from which anybody can recompute an index.
//
//	ln(after/200) = constant + before_slope·ln(before/200) + class term
//	                + area_slope·ln(area/1000) + contractor's effect + chance
//
// Readings in cfm25, area in ft². The slope is below 1 where leaky homes give
// larger percentages to everybody. It is fitted by least squares with an
// intercept for each contractor, so that who is given leaky homes does not bend
// it. Below 30 jobs or 2 contractors there is none, and a reason.
// Source: analysis of covariance; its digits in the tests of GLM.jl [pub].
type Model struct {
	// Jobs in the model.
	N                int `json:"n"`
	ContractorsCount int `json:"contractors_count"`
	// Used jobs that the model cannot take.
	LeftOut []LeftOut `json:"left_out"`
	// Why there are no numbers.
	Reason        string      `json:"reason,omitempty"`
	BeforeSlope   *float64    `json:"before_slope,omitempty"`
	BeforeSlopeSE *float64    `json:"before_slope_se,omitempty"`
	Classes       []ClassTerm `json:"class_terms,omitempty"`
	// Absent: the area is not in the model.
	AreaSlope    *float64 `json:"area_slope,omitempty"`
	Constant     *float64 `json:"program_constant,omitempty"`
	BeforeCenter float64  `json:"before_center_cfm25"`
	AreaCenter   float64  `json:"area_center_ft2"`
	// Of one job, log scale.
	ResidualSD       *float64 `json:"residual_sd,omitempty"`
	DegreesOfFreedom int      `json:"degrees_of_freedom,omitempty"`
	// Homes that go together, of one park or else one crew's week, leave results
	// that are alike: this is their correlation, and the intervals and limits
	// here allow for it.
	Alike       *float64  `json:"intra_class_correlation,omitempty"`
	AlikeSource string    `json:"intra_class_source,omitempty"` // estimated; assumed, where too few runs of homes are known
	Dropped     []Dropped `json:"dropped"`

	Pool *Pool `json:"pool,omitempty"`
}

// Dropped is a term that the jobs cannot tell apart from others.
type Dropped struct {
	// "before", "area" or a home class.
	Term   string `json:"term"`
	Reason string `json:"reason"`
}

// An effect is a contractor's place against the program on the log scale:
// r = c_j less the job-weighted mean of all c. He is part of that mean, so
//
//	Var r_j = Var c_j·(1 − 2·w_j) + Σ w_k²·Var c_k,  w = share of the jobs
//
// which matters where he did much of the work. Pooling takes Var c_j, since
// it treats the errors as independent; his own interval and the funnel take
// Var r_j, without which both would be too wide. Both allow for homes that go
// together, see runKey.
type effect struct {
	contractor domain.UUID
	n          int64
	r, v, own  float64 // v = Var c_j, own = Var r_j
	spread     float64 // n·Var c_j from his own homes alone, runs taken as one; 0 where he has one run only
	runs       float64
}

// model fits the cells. The effects come by contractor id; none when the
// model says a reason.
func (t *Tally) model() (Model, []effect) {
	m := Model{BeforeCenter: centerTenths / 10, AreaCenter: centerFt2, LeftOut: []LeftOut{}, Dropped: []Dropped{}}
	keys := make([]cellKey, 0, len(t.cells))
	noLead := int64(0)
	for k, c := range t.cells {
		if k.id.IsZero() { // jobs whose lead is not known belong to no crew
			noLead += c.withArea.all.n + c.without.all.n
			continue
		}
		keys = append(keys, k)
	}
	slices.SortFunc(keys, cellKey.compare)

	withArea := t.chooseArea(keys, &m)
	if noLead > 0 {
		m.LeftOut = append(m.LeftOut, LeftOut{MissingLead, int(noLead)})
	}
	counts := map[string]int64{}
	var contractors []domain.UUID
	for _, k := range keys {
		n := t.cells[k].take(withArea).n
		if k.class == "" || n == 0 {
			continue
		}
		counts[k.class] += n
		m.N += int(n)
		if len(contractors) == 0 || contractors[len(contractors)-1] != k.id {
			contractors = append(contractors, k.id)
		}
	}
	m.ContractorsCount = len(contractors)
	switch {
	case m.N == 0:
		m.Reason = NoJobs
	case m.N < minModelJobs:
		m.Reason = TooFewJobs
	case len(contractors) < minModelContractors:
		m.Reason = TooFewContractors
	}
	if m.Reason != "" {
		return m, nil
	}
	m.Classes = mergeClasses(counts)
	blocks := t.blocks(keys, contractors, m.Classes, withArea)
	p := len(blocks[0].s) - 1
	f := fitBlocks(blocks, p)
	m.describe(&f, withArea)
	if m.Reason != "" {
		return m, nil
	}

	// The program's constant is the job-weighted mean of the intercepts.
	constant := 0.0
	for j, b := range blocks {
		constant += float64(float64(b.n) * f.intercept[j])
	}
	constant /= float64(f.n)
	m.Constant = &constant
	found := t.alikeOf(keys, contractors, &m, &f, withArea)
	sigma2, gamma, estimated := parts(found, blocks, &f)
	m.share(sigma2, gamma, estimated)
	effects := make([]effect, len(blocks))
	whole, all := 0.0, float64(f.n)
	base := make([]float64, len(blocks)) // Var c_j but for the slopes
	for j, b := range blocks {
		n := float64(b.n)
		base[j] = (sigma2 + float64(gamma*found[j].pairs/n)) / n
		whole += float64(n / all * n / all * base[j])
	}
	for j, b := range blocks {
		n := float64(b.n)
		slopes := (f.varianceOfMean(j, b.n) - f.sigma2/n) * whole * all / f.sigma2 // the design makes these wider too
		e := effect{contractor: contractors[j], n: b.n, r: f.intercept[j] - constant, v: base[j] + slopes,
			own: float64(base[j]*(1-float64(2*n/all))) + whole + slopes, runs: found[j].runs}
		if e.runs > 1 {
			e.spread = max(0, found[j].own+found[j].products) / n * e.runs / (e.runs - 1)
		}
		effects[j] = e
	}
	return m, effects
}

// chooseArea decides whether the area is in the model, and counts the used
// jobs that are not.
func (t *Tally) chooseArea(keys []cellKey, m *Model) bool {
	var known, all, noClass int64
	for _, k := range keys {
		c := t.cells[k]
		if k.class == "" {
			noClass += c.withArea.all.n + c.without.all.n
			continue
		}
		known += c.withArea.all.n
		all += c.withArea.all.n + c.without.all.n
	}
	withArea := known > 0 && float64(known) >= float64(areaShare*float64(all))
	switch {
	case withArea && known < all:
		m.LeftOut = append(m.LeftOut, LeftOut{MissingArea, int(all - known)})
	case !withArea && all > 0:
		m.Dropped = append(m.Dropped, Dropped{"area", MissingArea})
	}
	if noClass > 0 {
		m.LeftOut = append(m.LeftOut, LeftOut{MissingClass, int(noClass)})
	}
	return withArea
}

// blocks lays out the columns x, one for each class but the first, z when the
// area is in, and y; one block for each contractor.
func (t *Tally) blocks(keys []cellKey, contractors []domain.UUID, classes []ClassTerm, withArea bool) []*block {
	p := len(classes) // x and the classes but one
	if withArea {
		p++
	}
	place := map[string]int{} // column of a class, 0 for the first
	for i, c := range classes {
		for _, name := range c.Classes {
			place[name] = i
		}
	}
	blocks := make([]*block, 0, len(contractors))
	var b *block
	var last domain.UUID
	for _, k := range keys {
		s := t.cells[k].take(withArea)
		if k.class == "" || s.n == 0 {
			continue
		}
		if b == nil || last != k.id {
			b, last = newBlock(p+1), k.id
			blocks = append(blocks, b)
		}
		b.addCell(&s, place[k.class], p, withArea)
	}
	return blocks
}

// addCell adds the sums of one cell, in which the class is constant: its
// column is 1, that is logUnits steps.
func (b *block) addCell(s *moments, class, y int, withArea bool) {
	b.n += s.n
	b.s[0].add(s.x)
	b.s[y].add(s.y)
	b.ss[0][0].add(s.xx)
	b.ss[0][y].add(s.xy)
	b.ss[y][y].add(s.yy)
	z := y - 1
	if withArea {
		b.s[z].add(s.z)
		b.ss[0][z].add(s.xz)
		b.ss[z][z].add(s.zz)
		b.ss[z][y].add(s.yz)
	}
	if class > 0 {
		count := wideOf(s.n).shifted(logBits)
		b.s[class].add(count)
		b.ss[class][class].add(count.shifted(logBits))
		b.ss[0][class].add(s.x.shifted(logBits))
		b.ss[class][y].add(s.y.shifted(logBits))
		if withArea {
			b.ss[class][z].add(s.z.shifted(logBits))
		}
	}
}

// share writes what homes that go together share.
func (m *Model) share(sigma2, gamma float64, estimated bool) {
	m.ResidualSD, m.Alike, m.AlikeSource = ptr(math.Sqrt(sigma2)), ptr(gamma/sigma2), TauEstimated
	if !estimated {
		m.AlikeSource = "assumed"
	}
}

// describe writes the fit into the model.
func (m *Model) describe(f *fit, withArea bool) {
	name := func(k int) string {
		switch {
		case k == 0:
			return "before"
		case k < len(m.Classes):
			return m.Classes[k].Classes[0]
		}
		return "area"
	}
	for k, d := range f.dropped {
		if d {
			m.Dropped = append(m.Dropped, Dropped{name(k), NoOwnSpread})
		}
	}
	m.DegreesOfFreedom = int(max(0, f.df))
	sd := math.Sqrt(f.sigma2)
	switch {
	case f.df < 1:
		m.Reason = TooFewJobs
		return
	case sd <= zeroSD:
		m.Reason = ZeroVariance
		return
	}
	m.ResidualSD = &sd
	m.BeforeSlope, m.BeforeSlopeSE = ptr(f.slopes[0]), ptr(sd*math.Sqrt(f.inverse[0][0]))
	for i := 1; i < len(m.Classes); i++ {
		m.Classes[i].Term = f.slopes[i]
	}
	if withArea { // 0 when dropped: which jobs are in does not depend on the fit
		m.AreaSlope = ptr(f.slopes[len(f.slopes)-1])
	}
}

// minClass is the number of jobs below which a class of homes gets no term of
// its own but shares its neighbor's.
const minClass = 5

// classRank orders classes by size of home; others follow, alphabetically.
func classRank(class string) int {
	if i := slices.Index([]string{"single", "double", "triple"}, class); i >= 0 {
		return i
	}
	return 3
}

// A ClassTerm is what the model adds to the expected logarithm of the leakage
// left for homes of these classes; 0 for the first, to which the others compare.
type ClassTerm struct {
	Classes []string `json:"home_classes"`
	// Jobs of these classes.
	N int `json:"n"`
	// The first term is 0.
	Term float64 `json:"term"`
}

// mergeClasses joins each class below minClass jobs to its neighbor in size:
// the smallest first (of equals the first), to the neighbor with more jobs
// (of equals the smaller home).
func mergeClasses(counts map[string]int64) []ClassTerm {
	terms := make([]ClassTerm, 0, len(counts))
	for class, n := range counts {
		terms = append(terms, ClassTerm{Classes: []string{class}, N: int(n)})
	}
	slices.SortFunc(terms, func(a, b ClassTerm) int {
		return cmp.Or(cmp.Compare(classRank(a.Classes[0]), classRank(b.Classes[0])), strings.Compare(a.Classes[0], b.Classes[0]))
	})
	for len(terms) > 1 {
		least := 0
		for i, t := range terms {
			if t.N < terms[least].N {
				least = i
			}
		}
		if terms[least].N >= minClass {
			break
		}
		into := least - 1 // index of the lower of the two to be joined
		if least == 0 || least+1 < len(terms) && terms[least+1].N > terms[least-1].N {
			into = least
		}
		terms[into].Classes = slices.Concat(terms[into].Classes, terms[into+1].Classes)
		terms[into].N += terms[into+1].N
		terms = slices.Delete(terms, into+1, into+2)
	}
	return terms
}

// Adjusted is a contractor's leakage left over what the same homes would have
// kept on the program's average, no unit: 1.10 leaves 10 % more than expected.
// With r his intercept less the program's, see Model,
//
//	index = e^r    limits e^(r ∓ t·√Var r), t of the model's degrees of freedom
//
// Source: analysis of covariance; its digits in the tests of GLM.jl [pub].
type Adjusted struct {
	// Jobs in the model.
	N int `json:"n"`
	// Why the index is absent: the figures are then unadjusted.
	Reason string `json:"reason,omitempty"`
	// From the own jobs alone.
	Index    *float64 `json:"index_ratio,omitempty"`
	Low      *float64 `json:"index_ratio_low,omitempty"`
	High     *float64 `json:"index_ratio_high,omitempty"`
	Interval string   `json:"interval,omitempty"`
	Level    *float64 `json:"level_ratio,omitempty"`
	Variance *float64 `json:"effect_variance,omitempty"` // of ln(index) as pooling takes it: v of BeliefNode

	Shrunk   *Shrunk   `json:"pooled,omitempty"`
	Standing *Standing `json:"standing,omitempty"`
	// All of it in one sentence.
	Statement string `json:"statement,omitempty"`
}

// adjustedOf shows exp(r) with exp(r ∓ t·√Var r), t of the model's degrees of freedom.
func adjustedOf(e effect, t float64) Adjusted {
	half := t * math.Sqrt(e.own)
	return Adjusted{
		N: int(e.n), Index: ptr(math.Exp(e.r)),
		Low: ptr(math.Exp(e.r - half)), High: ptr(math.Exp(e.r + half)),
		Interval: IntervalT, Level: ptr(Level), Variance: ptr(e.v),
	}
}

// adjust fits the model and places every contractor that it can.
func (t *Tally) adjust() (Model, map[domain.UUID]Adjusted, error) {
	m, effects := t.model()
	if m.Reason != "" {
		return m, nil, nil
	}
	// The part that runs of homes share is known from as many runs.
	df := float64(m.DegreesOfFreedom)
	if *m.Alike > 0 {
		runs := 0.0
		for _, e := range effects {
			runs += e.runs - 1
		}
		df = min(df, max(1, runs))
	}
	t975, err := stat.StudentTQuantile(1-(1-Level)/2, df)
	if err != nil {
		return m, nil, err
	}
	pool, shrunk, err := shrink(effects, t975)
	if err != nil {
		return m, nil, err
	}
	if pool.Difference, err = differ(effects); err != nil {
		return m, nil, err
	}
	standings, err := stand(effects, shrunk, &pool, df)
	if err != nil {
		return m, nil, err
	}
	who := "contractors"
	if t.by == ByCrewLead {
		who = "crew leads"
	}
	pool.Statement = pool.say(who)
	m.Pool = &pool
	placed := make(map[domain.UUID]Adjusted, len(effects))
	for j, e := range effects {
		a := adjustedOf(e, t975)
		a.Shrunk, a.Standing = &shrunk[j], &standings[j]
		a.Statement = a.say(&pool)
		placed[e.contractor] = a
	}
	return m, placed, nil
}
