package draws

import (
	"cmp"
	"math"
	"slices"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// An Estimate speaks of all jobs of a frame. Its variance is absent where the
// sample cannot tell it.
type Estimate struct {
	Value    float64
	Variance *float64
	Freedom  int    // degrees of freedom of the variance
	Reason   string // why there is no variance

	FrameCount, DrawnCount, AnsweredCount int
	// Alike is how many jobs drawn with equal chances would tell as much, for the
	// weights alone: (Σw)²/Σw². Source: Kish, Survey Sampling (1965) [mem].
	Alike float64
}

// Why there is no variance.
const (
	// OneOfStratum: one job alone was answered for where others could have been, and
	// no other stratum stands beside it.
	OneOfStratum = "one_of_stratum"
	// BelowZero: the estimator, right on average, fell below zero here.
	BelowZero = "below_zero"
)

// Total estimates the sum of a value over all jobs of the frame, in the unit
// of the value, from those that were drawn: Horvitz and Thompson's Σ y/π. A drawn
// job without a value (a refusal, no access, not looked at yet) is never replaced:
// the answered jobs of its stratum speak for it, with the weight d/a where a of d
// drawn ones answered; a stratum of which none answered is joined to the next.
//
// Refused: a value of a job that was not drawn (/jobs/id), one that is not finite
// (/values), no answer at all (/values). Source: Horvitz, Thompson, J. Am. Stat.
// Assoc. 47 (1952) 663 [mem]; re-weighting, Cochran, Sampling Techniques (1977)
// ch. 13 [mem].
func Total(jobs []Job, values map[domain.UUID]float64) (Estimate, error) {
	cells, e, err := answered(jobs, values)
	if err != nil {
		return e, err
	}
	for _, c := range cells {
		e.Value += c.total()
	}
	e.withVariance(cells)
	return e, nil
}

// Rate estimates the mean of a value over all jobs of the frame, the share as a
// fraction where the values are 0 and 1: Hájek's Σ (y/π) / Σ (1/π), with the
// weights of Total.
//
// Refused: what Total refuses. Source: Särndal, Swensson, Wretman (1992) §5.7 [mem].
func Rate(jobs []Job, values map[domain.UUID]float64) (Estimate, error) {
	cells, e, err := answered(jobs, values)
	if err != nil {
		return e, err
	}
	total, count := 0.0, 0.0
	for _, c := range cells {
		total += c.total()
		for _, w := range c.weights {
			count += w
		}
	}
	e.Value = total / count
	for _, c := range cells {
		for i := range c.y {
			c.y[i] = float64(c.y[i]-e.Value) / count
		}
	}
	e.withVariance(cells)
	return e, nil
}

// Limits bound a rate from 0 to 1 at a two-sided level, as fractions: the exact
// limits of Clopper and Pearson for as many jobs as the sample is worth,
//
//	n* = R(1−R)/V · (t(n−1)/t(f))²    not above n; n from the weights where V = 0
//
// so that none failed never reads as none fails. All jobs of the frame answered: the
// rate itself.
//
// Refused: a value that is no rate (/value), a rate without variance (/variance), level
// outside (0, 1) (/level). Source: Korn & Graubard, Survey Methodology 24 (1998) 193
// [mem]; not above n, NCHS Vital and Health Statistics 2-175 (2017) [mem].
func (e *Estimate) Limits(level float64) (stat.Interval, error) {
	R, n := e.Value, float64(e.AnsweredCount)
	switch {
	case !(R >= 0 && R <= 1):
		return stat.Interval{}, stat.Refuse(stat.OutOfRange, "/value", "", "%v is not 0 to 1", R)
	case e.AnsweredCount == e.FrameCount:
		return stat.Interval{Low: R, High: R}, nil
	case e.AnsweredCount == 1:
		return stat.ClopperPearson(int(math.Round(R)), 1, level)
	case e.Variance == nil || e.Freedom < 1:
		return stat.Interval{}, stat.Refuse(stat.NotComplete, "/variance", "", "the sample does not tell the variance")
	}
	worth := e.Alike
	if *e.Variance > 0 && R > 0 && R < 1 {
		worth = float64(R*(1-R)) / *e.Variance
	}
	ofN, err := stat.StudentTQuantile(1-(1-level)/2, n-1)
	if err != nil {
		return stat.Interval{}, err
	}
	ofFreedom, err := stat.StudentTQuantile(1-(1-level)/2, float64(e.Freedom))
	if err != nil {
		return stat.Interval{}, err
	}
	part := ofN / ofFreedom
	worth = min(n, float64(worth*float64(part*part)))
	limits := stat.Interval{Low: 0, High: 1}
	if R > 0 {
		if limits.Low, err = stat.BetaQuantile((1-level)/2, float64(worth*R), float64(worth*(1-R))+1); err != nil {
			return limits, err
		}
	}
	if R < 1 {
		limits.High, err = stat.BetaQuantile(1-(1-level)/2, float64(worth*R)+1, float64(worth*(1-R)))
	}
	return limits, err
}

// A cell is a stratum, or some of them, in which answered jobs speak for those
// that gave no answer.
type cell struct {
	jobs     []*Job // of the frame
	drawn    int
	answered []*Job
	y        []float64 // of answered
	weights  []float64
}

func (c *cell) total() (t float64) {
	for i, w := range c.weights {
		t += float64(w * c.y[i])
	}
	return t
}

// whole tells that all of the frame was looked at: nothing is left to chance.
func (c *cell) whole() bool { return len(c.answered) == len(c.jobs) }

// alone tells that the cell does not show by how much its jobs differ: one answered,
// or two of its jobs could not be drawn together.
func (c *cell) alone() bool {
	if c.whole() {
		return false
	}
	if len(c.answered) < 2 {
		return true
	}
	for _, stratum := range strataOf(c.jobs) {
		byRisk := 0
		for _, j := range stratum {
			if j.ByRisk > 0 {
				byRisk++
			}
		}
		if stratum[0].StratumDrawn == 1 && len(stratum)-byRisk > 1 {
			return true
		}
	}
	return false
}

// answered puts the frame into cells, by month and contractor.
func answered(jobs []Job, values map[domain.UUID]float64) (cells []*cell, e Estimate, err error) {
	e.FrameCount = len(jobs)
	all := make([]*Job, len(jobs))
	for i := range jobs {
		j := &jobs[i]
		all[i] = j
		v, known := values[j.JobID]
		switch {
		case known && !j.Drawn():
			return nil, e, stat.Refuse(stat.NotComplete, "/jobs/"+j.JobID.String(), "give values of drawn jobs alone", "job %s was not drawn and has a value", j.JobID)
		case math.IsNaN(v) || math.IsInf(v, 0):
			return nil, e, stat.Refuse(stat.OutOfRange, "/values", "", "job %s: %v is not finite", j.JobID, v)
		case j.Drawn():
			e.DrawnCount++
		}
		if known {
			e.AnsweredCount++
		}
	}
	if e.AnsweredCount == 0 {
		return nil, e, stat.Refuse(stat.TooFew, "/values", "", "of no drawn job there is an answer")
	}
	open := &cell{}
	for _, stratum := range strataOf(all) {
		open.jobs = append(open.jobs, stratum...)
		if open.take(stratum, values); len(open.answered) > 0 {
			cells, open = append(cells, open), &cell{}
		}
	}
	if last := len(cells) - 1; len(open.jobs) > 0 { // none of the last ones answered
		cells[last].jobs = append(cells[last].jobs, open.jobs...)
		cells[last].drawn += open.drawn
	}
	sum, squares := 0.0, 0.0
	for _, c := range cells {
		up := float64(c.drawn) / float64(len(c.answered))
		for _, j := range c.answered {
			w := up / j.Chance
			c.weights = append(c.weights, w)
			sum, squares = sum+w, squares+float64(w*w)
		}
	}
	e.Alike = float64(sum*sum) / squares
	return cells, e, nil
}

func (c *cell) take(stratum []*Job, values map[domain.UUID]float64) {
	for _, j := range stratum {
		if !j.Drawn() {
			continue
		}
		c.drawn++
		if v, known := values[j.JobID]; known {
			c.answered, c.y = append(c.answered, j), append(c.y, v)
		}
	}
}

// withVariance adds up the variances of the cells, which are drawn each for itself.
// Cells that stand alone are compared with each other, two or three together: that
// says rather too much than too little.
//
//	V = Σ L/(L−1)·(t_h − A_h/A·t)²    A the jobs of the frame, t the cells' totals
//
// Source: Hansen, Hurwitz, Madow (1953); Wolter, Introduction to Variance
// Estimation (2007) §2.5 [mem].
func (e *Estimate) withVariance(cells []*cell) {
	var lone, others []*cell
	for _, c := range cells {
		switch {
		case c.alone():
			lone = append(lone, c)
		case !c.whole():
			others = append(others, c)
		}
	}
	if len(lone) == 1 { // with the nearest
		if len(others) == 0 {
			e.Reason = OneOfStratum
			return
		}
		at := slices.IndexFunc(others, func(c *cell) bool { return c.before(lone[0]) > 0 })
		if at < 0 {
			at = len(others) - 1
		}
		lone = append(lone, others[at])
		others = slices.Delete(others, at, at+1)
	}
	v := 0.0
	for _, c := range others {
		v += c.variance()
		e.Freedom += len(c.answered) - 1
	}
	for len(lone) > 0 {
		count := min(len(lone), 2)
		if len(lone) == 3 {
			count = 3
		}
		v += compared(lone[:count])
		e.Freedom += count - 1
		lone = lone[count:]
	}
	if v < 0 {
		e.Reason = BelowZero
		return
	}
	e.Variance = &v
}

func (c *cell) before(o *cell) int { return compareStrata(c.jobs[0], o.jobs[0]) }

func compareStrata(a, b *Job) int {
	return cmp.Or(cmp.Compare(a.Month, b.Month), a.ContractorID.Compare(b.ContractorID))
}

// strataOf are the jobs of each month and contractor, in that order, each by id.
func strataOf(jobs []*Job) (list [][]*Job) {
	sorted := slices.Clone(jobs)
	slices.SortFunc(sorted, func(a, b *Job) int { return cmp.Or(compareStrata(a, b), a.JobID.Compare(b.JobID)) })
	for i, j := range sorted {
		if i == 0 || compareStrata(sorted[i-1], j) != 0 {
			list = append(list, nil)
		}
		list[len(list)-1] = append(list[len(list)-1], j)
	}
	return list
}

// compared is the variance that cells show that stand alone.
func compared(cells []*cell) float64 {
	sum, jobs := 0.0, 0
	for _, c := range cells {
		sum += c.total()
		jobs += len(c.jobs)
	}
	v := 0.0
	for _, c := range cells {
		off := c.total() - float64(float64(len(c.jobs))/float64(jobs)*sum)
		v += float64(off * off)
	}
	count := float64(len(cells))
	return count / (count - 1) * v
}

// variance is Horvitz and Thompson's within the cell; which of its drawn jobs
// answered counts as a draw of its own, each with the same chance.
func (c *cell) variance() float64 {
	chances := make([]float64, len(c.answered))
	for i, w := range c.weights {
		chances[i] = 1 / w
	}
	a, d := float64(len(c.answered)), float64(c.drawn)
	both := float64(a * (a - 1) / d / (d - 1))
	return variance(c.y, chances, func(i, k int) float64 { return float64(both * together(c.answered[i], c.answered[k])) })
}

// together is the chance that two jobs are both drawn, from the chance that
// both are missed.
func together(a, b *Job) float64 {
	missA := func(j *Job) float64 { return 1 - float64(j.StratumDrawn)/float64(j.StratumCount) }
	missed := missA(a) * missA(b)
	if a.stratum() == b.stratum() {
		n, left := float64(a.StratumCount), float64(a.StratumCount-a.StratumDrawn)
		missed = left * (left - 1) / (n * (n - 1))
	}
	missed = float64(missed*float64(1-a.ByRisk)) * float64(1-b.ByRisk)
	return a.Chance + b.Chance - 1 + float64(missed)
}

// variance is Horvitz and Thompson's estimate of the variance of Σ y/π, for
// samples of any size.
func variance(y, chances []float64, together func(i, k int) float64) float64 {
	v := 0.0
	for i := range y {
		w := y[i] / chances[i]
		v += float64(float64(1-chances[i]) * float64(w*w))
		for k := range y {
			if k == i {
				continue
			}
			both := together(i, k)
			v += float64(float64(both-float64(chances[i]*chances[k])) / both * float64(w*float64(y[k]/chances[k])))
		}
	}
	return v
}
