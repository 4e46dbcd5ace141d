package draws

import (
	"math"
	"slices"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// A Candidate is a job that may be drawn. Contractor and month name its
// stratum; a risk of 0 leaves it to part A.
type Candidate struct {
	JobID        domain.UUID
	ContractorID domain.UUID
	Month        string // such as 2026-10
	Risk         float64
}

// A Design says how many are drawn.
type Design struct {
	SharePercent int     // of each stratum, rounded up to a whole job
	TopUp        float64 // jobs that part B draws on average
	AsSentIn     bool    // part A draws jobs as they come, and fills up in the end
}

func (d Design) check() error {
	if d.SharePercent < 1 || d.SharePercent > 100 {
		return stat.Refuse(stat.OutOfRange, "/share_percent", "5 is usual", "%d is not 1 to 100", d.SharePercent)
	}
	if !(d.TopUp >= 0) || math.IsInf(d.TopUp, 0) {
		return stat.Refuse(stat.OutOfRange, "/top_up", "", "%v is not 0 or more jobs", d.TopUp)
	}
	return nil
}

// A Job is a candidate with its chances and what the draw made of it.
type Job struct {
	Candidate
	StratumCount, StratumDrawn int     // N and n of part A
	ByRisk                     float64 // b, its chance in part B
	Chance                     float64 // π, to be drawn at all
	DrawnA, DrawnB             bool
}

// Drawn tells whether the job is to be inspected.
func (j *Job) Drawn() bool { return j.DrawnA || j.DrawnB }

// MinSeed is how many bytes a seed has at least: fewer can be guessed from its
// digest.
const MinSeed = 16

// Draw gives every candidate its chance, a fraction, and draws. The answer
// holds all of them, drawn or not, by id: it is what an auditor needs to draw
// again.
//
// Refused: a seed of fewer than MinSeed bytes (/seed), a share outside 1 to
// 100 % (/share_percent), a top-up below 0 (/top_up), a risk below 0 or not
// finite (/risk), a job that stands twice (/jobs/id). Source: package comment
// [mem].
func Draw(seed []byte, candidates []Candidate, d Design) ([]Job, error) {
	if len(seed) < MinSeed {
		return nil, stat.Refuse(stat.TooFew, "/seed", "", "%d bytes, at least %d are needed", len(seed), MinSeed)
	}
	jobs, err := Chances(candidates, d)
	if err != nil {
		return nil, err
	}
	for _, stratum := range strata(jobs) {
		drawFrom(seed, stratum, d)
	}
	for i := range jobs {
		j := &jobs[i]
		j.DrawnB = uniform(seed, "risk/"+j.JobID.String()) < j.ByRisk
	}
	return jobs, nil
}

// Chances gives every candidate its chance and draws none: it is told before the
// seed. Each is a fraction. Refused: as by Draw. Source: package comment [mem].
func Chances(candidates []Candidate, d Design) ([]Job, error) {
	if err := d.check(); err != nil {
		return nil, err
	}
	jobs, err := frame(candidates)
	if err != nil {
		return nil, err
	}
	risk := 0.0
	for i := range jobs {
		risk += jobs[i].Risk
	}
	if math.IsInf(risk, 0) {
		return nil, stat.Refuse(stat.OutOfRange, "/risk", "", "the risks add up to more than a number holds")
	}
	for _, stratum := range strata(jobs) {
		count := (len(stratum)*d.SharePercent + 99) / 100
		for _, j := range stratum {
			j.StratumCount, j.StratumDrawn = len(stratum), count
		}
	}
	for i := range jobs {
		j := &jobs[i]
		if j.Risk > 0 {
			j.ByRisk = min(1, float64(d.TopUp*float64(j.Risk/risk)))
		}
		j.Chance = j.ChanceOf()
	}
	return jobs, nil
}

// ChanceOf is π, a fraction, from the counts of the stratum and the chance by risk.
// It refuses nothing. Source: package comment [mem].
func (j *Job) ChanceOf() float64 {
	missed := float64(1-float64(j.StratumDrawn)/float64(j.StratumCount)) * float64(1-j.ByRisk)
	return 1 - float64(missed)
}

// frame are the candidates as jobs by id.
func frame(candidates []Candidate) ([]Job, error) {
	jobs := make([]Job, len(candidates))
	for i, c := range candidates {
		if !(c.Risk >= 0) || math.IsInf(c.Risk, 0) {
			return nil, stat.Refuse(stat.OutOfRange, "/risk", "", "job %s: %v is not 0 or more", c.JobID, c.Risk)
		}
		jobs[i].Candidate = c
	}
	slices.SortFunc(jobs, func(a, b Job) int { return a.JobID.Compare(b.JobID) })
	for i := 1; i < len(jobs); i++ {
		if jobs[i].JobID == jobs[i-1].JobID {
			return nil, stat.Refuse(stat.NotSorted, "/jobs/"+jobs[i].JobID.String(), "give each job once", "job %s stands twice", jobs[i].JobID)
		}
	}
	return jobs, nil
}

type stratumKey struct {
	contractor domain.UUID
	month      string
}

func (j *Job) stratum() stratumKey { return stratumKey{j.ContractorID, j.Month} }

// strata are the jobs of each contractor and month; they share the jobs.
func strata(jobs []Job) map[stratumKey][]*Job {
	of := map[stratumKey][]*Job{}
	for i := range jobs {
		of[jobs[i].stratum()] = append(of[jobs[i].stratum()], &jobs[i])
	}
	return of
}

// drawFrom draws the jobs with the smallest numbers of their stratum, equal
// numbers by id, and those that came below the share.
func drawFrom(seed []byte, stratum []*Job, d Design) {
	type numbered struct {
		job *Job
		u   float64
	}
	in := make([]numbered, len(stratum))
	for i, j := range stratum {
		in[i] = numbered{j, uniform(seed, j.JobID.String())}
	}
	slices.SortStableFunc(in, func(a, b numbered) int { // the jobs stand by id
		switch {
		case a.u < b.u:
			return -1
		case a.u > b.u:
			return 1
		}
		return 0
	})
	drawn := stratum[0].StratumDrawn
	for drawn < len(in) && d.AsSentIn && in[drawn].u < share(d.SharePercent) {
		drawn++
	}
	for i, x := range in {
		x.job.DrawnA, x.job.StratumDrawn = i < drawn, drawn
		x.job.Chance = x.job.ChanceOf()
	}
}
