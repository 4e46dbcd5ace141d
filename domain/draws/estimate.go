package draws

import (
	"math"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// An Estimate speaks of all jobs of a frame. Its variance is absent where the
// sample cannot tell it.
type Estimate struct {
	Value    float64
	Variance *float64
	Reason   string // why there is no variance
}

// Why there is no variance.
const (
	// OneOfStratum: a stratum of several jobs gave one, and nothing else of it
	// could come along: what its jobs differ by among themselves is not seen.
	OneOfStratum = "one_of_stratum"
	// BelowZero: the estimator, right on average, fell below zero here.
	BelowZero = "below_zero"
)

// Total estimates the sum of a value over all jobs of the frame, in the unit
// of the value, from those that were drawn: Horvitz and Thompson's Σ y/π.
//
// Refused: a drawn job without a value or a job with one that was not drawn
// (/jobs/id), a value that is not finite (/values). Source: Horvitz, Thompson,
// J. Am. Stat. Assoc. 47 (1952) 663 [mem].
func Total(jobs []Job, values map[domain.UUID]float64) (Estimate, error) {
	y, drawn, err := observed(jobs, values)
	if err != nil {
		return Estimate{}, err
	}
	total := 0.0
	for i, j := range drawn {
		total += y[i] / j.Chance
	}
	return withVariance(total, y, drawn, jobs), nil
}

// Rate estimates the mean of a value over all jobs of the frame, the share as a
// fraction where the values are 0 and 1: Hájek's Σ (y/π) / Σ (1/π).
//
// Refused: what Total refuses, and a draw of no job (/jobs). Source: Särndal,
// Swensson, Wretman (1992) §5.7 [mem].
func Rate(jobs []Job, values map[domain.UUID]float64) (Estimate, error) {
	y, drawn, err := observed(jobs, values)
	if err != nil {
		return Estimate{}, err
	}
	if len(drawn) == 0 {
		return Estimate{}, stat.Refuse(stat.TooFew, "/jobs", "", "no job was drawn")
	}
	total, count := 0.0, 0.0
	for i, j := range drawn {
		total += y[i] / j.Chance
		count += 1 / j.Chance
	}
	rate := total / count
	for i := range y {
		y[i] = float64(y[i]-rate) / count
	}
	return withVariance(rate, y, drawn, jobs), nil
}

// observed are the drawn jobs with their values. A job that could not be
// inspected is not replaced in silence: without a value there is no estimate.
func observed(jobs []Job, values map[domain.UUID]float64) (y []float64, drawn []*Job, err error) {
	for i := range jobs {
		j := &jobs[i]
		v, known := values[j.JobID]
		switch {
		case known != j.Drawn():
			return nil, nil, stat.Refuse(stat.NotComplete, "/jobs/"+j.JobID.String(), "give a value of each drawn job, and of no other",
				"job %s: drawn %t, with a value %t", j.JobID, j.Drawn(), known)
		case math.IsNaN(v) || math.IsInf(v, 0):
			return nil, nil, stat.Refuse(stat.OutOfRange, "/values", "", "job %s: %v is not finite", j.JobID, v)
		case known:
			y, drawn = append(y, v), append(drawn, j)
		}
	}
	return y, drawn, nil
}

func withVariance(value float64, y []float64, drawn []*Job, jobs []Job) Estimate {
	e := Estimate{Value: value}
	for _, stratum := range strata(jobs) {
		if alone(stratum) {
			e.Reason = OneOfStratum
			return e
		}
	}
	chances := make([]float64, len(drawn))
	for i, j := range drawn {
		chances[i] = j.Chance
	}
	v := variance(y, chances, func(i, k int) float64 { return together(drawn[i], drawn[k]) })
	if v < 0 {
		e.Reason = BelowZero
		return e
	}
	e.Variance = &v
	return e
}

// alone tells whether two jobs of the stratum could not be drawn together.
func alone(stratum []*Job) bool {
	byRisk := 0
	for _, j := range stratum {
		if j.ByRisk > 0 {
			byRisk++
		}
	}
	return stratum[0].StratumDrawn == 1 && len(stratum)-byRisk > 1
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
