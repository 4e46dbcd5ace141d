package performance

import (
	"math"

	"ductledger/domain"
)

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
type runKey struct {
	id       domain.UUID
	together uint64
	class    string
	area     bool // the floor area is known
}

type run struct {
	n       int64
	x, y, z wide
}

const (
	leastRuns    = 20
	assumedAlike = 0.2 // intra-class correlation that is taken where it cannot be estimated [cp]
)

func (t *Tally) addRun(id domain.UUID, j *Job, x, y int64) {
	if j.Together == 0 {
		return
	}
	k, z := runKey{id, j.Together, j.Class, j.AreaFt2 != nil}, int64(0)
	if k.area {
		z = logSteps(*j.AreaFt2, centerFt2)
	}
	t.mergeRun(k, &run{1, wideOf(x), wideOf(y), wideOf(z)})
}

func (t *Tally) mergeRun(k runKey, o *run) {
	r := t.runs[k]
	if r == nil {
		r = &run{}
		t.runs[k] = r
	}
	r.n += o.n
	r.x.add(o.x)
	r.y.add(o.y)
	r.z.add(o.z)
}

// alike is what the runs of one contractor's homes tell.
type alike struct {
	runs, several float64 // runs, a home by itself being one; those of two homes and more
	pairs, cubes  float64 // A, D
	squares       wide    // Σ (Σ_run e)², in squared steps
	products      float64 // Σ_runs Σ_{i≠k} e_i·e_k
	own           float64 // Σ e² of all his homes
}

// alikeOf adds up the runs by contractor, given what the fit makes of them. Sums
// of residuals are rounded to steps of 2^−44, so that no order matters.
func (t *Tally) alikeOf(keys []cellKey, contractors []domain.UUID, m *Model, f *fit, withArea bool) []alike {
	all, place := make([]alike, len(contractors)), map[domain.UUID]int{}
	for j, id := range contractors {
		place[id] = j
	}
	intercepts := func(class string, j int) float64 {
		term, _ := m.term(class) // a class of the model
		return term + f.intercept[j]
	}
	area := 0.0
	if withArea {
		area = f.slopes[len(f.slopes)-1]
	}
	type whole struct{ n, steps int64 }
	runs := map[runKey]whole{}
	for k, r := range t.runs {
		j, known := place[k.id]
		if !known || k.class == "" || withArea && !k.area {
			continue
		}
		e := r.y.logs() - float64(f.slopes[0]*r.x.logs()) - float64(area*r.z.logs()) - float64(float64(r.n)*intercepts(k.class, j))
		w := runs[runKey{id: k.id, together: k.together}]
		w.n += r.n
		w.steps += int64(math.RoundToEven(e * logUnits))
		runs[runKey{id: k.id, together: k.together}] = w
	}
	for k, w := range runs {
		a, n := &all[place[k.id]], float64(w.n)
		a.runs++
		a.pairs += n * (n - 1)
		a.cubes += n * (n - 1) * (n - 1)
		if w.n > 1 {
			a.several++
		}
		a.squares.add(product(w.steps, w.steps))
	}
	for _, k := range keys {
		j, known := place[k.id]
		if !known || k.class == "" {
			continue
		}
		c := t.cells[k]
		s, inRuns := c.take(withArea), c.taken(withArea)
		square := func(m *moments) float64 { return m.square(f.slopes[0], area, intercepts(k.class, j)) }
		together := square(&inRuns)
		all[j].own += square(&s)
		all[j].products -= together
		all[j].runs += float64(s.n - inRuns.n)
	}
	for j := range all {
		all[j].products += toFloat(all[j].squares.big(), 2*logBits)
	}
	return all
}

// square is Σ (y − b·x − g·z − c)² of jobs from their sums.
func (m *moments) square(b, g, c float64) float64 {
	squared := func(w wide) float64 { return toFloat(w.big(), 2*logBits) }
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
