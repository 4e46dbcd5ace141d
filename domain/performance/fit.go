package performance

import (
	"cmp"
	"math"
	"slices"

	"ductledger/domain"
)

// Logarithms are taken of a reading over 200 cfm25 and of an area over
// 1,000 ft²: constants near the middle of all homes, so that the sums stay
// small. They are part of the published model.
const (
	centerTenths = 2000.0 // 200 cfm25
	centerFt2    = 1000.0
)

// cellKey is one contractor's, or one crew lead's, homes of one class.
type cellKey struct {
	id    domain.UUID
	class string
}

func (k cellKey) compare(o cellKey) int {
	return cmp.Or(k.id.Compare(o.id), cmp.Compare(k.class, o.class))
}

// A cell keeps the sums from which the case-mix model is fitted, apart for jobs
// whose floor area is known and those whose is not.
type cell struct{ withArea, without half }

// A half of a cell is all its jobs, and those of them that go together with others.
type half struct {
	all, inRuns moments
	homes       []home // of inRuns
}

// moments are exact sums of x = ln before, y = ln after, z = ln area.
type moments struct {
	n                      int64
	x, y, z                wide
	xx, xy, yy, xz, yz, zz wide
}

func momentsOf(x, y, z int64) moments {
	return moments{1, wideOf(x), wideOf(y), wideOf(z),
		product(x, x), product(x, y), product(y, y), product(x, z), product(y, z), product(z, z)}
}

func (c *cell) half(withArea bool) *half {
	if withArea {
		return &c.withArea
	}
	return &c.without
}

// add counts a job; runs also keeps what goes together with others.
func (c *cell) add(j *Job, x, y, z int64, runs bool) {
	h, one := c.half(j.AreaFt2 != nil), momentsOf(x, y, z)
	h.all.merge(&one)
	if runs && j.Together != 0 {
		h.inRuns.merge(&one)
		h.homes = append(h.homes, home{j.Together, z, int32(*j.BeforeTenths), int32(*j.AfterTenths)})
	}
}

func (c *cell) merge(o *cell) {
	c.withArea.merge(&o.withArea)
	c.without.merge(&o.without)
}

func (h *half) merge(o *half) {
	h.all.merge(&o.all)
	h.inRuns.merge(&o.inRuns)
	h.homes = append(h.homes, o.homes...)
}

func (m *moments) merge(o *moments) {
	m.n += o.n
	m.x.add(o.x)
	m.y.add(o.y)
	m.z.add(o.z)
	m.xx.add(o.xx)
	m.xy.add(o.xy)
	m.yy.add(o.yy)
	m.xz.add(o.xz)
	m.yz.add(o.yz)
	m.zz.add(o.zz)
}

// take is the sums of the jobs that a model with the area, or one without it,
// can use; takeRuns is of those of them that go together with others.
func (c *cell) take(withArea bool) moments {
	m := c.withArea.all
	if !withArea {
		m.merge(&c.without.all)
	}
	return m
}

func (c *cell) takeRuns(withArea bool) moments {
	m := c.withArea.inRuns
	if !withArea {
		m.merge(&c.without.inRuns)
	}
	return m
}

// A block holds the exact sums of one contractor's jobs: of each column of
// the regression and of every product of two, the outcome y as last column.
type block struct {
	n  int64
	s  []wide
	ss [][]wide // symmetric; only ss[a][b] with a ≤ b is kept
}

func newBlock(columns int) *block {
	b := &block{s: make([]wide, columns), ss: make([][]wide, columns)}
	for a := range b.ss {
		b.ss[a] = make([]wide, columns)
	}
	return b
}

// centeredProduct is Σ(u_a − ū_a)(u_b − ū_b) within the block, for a ≤ b.
func (b *block) centeredProduct(i, j int) float64 { return centered(b.n, b.ss[i][j], b.s[i], b.s[j]) }

func (b *block) mean(i int) float64 { return b.s[i].logs() / float64(b.n) }

// A fit is the least-squares line with one intercept for each block.
type fit struct {
	n         int64       // jobs
	slopes    []float64   // by column; 0 for a dropped one
	inverse   [][]float64 // W⁻¹; rows and columns of dropped ones are 0
	dropped   []bool
	sigma2    float64   // residual variance
	df        int64     // its degrees of freedom
	intercept []float64 // c_j by block
	means     [][]float64
	meanAll   []float64 // of the columns over all jobs
}

// collinear is the share of a column's spread within contractors that must be
// left once the columns before it are taken out; less is rounding, not homes.
const collinear = 1e-9

// fitBlocks fits y on p columns with a separate intercept for each block, so
// that a contractor who is given leaky homes does not bend the slope:
//
//	W_ab = Σ_j Σ_i (u_a − ū_aj)(u_b − ū_bj)   (a, b columns, y among them)
//	slopes b = W_uu⁻¹·W_uy
//	σ² = (W_yy − b'W_uy)/(N − K − p),  c_j = ȳ_j − ū_j'b
//
// over K blocks with N jobs; p counts the columns that are kept. A column
// without spread within blocks, or that follows from those before it, is
// dropped. It is the same line as a regression with a dummy variable for each
// block, at the cost of K·p² sums. With no degree of freedom left σ² is 0.
func fitBlocks(blocks []*block, p int) fit {
	f := fit{slopes: make([]float64, p), dropped: make([]bool, p), inverse: square(p)}
	w := square(p + 1)
	for _, b := range blocks {
		f.n += b.n
		for i := range w {
			for j := i; j < len(w); j++ {
				w[i][j] += b.centeredProduct(i, j)
				w[j][i] = w[i][j]
			}
		}
	}
	l := factor(w, f.dropped)
	kept := int64(0)
	for k := range p {
		if f.dropped[k] {
			continue
		}
		kept++
		unit := make([]float64, p)
		unit[k] = 1
		f.inverse[k] = solve(l, unit, f.dropped)
	}
	right := make([]float64, p)
	for k := range p {
		right[k] = w[k][p]
	}
	f.slopes = solve(l, right, f.dropped)
	rest := w[p][p]
	for k := range p {
		rest -= float64(f.slopes[k] * w[k][p])
	}
	f.df = f.n - int64(len(blocks)) - kept
	if f.df > 0 {
		f.sigma2 = max(0, rest) / float64(f.df)
	}
	f.center(blocks, p)
	return f
}

// center fills the intercepts and the means of the columns.
func (f *fit) center(blocks []*block, p int) {
	total := make([]wide, p)
	for _, b := range blocks {
		c, means := b.mean(p), make([]float64, p)
		for k := range p {
			means[k] = b.mean(k)
			c -= float64(means[k] * f.slopes[k])
			total[k].add(b.s[k])
		}
		f.intercept = append(f.intercept, c)
		f.means = append(f.means, means)
	}
	for k := range p {
		f.meanAll = append(f.meanAll, total[k].logs()/float64(f.n))
	}
}

// varianceOfMean is Var c_j of a block of n jobs whose columns have the means
// u, with the columns centered at the program's means:
//
//	σ²/n + σ²·(u − ū)'W⁻¹(u − ū)
func (f *fit) varianceOfMean(j int, n int64) float64 {
	q := 0.0
	for a := range f.slopes {
		for b := range f.slopes {
			q += float64((f.means[j][a] - f.meanAll[a]) * f.inverse[a][b] * (f.means[j][b] - f.meanAll[b]))
		}
	}
	return f.sigma2/float64(n) + float64(f.sigma2*q)
}

// factor is the Cholesky factor of the columns of w but the last (y); columns
// without own spread are marked as dropped and left 0.
func factor(w [][]float64, dropped []bool) [][]float64 {
	p := len(dropped)
	l := square(p)
	for k := range p {
		pivot := w[k][k]
		for i := range k {
			pivot -= float64(l[k][i] * l[k][i])
		}
		if !(pivot > collinear*w[k][k]) {
			dropped[k] = true
			clear(l[k])
			continue
		}
		l[k][k] = math.Sqrt(pivot)
		for r := k + 1; r < p; r++ {
			v := w[r][k]
			for i := range k {
				v -= float64(l[r][i] * l[k][i])
			}
			l[r][k] = v / l[k][k]
		}
	}
	return l
}

// solve gives x with L·L'·x = b over the columns that are kept.
func solve(l [][]float64, b []float64, dropped []bool) []float64 {
	p := len(b)
	x := make([]float64, p)
	for k := range p {
		if dropped[k] {
			continue
		}
		v := b[k]
		for i := range k {
			v -= float64(l[k][i] * x[i])
		}
		x[k] = v / l[k][k]
	}
	for k := p - 1; k >= 0; k-- {
		if dropped[k] {
			continue
		}
		v := x[k]
		for i := k + 1; i < p; i++ {
			v -= float64(l[i][k] * x[i])
		}
		x[k] = v / l[k][k]
	}
	return x
}

func square(p int) [][]float64 {
	m := make([][]float64, p)
	for i := range m {
		m[i] = make([]float64, p)
	}
	return m
}

// Homes that go together (one park, one crew's week) leave results that are
// more alike than those of other homes of the same contractor. Limits that took
// them for independent would flag several times as often as they say. So the
// variance of what a job leaves has two parts, one for each home and one that
// homes of a run share:
//
//	Var ȳ = (σ² + γ·A/n)/n,  A = Σ m(m − 1) over the contractor's runs of m homes
//
// Both parts are estimated from all contractors together, from the residuals e
// within contractors, by the two sums whose expectations are known:
//
//	Σ e²                      = (N − K − p)·σ² − γ·H
//	Σ_runs Σ_{i≠k} e_i·e_k    = γ·G − σ²·H
//	H = Σ A/n,  G = Σ (A − 2D/n + A²/n²),  D = Σ m(m − 1)²
//
// A run whose homes are known to be alike in nothing has γ = 0; γ is never
// below 0. With fewer than leastRuns runs of two homes and more γ cannot be
// estimated, and assumedAlike·σ² is taken.
// Source: moments of a one-way layout with unequal groups [calc].
type home struct { // one that goes together with others of its contractor
	together      uint64
	z             int64
	before, after int32 // tenths of cfm25: their logarithms are taken again
}

func (h *home) logs() (x, y int64) {
	return logOf(int64(h.before)), logOf(int64(h.after))
}

// A part is a run of homes, or those of it in one cell.
type part struct {
	together uint64
	n, steps int64 // steps are Σ e
}

const (
	leastRuns    = 20
	assumedAlike = 0.2 // intra-class correlation that is taken where it cannot be estimated [cp]
)

// alike is what the runs of one contractor's homes tell.
type alike struct {
	runs, several float64 // runs, a home by itself being one; those of two homes and more
	pairs, cubes  float64 // A, D
	squares       wide    // Σ (Σ_run e)², in squared steps
	products      float64 // Σ_runs Σ_{i≠k} e_i·e_k
	own           float64 // Σ e² of all his homes
}

// alikeOf adds up the runs by contractor, given what the fit makes of them. Sums
// of residuals are rounded to steps of 2^−44, so that no order matters. Keys and
// contractors ascend.
func (t *Tally) alikeOf(keys []cellKey, contractors []domain.UUID, m *Model, f *fit, withArea bool) []alike {
	area := 0.0
	if withArea {
		area = f.slopes[len(f.slopes)-1]
	}
	all, runs := make([]alike, len(contractors)), []part(nil)
	for j, id := range contractors {
		a := &all[j]
		runs = runs[:0]
		for ; len(keys) > 0 && keys[0].id.Compare(id) <= 0; keys = keys[1:] {
			k := keys[0]
			if k.id != id || k.class == "" {
				continue
			}
			term, _ := m.term(k.class) // a class of the model
			c, level := t.cells[k], term+f.intercept[j]
			s, inRuns := c.take(withArea), c.takeRuns(withArea)
			runs = appendRuns(runs, c.withArea.homes, f.slopes[0], area, level)
			if !withArea {
				runs = appendRuns(runs, c.without.homes, f.slopes[0], area, level)
			}
			a.own += s.square(f.slopes[0], area, level)
			a.products -= inRuns.square(f.slopes[0], area, level)
			a.runs += float64(s.n - inRuns.n)
		}
		a.addRuns(runs)
	}
	return all
}

func sortHomes(homes []home) {
	byRun := func(a, b home) int { return cmp.Compare(a.together, b.together) }
	if !slices.IsSortedFunc(homes, byRun) { // once they are, two may read them at a time
		slices.SortFunc(homes, byRun)
	}
}

// appendRuns adds the runs of one cell's homes, whose residuals are y − b·x − g·z − c.
func appendRuns(runs []part, homes []home, b, g, c float64) []part {
	sortHomes(homes)
	for n := 0; len(homes) > 0; homes, n = homes[n:], 0 {
		var x, y, z wide
		for n < len(homes) && homes[n].together == homes[0].together {
			h := &homes[n]
			lnP, lnQ := h.logs()
			x.add(wideOf(lnP))
			y.add(wideOf(lnQ))
			z.add(wideOf(h.z))
			n++
		}
		e := y.logs() - float64(b*x.logs()) - float64(g*z.logs()) - float64(float64(n)*c)
		runs = append(runs, part{homes[0].together, int64(n), int64(math.RoundToEven(e * logUnits))})
	}
	return runs
}

// addRuns counts one contractor's runs, given their parts.
func (a *alike) addRuns(parts []part) {
	slices.SortFunc(parts, func(a, b part) int { return cmp.Compare(a.together, b.together) })
	for len(parts) > 0 {
		run := parts[0]
		for parts = parts[1:]; len(parts) > 0 && parts[0].together == run.together; parts = parts[1:] {
			run.n += parts[0].n
			run.steps += parts[0].steps
		}
		n := float64(run.n)
		a.runs++
		a.pairs += n * (n - 1)
		a.cubes += n * (n - 1) * (n - 1)
		if run.n > 1 {
			a.several++
		}
		a.squares.add(product(run.steps, run.steps))
	}
	a.products += a.squares.float(2 * logBits)
}

// square is Σ (y − b·x − g·z − c)² of jobs from their sums.
func (m *moments) square(b, g, c float64) float64 {
	squared := func(w wide) float64 { return w.float(2 * logBits) }
	x, y, z := m.x.logs(), m.y.logs(), m.z.logs()
	sum := squared(m.yy) + float64(b*b*squared(m.xx)) + float64(g*g*squared(m.zz)) + float64(c*c*float64(m.n))
	sum -= 2 * float64(b*squared(m.xy))
	sum -= 2 * float64(g*squared(m.yz))
	sum += 2 * float64(b*g*squared(m.xz))
	sum -= 2 * float64(c*y)
	sum += 2 * float64(b*c*x)
	sum += 2 * float64(g*c*z)
	return max(0, sum)
}

// parts are σ² and γ; estimated is false where γ is assumed.
func parts(all []alike, blocks []*block, f *fit) (sigma2, gamma float64, estimated bool) {
	H, G, products, several := 0.0, 0.0, 0.0, 0.0
	for j, a := range all {
		n := float64(blocks[j].n)
		H += a.pairs / n
		G += a.pairs - float64(2*a.cubes/n) + float64(a.pairs*a.pairs/(n*n))
		products += a.products
		several += a.several
	}
	df := float64(f.df)
	if several == 0 {
		return f.sigma2, 0, true
	}
	if several < leastRuns || G-float64(H*H/df) <= 0 {
		sigma2 = f.sigma2 / (1 - float64(assumedAlike*H/df))
		return sigma2, assumedAlike * sigma2, false
	}
	gamma = max(0, (products+float64(H*f.sigma2))/(G-float64(H*H/df)))
	return f.sigma2 + float64(gamma*H/df), gamma, true
}

// A bunch is one run of homes that go together, or those of it in one cell or group.
type bunch struct {
	together      uint64
	n             int64
	before, after int64 // tenths of cfm25
	x, y          wide
}

// Bunches are what the intervals of a group's own figures rest on where homes go
// together: each run counts as one, and so does each home by itself.
type bunches struct {
	runs        []bunch // by together
	all, inRuns moments
	pp, pq, qq  wide // of the readings in runs, squared tenths of cfm25
}

// bunches puts the homes of each cell in the order of their runs.
func (g *group) bunches() (b bunches) {
	for _, c := range g.cells {
		for _, h := range []*half{&c.cell.withArea, &c.cell.without} {
			b.all.merge(&h.all)
			b.inRuns.merge(&h.inRuns)
			sortHomes(h.homes)
			for i := range h.homes {
				h := &h.homes[i]
				p, q := int64(h.before), int64(h.after)
				b.pp.add(product(p, p))
				b.pq.add(product(p, q))
				b.qq.add(product(q, q))
				x, y := h.logs()
				one := bunch{h.together, 1, p, q, wideOf(x), wideOf(y)}
				if last := len(b.runs) - 1; last >= 0 && b.runs[last].together == h.together {
					b.runs[last].merge(&one)
				} else {
					b.runs = append(b.runs, one)
				}
			}
		}
	}
	b.join()
	return b
}

// merge takes in another group's; join is to follow.
func (b *bunches) merge(o *bunches) {
	b.runs = append(b.runs, o.runs...)
	b.all.merge(&o.all)
	b.inRuns.merge(&o.inRuns)
	b.pp.add(o.pp)
	b.pq.add(o.pq)
	b.qq.add(o.qq)
}

// join makes one of what belongs to one run. Places are sorted in place of bunches,
// which are five times as long.
func (b *bunches) join() {
	type at struct {
		together uint64
		place    int
	}
	places := make([]at, len(b.runs))
	for i := range b.runs {
		places[i] = at{b.runs[i].together, i}
	}
	byRun := func(x, y at) int { return cmp.Compare(x.together, y.together) } // sums are exact: equal ones may come in any order
	if !slices.IsSortedFunc(places, byRun) {
		slices.SortFunc(places, byRun)
	}
	joined := make([]bunch, 0, len(b.runs))
	for _, o := range places {
		if last := len(joined) - 1; last >= 0 && joined[last].together == o.together {
			joined[last].merge(&b.runs[o.place])
		} else {
			joined = append(joined, b.runs[o.place])
		}
	}
	b.runs = joined
}

func (r *bunch) merge(o *bunch) {
	r.n += o.n
	r.before += o.before
	r.after += o.after
	r.x.add(o.x)
	r.y.add(o.y)
}

// independent is the number of runs, a home by itself being one.
func (b *bunches) independent() int64 { return b.all.n - b.inRuns.n + int64(len(b.runs)) }

// one tells that all homes go together.
func (b *bunches) one() bool { return len(b.runs) == 1 && b.independent() == 1 }

// design is by how much runs widen the variance of the mean of v = a·x + c·y, x and y
// the logarithms of the readings: that of runs over that of homes, at least 1.
//
//	R/(R − 1)·Σ_runs (Σ v − n_r·v̄)² / (n/(n − 1)·Σ (v − v̄)²)
//
// Source: variance of a mean from clusters, Cochran, Sampling Techniques (1977) ch. 9 [mem].
func (b *bunches) design(a, c float64) float64 {
	R, n := float64(b.independent()), float64(b.all.n)
	if len(b.runs) == 0 || R < 2 {
		return 1
	}
	mean := (float64(a*b.all.x.logs()) + float64(c*b.all.y.logs())) / n
	each := b.all.spreadOf(a, c, mean)
	var squares wide
	for i := range b.runs {
		r := &b.runs[i]
		e := float64(a*r.x.logs()) + float64(c*r.y.logs()) - float64(float64(r.n)*mean)
		steps := int64(math.RoundToEven(e * logUnits))
		squares.add(product(steps, steps))
	}
	alone := max(0, each-b.inRuns.spreadOf(a, c, mean))
	return widening(alone+squares.float(2*logBits), each, R, n)
}

// spreadOf is Σ (a·x + c·y − m)².
func (m *moments) spreadOf(a, c, mean float64) float64 {
	squared := func(w wide) float64 { return w.float(2 * logBits) }
	sum := float64(a*a*squared(m.xx)) + float64(c*c*squared(m.yy)) + float64(2*a*c*squared(m.xy))
	v := float64(a*m.x.logs()) + float64(c*m.y.logs())
	return max(0, sum-float64(2*mean*v)+float64(mean*mean*float64(m.n)))
}

// designOfRatio is the same of e = Q − r·P, on which the error of a ratio of sums
// rests; each is Σ e² of all jobs.
func (b *bunches) designOfRatio(r, each float64) float64 {
	R, n := float64(b.independent()), float64(b.all.n)
	if len(b.runs) == 0 || R < 2 {
		return 1
	}
	inRuns := b.qq.float(0) - float64(2*r*b.pq.float(0)) + float64(r*r*b.pp.float(0))
	sum := max(0, each-inRuns)
	for i := range b.runs {
		e := float64(b.runs[i].after) - float64(r*float64(b.runs[i].before))
		sum += float64(e * e)
	}
	return widening(sum, each, R, n)
}

// A runValue is a figure of one job, and the run that it belongs to; 0: none.
type runValue struct {
	together uint64
	v        float64
}

// designOf is design of any values, which it puts into order, and the number of
// runs, a job by itself being one.
func designOf(values []runValue) (design float64, independent int) {
	slices.SortFunc(values, func(a, b runValue) int { return cmp.Or(cmp.Compare(a.together, b.together), cmp.Compare(a.v, b.v)) })
	n, mean := float64(len(values)), 0.0
	for _, x := range values {
		mean += x.v / n
	}
	each, ofRuns, run := 0.0, 0.0, 0.0
	for i, x := range values {
		e := x.v - mean
		each += float64(e * e)
		if run += e; i+1 == len(values) || x.together == 0 || values[i+1].together != x.together {
			ofRuns += float64(run * run)
			run, independent = 0, independent+1
		}
	}
	if independent == len(values) || independent < 2 {
		return 1, independent
	}
	return widening(ofRuns, each, float64(independent), n), independent
}

func widening(ofRuns, ofHomes, R, n float64) float64 {
	if ofHomes <= 0 {
		return 1
	}
	return max(1, float64(ofRuns*R/(R-1))/float64(ofHomes*n/(n-1)))
}
