package draws

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// MethodVersion names how failures are estimated. A change that moves a figure
// changes it.
const MethodVersion = "inspections-1"

const (
	level = 0.95
	// clearQ is the share of contractors listed as failing more often that is expected to be chance.
	clearQ = 0.05
	// shownShare is the share of failing jobs that a sample without a failure would have to exclude. Common practice, without a source [cp].
	shownShare = 0.10
)

// Outcome is what came of a drawn job.
type Outcome string

// The outcomes. Those that are neither passed nor failed give no answer.
const (
	Passed      Outcome = "passed"
	Failed      Outcome = "failed"
	Refused     Outcome = "refused"      // the resident
	NoAccess    Outcome = "no_access"    // nobody was there, or no way in
	NotFinished Outcome = "not_finished" // for another reason
	Owed        Outcome = "owed"         // nobody has been there yet
)

func (o Outcome) answered() bool { return o == Passed || o == Failed }

// A Look is what came of one drawn job.
type Look struct {
	Outcome Outcome
	On      domain.Date // of the inspection that speaks
	// Of a failure: the contractor may still reply, or has replied and the office has
	// not answered.
	MayReply, Disputed bool
	Verdicts           []domain.RuleVerdict
	// The inspector's reading after and the crew's, in tenths of cfm25, where both are of one method.
	CrewTenths, InspectorTenths int64
}

// FailureFigures are what the inspections of drawn jobs tell of all jobs of the frames.
type FailureFigures struct {
	Program     FailedProgram      `json:"program"`
	Contractors []FailedContractor `json:"contractors"`
	// Verdicts in the jobs drawn at random, by rule; those broken most often first.
	Rules []FailedRule `json:"rules"`
	// The share of the program's jobs drawn at random that failed, over time; empty without two points of ten jobs.
	ByMonth []FailedMonth `json:"by_month"`
}

// FailedProgram is the share of all jobs that would fail an inspection.
type FailedProgram struct {
	// Jobs from which was drawn.
	FrameCount int `json:"frame_count"`
	// Those drawn, at random or by their risk.
	DrawnCount    int `json:"drawn_count"`
	AtRandomCount int `json:"drawn_at_random_count"`
	ByRiskCount   int `json:"drawn_by_risk_count"`
	LookCounts
	// Of the whole frame, from the weighted jobs (Hájek).
	FailedRatio     *float64 `json:"failed_ratio,omitempty"`
	FailedRatioLow  *float64 `json:"failed_ratio_low,omitempty"`
	FailedRatioHigh *float64 `json:"failed_ratio_high,omitempty"`
	// Jobs of the frame that would fail (Horvitz-Thompson), and its standard error.
	FailedJobs   *float64 `json:"failed_jobs_estimate,omitempty"`
	FailedJobsSE *float64 `json:"failed_jobs_estimate_se,omitempty"`
	// The plain share of the inspected jobs: where jobs are drawn by their risk it speaks of these and not of all.
	PlainRatio *float64 `json:"plain_failed_ratio,omitempty"`
	// The level of the interval.
	Level *float64 `json:"level_ratio,omitempty"`
	// Why the figure is absent.
	Reason string `json:"reason,omitempty"`
	// Why the interval is absent.
	IntervalReason    string            `json:"interval_reason,omitempty"`
	Statement         string            `json:"statement"`
	InspectorOverCrew InspectorOverCrew `json:"inspector_over_crew"`
}

// LookCounts are how many drawn jobs gave an answer, and which none. None is replaced.
type LookCounts struct {
	InspectedCount   int `json:"inspected_count"`
	FailedCount      int `json:"failed_count"`
	RefusedCount     int `json:"refused_count"`
	NoAccessCount    int `json:"no_access_count"`
	NotFinishedCount int `json:"not_finished_count"`
	// Nobody has been there yet.
	OwedCount int `json:"owed_count"`
}

func (c *LookCounts) add(o Outcome) {
	switch o {
	case Failed:
		c.FailedCount++
		c.InspectedCount++
	case Passed:
		c.InspectedCount++
	case Refused:
		c.RefusedCount++
	case NoAccess:
		c.NoAccessCount++
	case NotFinished:
		c.NotFinishedCount++
	default:
		c.OwedCount++
	}
}

// InspectorOverCrew compares the inspector's reading after with the crew's in the same drawn
// jobs: the geometric mean ratio, above 1 where the inspector finds more.
type InspectorOverCrew struct {
	// Jobs with both readings.
	N     int      `json:"n"`
	Ratio *float64 `json:"ratio,omitempty"`
	Low   *float64 `json:"ratio_low,omitempty"`
	High  *float64 `json:"ratio_high,omitempty"`
	// The level of the interval.
	Level *float64 `json:"level_ratio,omitempty"`
	// Why the figure is absent.
	Reason string `json:"reason,omitempty"`
}

// FailedContractor is what the jobs drawn at random tell of one contractor. A failure counts after the right of reply.
type FailedContractor struct {
	ContractorID domain.UUID `json:"contractor_id"`
	Name         string      `json:"name"`
	FrameCount   int         `json:"frame_count"`
	// Those drawn at random; jobs drawn by their risk tell nothing of the others.
	AtRandomCount int `json:"drawn_at_random_count"`
	LookCounts
	// Failures that do not count yet: the contractor may still reply. They stand in neither count.
	AwaitingReplyCount int `json:"awaiting_reply_count"`
	// Failures that do not count yet: the contractor replied and the office has not answered.
	DisputedCount int      `json:"disputed_count"`
	FailedRatio   *float64 `json:"failed_ratio,omitempty"`
	// Exact limits.
	FailedRatioLow  *float64 `json:"failed_ratio_low,omitempty"`
	FailedRatioHigh *float64 `json:"failed_ratio_high,omitempty"`
	// The level of the interval.
	Level *float64 `json:"level_ratio,omitempty"`
	// The share of the other contractors' jobs that failed.
	OthersRatio *float64 `json:"others_failed_ratio,omitempty"`
	// The chance of so many failures or more if this contractor were like the others.
	Chance *float64 `json:"chance_ratio,omitempty"`
	// Fails more often than the others, after false-discovery control over all contractors of the answer.
	Listed bool `json:"listed"`
	// How many of its jobs would have to be inspected without a failure to show that fewer than one in ten fail.
	DiscoveryCount int `json:"discovery_count"`
	// The chance that no more failed than did here although one job in ten of this contractor fails.
	LuckRatio *float64 `json:"luck_ratio,omitempty"`
	// Why the figure is absent.
	Reason            string            `json:"reason,omitempty"`
	Statement         string            `json:"statement"`
	InspectorOverCrew InspectorOverCrew `json:"inspector_over_crew"`
}

// FailedRule is how often inspectors found a rule broken in the jobs drawn at random.
type FailedRule struct {
	Rule        string `json:"rule"`
	HoldsCount  int    `json:"holds_count"`
	BrokenCount int    `json:"broken_count"`
	// In no denominator: the inspector could not see it.
	NotVisibleCount int `json:"not_visible_count"`
	// In no denominator: it was changed since the crew left.
	ChangedSinceCount int      `json:"changed_since_count"`
	BrokenRatio       *float64 `json:"broken_ratio,omitempty"`
	BrokenRatioLow    *float64 `json:"broken_ratio_low,omitempty"`
	BrokenRatioHigh   *float64 `json:"broken_ratio_high,omitempty"`
}

// noAnswer is why a figure is absent where no drawn job was inspected.
const noAnswer = "none_inspected"

// Failures computes what the looks at the drawn jobs tell. Contractors are named by
// names, in the order of their names, and those without a job in a frame are left out.
//
// Refused: a look at a job that was not drawn (/jobs/id). Source: at Rate, Total and
// Limits; of a contractor Clopper & Pearson (1934) and Fisher's exact test under
// Benjamini & Hochberg (1995) [pub].
func Failures(jobs []Job, looks map[domain.UUID]Look, names map[domain.UUID]string) (f FailureFigures, err error) {
	p := &f.Program
	p.FrameCount = len(jobs)
	values, plain := map[domain.UUID]float64{}, 0.0
	firms := map[domain.UUID]*firm{}
	rules := map[string]*FailedRule{}
	var all retest
	for i := range jobs {
		j := &jobs[i]
		of := firms[j.ContractorID]
		if of == nil {
			of = &firm{FailedContractor: FailedContractor{ContractorID: j.ContractorID, Name: names[j.ContractorID]}}
			firms[j.ContractorID] = of
		}
		of.FrameCount++
		if !j.Drawn() {
			continue
		}
		look, known := looks[j.JobID]
		if !known {
			look.Outcome = Owed
		}
		p.DrawnCount++
		p.add(look.Outcome)
		if look.Outcome.answered() {
			values[j.JobID] = 0
			if look.Outcome == Failed {
				values[j.JobID] = 1
				plain++
			}
		}
		all.add(&look)
		of.retest.add(&look)
		if j.DrawnB {
			p.ByRiskCount++
		}
		if j.DrawnA {
			p.AtRandomCount++
			of.take(&look)
			judge(rules, &look)
		}
	}
	for job := range looks {
		if !slices.ContainsFunc(jobs, func(j Job) bool { return j.JobID == job && j.Drawn() }) {
			return f, stat.Refuse(stat.NotComplete, "/jobs/"+job.String(), "", "job %s was not drawn and has a look", job)
		}
	}
	if err := p.estimate(jobs, values, plain); err != nil {
		return f, err
	}
	if p.InspectorOverCrew, err = all.figure(); err != nil {
		return f, err
	}
	if f.Contractors, err = compareFirms(firms); err != nil {
		return f, err
	}
	if f.Rules, err = ruleRates(rules); err != nil {
		return f, err
	}
	f.ByMonth, err = FailedMonths(jobs, looks)
	return f, err
}

func (p *FailedProgram) estimate(jobs []Job, values map[domain.UUID]float64, plain float64) error {
	if len(values) == 0 {
		p.Reason, p.Statement = noAnswer, "No drawn job was inspected: nothing is known of the share that fails."
		return nil
	}
	rate, err := Rate(jobs, values)
	if err != nil {
		return err
	}
	total, err := Total(jobs, values)
	if err != nil {
		return err
	}
	share := plain / float64(len(values))
	p.FailedRatio, p.FailedJobs, p.PlainRatio = &rate.Value, &total.Value, &share
	if total.Variance != nil {
		se := math.Sqrt(*total.Variance)
		p.FailedJobsSE = &se
	}
	limits, err := rate.Limits(level)
	if err != nil {
		p.IntervalReason = cmp.Or(rate.Reason, stat.TooFew)
		p.Statement = fmt.Sprintf("Of %s %d were inspected: too few to say how far the share that fails may lie from %s.", count(p.FrameCount, "job"), len(values), percent(rate.Value))
		return nil
	}
	p.FailedRatioLow, p.FailedRatioHigh, p.Level = &limits.Low, &limits.High, new(level)
	p.Statement = fmt.Sprintf("Of all %s an estimated %s would fail, between %s and %s; %d were inspected.",
		count(p.FrameCount, "job"), percent(rate.Value), percent(limits.Low), percent(limits.High), len(values))
	return nil
}

// firm gathers one contractor's looks.
type firm struct {
	FailedContractor
	retest retest
}

func (f *firm) take(look *Look) {
	f.AtRandomCount++
	switch {
	case look.Outcome == Failed && look.Disputed:
		f.DisputedCount++
	case look.Outcome == Failed && look.MayReply:
		f.AwaitingReplyCount++
	default:
		f.add(look.Outcome)
	}
}

// compareFirms sets each contractor's figures beside the others'.
func compareFirms(firms map[domain.UUID]*firm) (list []FailedContractor, err error) {
	inspected, failed := 0, 0
	sorted := make([]*firm, 0, len(firms))
	for _, f := range firms {
		sorted = append(sorted, f)
		inspected, failed = inspected+f.InspectedCount, failed+f.FailedCount
	}
	slices.SortFunc(sorted, func(a, b *firm) int {
		return cmp.Or(strings.Compare(a.Name, b.Name), a.ContractorID.Compare(b.ContractorID))
	})
	var chances []float64
	for _, f := range sorted {
		chance := stat.HypergeometricTail(f.FailedCount, f.InspectedCount, failed, inspected)
		if chances = append(chances, chance); f.InspectedCount > 0 {
			f.Chance = &chance
		}
	}
	listed, err := stat.BenjaminiHochberg(chances, clearQ)
	if err != nil {
		return nil, err
	}
	list = make([]FailedContractor, 0, len(sorted))
	for i, f := range sorted {
		f.Listed = listed[i] && f.FailedCount > 0
		if others := inspected - f.InspectedCount; others > 0 {
			ratio := float64(failed-f.FailedCount) / float64(others)
			f.OthersRatio = &ratio
		}
		if err := f.figures(); err != nil {
			return nil, err
		}
		list = append(list, f.FailedContractor)
	}
	return list, nil
}

func (f *firm) figures() (err error) {
	if f.DiscoveryCount, err = stat.DiscoveryCount(f.FrameCount, shownShare, level); err != nil {
		return err
	}
	if f.InspectorOverCrew, err = f.retest.figure(); err != nil {
		return err
	}
	n, x := f.InspectedCount, f.FailedCount
	if n == 0 {
		f.Reason = noAnswer
		f.Statement = fmt.Sprintf("None of its %s drawn at random counts yet: nothing is known of the share that fails.", count(f.AtRandomCount, "job"))
		return nil
	}
	limits, err := stat.ClopperPearson(x, n, level)
	if err != nil {
		return err
	}
	ratio, bad := float64(x)/float64(n), int(math.Ceil(float64(shownShare*float64(f.FrameCount))-1e-9))
	luck := stat.AcceptanceChance(n, x, bad, f.FrameCount)
	f.FailedRatio, f.FailedRatioLow, f.FailedRatioHigh, f.Level, f.LuckRatio = &ratio, &limits.Low, &limits.High, new(level), &luck
	f.Statement = fmt.Sprintf("%d of %s drawn at random failed: between %s and %s of all %d may fail.", x, count(n, "inspected job"), percent(limits.Low), percent(limits.High), f.FrameCount)
	switch {
	case f.Listed:
		f.Statement += " That is more than chance gives among contractors alike."
	case n < f.DiscoveryCount:
		f.Statement += fmt.Sprintf(" So few cannot tell a good contractor from one of whose jobs one in ten fails: that takes %s without a failure.", count(f.DiscoveryCount, "job"))
	}
	return nil
}

// retest sums d = ln(inspector/crew).
type retest struct{ d []float64 }

func (r *retest) add(look *Look) {
	if look.CrewTenths > 0 && look.InspectorTenths > 0 {
		r.d = append(r.d, math.Log(float64(look.InspectorTenths)/float64(look.CrewTenths)))
	}
}

// leastRetests give an interval: with two it would span an order of magnitude.
const leastRetests = 3

// figure is e^d̄ with limits e^(d̄ ∓ t(n−1)·s/√n).
func (r *retest) figure() (f InspectorOverCrew, err error) {
	if f.N = len(r.d); f.N < leastRetests {
		f.Reason = stat.TooFew
		return f, nil
	}
	slices.Sort(r.d) // so that the order of the jobs moves no digit
	n := float64(f.N)
	mean := stat.Sum(r.d) / n
	squares := make([]float64, len(r.d))
	for i, d := range r.d {
		squares[i] = float64(d-mean) * float64(d-mean)
	}
	t, err := stat.StudentTQuantile(1-(1-level)/2, n-1)
	if err != nil {
		return f, err
	}
	half := float64(t * math.Sqrt(stat.Sum(squares)/(n-1)/n))
	ratio, low, high := math.Exp(mean), math.Exp(mean-half), math.Exp(mean+half)
	f.Ratio, f.Low, f.High, f.Level = &ratio, &low, &high, new(level)
	return f, nil
}

// judge counts the verdicts of one look.
func judge(rules map[string]*FailedRule, look *Look) {
	if !look.Outcome.answered() {
		return
	}
	for _, v := range look.Verdicts {
		r := rules[v.Rule]
		if r == nil {
			r = &FailedRule{Rule: v.Rule}
			rules[v.Rule] = r
		}
		switch v.Verdict {
		case domain.VerdictHolds:
			r.HoldsCount++
		case domain.VerdictBroken:
			r.BrokenCount++
		case domain.VerdictChangedSince:
			r.ChangedSinceCount++
		default:
			r.NotVisibleCount++
		}
	}
}

func ruleRates(rules map[string]*FailedRule) ([]FailedRule, error) {
	list := make([]FailedRule, 0, len(rules))
	for _, r := range rules {
		if n := r.HoldsCount + r.BrokenCount; n > 0 {
			limits, err := stat.ClopperPearson(r.BrokenCount, n, level)
			if err != nil {
				return nil, err
			}
			ratio := float64(r.BrokenCount) / float64(n)
			r.BrokenRatio, r.BrokenRatioLow, r.BrokenRatioHigh = &ratio, &limits.Low, &limits.High
		}
		list = append(list, *r)
	}
	slices.SortFunc(list, func(a, b FailedRule) int {
		return cmp.Or(cmp.Compare(b.BrokenCount, a.BrokenCount), strings.Compare(a.Rule, b.Rule))
	})
	return list, nil
}

func percent(ratio float64) string {
	text, err := stat.RoundFloat(ratio*100, 0)
	if err != nil {
		return "an unknown share"
	}
	return text + " %"
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
