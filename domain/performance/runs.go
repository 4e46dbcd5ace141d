package performance

import (
	"cmp"
	"math"
	"slices"

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
type home struct { // one that goes together with others of its contractor
	together uint64
	x, y, z  int64
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
			s, inRuns := c.take(withArea), moments{}
			runs = inRuns.appendRuns(runs, c.together, f.slopes[0], area, level)
			if !withArea {
				runs = inRuns.appendRuns(runs, c.unmeasured, f.slopes[0], area, level)
			}
			a.own += s.square(f.slopes[0], area, level)
			a.products -= inRuns.square(f.slopes[0], area, level)
			a.runs += float64(s.n - inRuns.n)
		}
		a.addRuns(runs)
	}
	return all
}

// appendRuns adds the runs of one cell's homes, whose residuals are y − b·x − g·z − c,
// and to m their sums.
func (m *moments) appendRuns(runs []part, homes []home, b, g, c float64) []part {
	slices.SortFunc(homes, func(a, b home) int { return cmp.Compare(a.together, b.together) })
	for n := 0; len(homes) > 0; homes, n = homes[n:], 0 {
		var run moments
		for n < len(homes) && homes[n].together == homes[0].together {
			one := momentsOf(homes[n].x, homes[n].y, homes[n].z)
			run.merge(&one)
			n++
		}
		m.merge(&run)
		e := run.y.logs() - float64(b*run.x.logs()) - float64(g*run.z.logs()) - float64(float64(run.n)*c)
		runs = append(runs, part{homes[0].together, run.n, int64(math.RoundToEven(e * logUnits))})
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
