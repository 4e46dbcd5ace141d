package draws

import (
	"cmp"
	"fmt"
	"slices"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// CourseVersion names how a contractor's inspections are followed over time. A change that
// moves a figure changes it.
const CourseVersion = "inspection-course-1"

// What a contractor's inspections are held to in their order. Common practice, without a source [cp]:
// of a contractor that does well one job in twenty fails, of one that does not one in five.
const (
	goodShare = 0.05
	badShare  = 0.20
	// Of contractors that do well so many are taken for others, and of the others so many for good ones.
	falseBad  = 0.05
	falseGood = 0.10
	// watchedOdds are the odds of failing against the other contractors' for which the sum watches.
	watchedOdds = 2
	// betweenSignals is how many jobs pass on average before a false signal: some five years at one job a month.
	betweenSignals = 60
	// aboveOne is how far the limit stands above one failure, of a sum whose weights are logarithms of odds.
	aboveOne = 0.01
	// leastTold is the number of inspected jobs below which nothing is told but the counts, as of every group.
	leastTold = 5
	// leastPooled is how many jobs a point of the chart of months holds at least.
	leastPooled = 10
)

// A Course is what one contractor's jobs drawn at random tell in the order in which they were inspected.
type Course struct {
	ContractorID domain.UUID `json:"contractor_id"`
	Name         string      `json:"name"`
	// Jobs drawn at random and inspected, as far as they count.
	InspectedCount int `json:"inspected_count"`
	FailedCount    int `json:"failed_count"`
	// Jobs inspected after a failure that the contractor may still answer; with it they count once that is settled.
	WaitingCount int        `json:"waiting_count"`
	Sequential   Sequential `json:"sequential"`
	Sum          Sum        `json:"cumulative_sum"`
	// One for each job that counts, by day of inspection.
	Looks []CourseLook `json:"looks"`
}

// Sequential is Wald's plan, which asks for no more inspections than a decision takes. After a
// decision it begins anew.
type Sequential struct {
	// The share of failing jobs of a contractor that does well.
	GoodRatio float64 `json:"good_failed_ratio"`
	// That of one that does not.
	BadRatio float64 `json:"bad_failed_ratio"`
	// Of contractors that do well about so many are taken for the others.
	FalseBadRatio float64 `json:"false_bad_ratio"`
	// Of the others about so many are taken for contractors that do well.
	FalseGoodRatio float64 `json:"false_good_ratio"`
	// The lines of the plan: after n jobs d failures say good up to −good_intercept_count + slope_ratio·n, bad from bad_intercept_count + slope_ratio·n on.
	GoodIntercept float64 `json:"good_intercept_count"`
	BadIntercept  float64 `json:"bad_intercept_count"`
	Slope         float64 `json:"slope_ratio"`
	// After so many jobs a run ends undecided.
	MostCount int `json:"most_count"`
	// Decisions of earlier runs in the period, oldest first.
	Decided []CourseRun `json:"decided"`
	// The run that goes on.
	Running CourseRun `json:"running"`
	// Further jobs without a failure that would show that the contractor does well.
	MoreCount int    `json:"more_without_failure_count,omitempty"`
	Statement string `json:"statement"`
}

// CourseRun are the jobs from one decision to the next.
type CourseRun struct {
	InspectedCount int `json:"inspected_count"`
	FailedCount    int `json:"failed_count"`
	// good_shown, bad_shown, not_decided, or never_decided where as many were looked at as the plan has. Absent: fewer than five jobs.
	Decision stat.SequentialDecision `json:"decision,omitempty"`
	// When the last of them was inspected.
	UntilOn domain.Date `json:"until_on,omitzero"`
}

// Sum is the risk-adjusted cumulative sum of failures against the other contractors' share.
type Sum struct {
	// The share of the other contractors' jobs that failed, with half a failure and a job added, as the chance that is expected.
	ExpectedRatio *float64 `json:"expected_failed_ratio,omitempty"`
	// Against which odds it watches: so many times those of the others.
	OddsRatio float64 `json:"odds_ratio"`
	// From here on it signals; then it begins anew.
	Limit *float64 `json:"limit,omitempty"`
	// Jobs between two signals, on average, of a contractor like the others.
	BetweenCount int `json:"between_false_signals_count"`
	SignalsCount int `json:"signals_count"`
	// Why there is none.
	Reason    string `json:"reason,omitempty"`
	Statement string `json:"statement"`
}

// CourseLook is one inspected job.
type CourseLook struct {
	JobID       domain.UUID `json:"job_id"`
	InspectedOn domain.Date `json:"inspected_on"`
	Failed      bool        `json:"failed"`
	// Failures of the run so far, and its jobs.
	RunFailedCount int `json:"run_failed_count"`
	RunCount       int `json:"run_count"`
	// The cumulative sum after it.
	Sum    *float64 `json:"cumulative_sum,omitempty"`
	Signal bool     `json:"signal,omitempty"`
}

// CourseOf follows one contractor's jobs drawn at random, by the day of their inspection. It stops
// before a failure that the contractor may still answer, so that none is passed over.
//
// Refused: nothing but what its kernels refuse, which is a fault of this package. Source: at
// stat.Sequential and stat.CUSUM; the shares [cp].
func CourseOf(jobs []Job, looks map[domain.UUID]Look, contractor domain.UUID, name string) (c Course, err error) {
	c = Course{ContractorID: contractor, Name: name, Looks: []CourseLook{}, Sequential: Sequential{Decided: []CourseRun{}}}
	var own []domain.UUID
	others, othersFailed := 0, 0
	for i := range jobs {
		look := looks[jobs[i].JobID]
		switch {
		case !jobs[i].DrawnA || !look.Outcome.answered():
		case jobs[i].ContractorID == contractor:
			own = append(own, jobs[i].JobID)
		case look.Outcome == Failed && (look.MayReply || look.Disputed):
		default:
			others++
			if look.Outcome == Failed {
				othersFailed++
			}
		}
	}
	slices.SortFunc(own, func(a, b domain.UUID) int { return cmp.Or(cmp.Compare(looks[a].On, looks[b].On), a.Compare(b)) })
	for i, id := range own {
		look := looks[id]
		if look.Outcome == Failed && (look.MayReply || look.Disputed) {
			c.WaitingCount = len(own) - i
			break
		}
		c.InspectedCount++
		if look.Outcome == Failed {
			c.FailedCount++
		}
		c.Looks = append(c.Looks, CourseLook{JobID: id, InspectedOn: look.On, Failed: look.Outcome == Failed})
	}
	if err := c.sequential(); err != nil {
		return c, err
	}
	return c, c.sum(others, othersFailed)
}

func (c *Course) sequential() error {
	plan, err := stat.Sequential(goodShare, badShare, falseBad, falseGood)
	if err != nil {
		return err
	}
	s := &c.Sequential
	s.GoodRatio, s.BadRatio, s.FalseBadRatio, s.FalseGoodRatio = goodShare, badShare, falseBad, falseGood
	s.GoodIntercept, s.BadIntercept, s.Slope, s.MostCount = plan.Good, plan.Bad, plan.Slope, plan.Most
	for i := range c.Looks {
		l, run := &c.Looks[i], &s.Running
		if run.Decision != "" && run.Decision != stat.SequentialMore {
			s.Decided, *run = append(s.Decided, *run), CourseRun{}
		}
		run.InspectedCount++
		if l.Failed {
			run.FailedCount++
		}
		l.RunCount, l.RunFailedCount, run.UntilOn = run.InspectedCount, run.FailedCount, l.InspectedOn
		if run.InspectedCount >= leastTold {
			run.Decision = plan.After(run.InspectedCount, run.FailedCount)
		}
	}
	if d := s.Running.Decision; d == "" || d == stat.SequentialMore {
		for n := max(s.Running.InspectedCount, leastTold-1) + 1; n <= plan.Most; n++ {
			if plan.After(n, s.Running.FailedCount) == stat.SequentialGood {
				s.MoreCount = n - s.Running.InspectedCount
				break
			}
		}
	}
	s.Statement = s.words(c.WaitingCount)
	return nil
}

// words say what the office may do, and claim no more than the plan knows.
func (s *Sequential) words(waiting int) (words string) {
	run := &s.Running
	seen := fmt.Sprintf("%d of %s failed", run.FailedCount, count(run.InspectedCount, "job"))
	switch run.Decision {
	case stat.SequentialGood:
		words = fmt.Sprintf("%s: were one job in five failing, so few would be seen about once in ten times. The usual share of inspections is enough; it goes on.", seen)
	case stat.SequentialBad:
		words = fmt.Sprintf("%s: were one job in twenty failing, so many would be seen about once in twenty times. Inspect more of its jobs, and ask before you judge.", seen)
	case stat.SequentialUndecided:
		words = fmt.Sprintf("%s: as many jobs as the plan has told neither. It begins anew.", seen)
	case stat.SequentialMore:
		words = seen + ": not decided; inspect as before."
	default:
		words = fmt.Sprintf("%s inspected since the period began or the last decision: fewer than five tell nothing, good or bad.", count(run.InspectedCount, "job"))
	}
	if s.MoreCount > 0 {
		words += fmt.Sprintf(" %s more without a failure would show that it does well.", count(s.MoreCount, "job"))
	}
	if waiting > 0 {
		words += fmt.Sprintf(" %s more: a failure among them may still be answered, and they count once that is settled.", count(waiting, "job"))
	}
	return words
}

func (c *Course) sum(others, failed int) error {
	s := &c.Sum
	s.OddsRatio, s.BetweenCount = watchedOdds, betweenSignals
	if c.InspectedCount < leastTold || others < leastPooled {
		s.Reason = stat.TooFew
		s.Statement = "Too few jobs were inspected, here or at the other contractors, to watch for a change."
		return nil
	}
	expected := (float64(failed) + 0.5) / float64(others+1)
	limit, err := stat.CUSUMLimit(expected, watchedOdds, betweenSignals)
	if err != nil {
		return err
	}
	weights := make([]float64, len(c.Looks))
	for i := range c.Looks {
		if weights[i], err = stat.CUSUMWeight(expected, watchedOdds, c.Looks[i].Failed); err != nil {
			return err
		}
		if c.Looks[i].Failed {
			limit = max(limit, weights[i]+aboveOne) // no one failure is a signal, however rare failures are
		}
	}
	points, err := stat.CUSUM(weights, limit)
	if err != nil {
		return err
	}
	last := -1
	for i, p := range points {
		c.Looks[i].Sum, c.Looks[i].Signal = new(p.Value), p.Signal
		if p.Signal {
			s.SignalsCount, last = s.SignalsCount+1, i
		}
	}
	s.ExpectedRatio, s.Limit = &expected, &limit
	s.Statement = fmt.Sprintf("No run of failures stands out against the other contractors’ %s.", percent(expected))
	if last >= 0 {
		s.Statement = fmt.Sprintf("%s of failures above the other contractors’ %s, the last by the inspection of %s. A contractor like the others has one in %d jobs by luck: ask before you judge.",
			count(s.SignalsCount, "signal"), percent(expected), c.Looks[last].InspectedOn, betweenSignals)
	}
	return nil
}

// A FailedMonth is a point of the chart of months: jobs drawn at random and inspected, those of
// few together with the months after.
type FailedMonth struct {
	From           domain.Month `json:"from_month"`
	Until          domain.Month `json:"until_month"`
	InspectedCount int          `json:"inspected_count"`
	FailedCount    int          `json:"failed_count"`
	FailedRatio    float64      `json:"failed_ratio"`
	// Between these a share lies by luck, all but 3 times in 1,000.
	Low  float64 `json:"by_chance_ratio_low"`
	High float64 `json:"by_chance_ratio_high"`
	// Exact limits, where so few failures are expected that the usual ones are wrong.
	Exact bool `json:"exact"`
	// Beyond a limit: something changed for all, such as a rule, an inspector or a season. It says nothing of one contractor.
	Signal bool `json:"signal"`
}

// FailedMonths is the chart of shares (p chart) of the program, by month of the draw; months with fewer
// than ten inspected jobs are put together with those after, the last with those before.
//
// Refused: as stat.PChart. Source: NIST/SEMATECH e-Handbook 6.3.3.2 [pub]; ten jobs [cp].
func FailedMonths(jobs []Job, looks map[domain.UUID]Look) ([]FailedMonth, error) {
	of := map[domain.Month]*FailedMonth{}
	for i := range jobs {
		look := looks[jobs[i].JobID]
		if !jobs[i].DrawnA || !look.Outcome.answered() {
			continue
		}
		month := domain.Month(jobs[i].Month)
		m := of[month]
		if m == nil {
			m = &FailedMonth{From: month, Until: month}
			of[month] = m
		}
		if m.InspectedCount++; look.Outcome == Failed {
			m.FailedCount++
		}
	}
	months := make([]FailedMonth, 0, len(of))
	for _, m := range of {
		months = append(months, *m)
	}
	slices.SortFunc(months, func(a, b FailedMonth) int { return cmp.Compare(a.From, b.From) })
	pooled := []FailedMonth{}
	for i, m := range months {
		if last := len(pooled) - 1; last >= 0 && (pooled[last].InspectedCount < leastPooled || i == len(months)-1 && m.InspectedCount < leastPooled) {
			p := &pooled[last]
			p.Until, p.InspectedCount, p.FailedCount = m.Until, p.InspectedCount+m.InspectedCount, p.FailedCount+m.FailedCount
			continue
		}
		pooled = append(pooled, m)
	}
	if len(pooled) < 2 || pooled[0].InspectedCount < leastPooled {
		return []FailedMonth{}, nil // one point is no chart
	}
	groups := make([]stat.PChartPoint, len(pooled))
	for i, m := range pooled {
		groups[i] = stat.PChartPoint{N: m.InspectedCount, Failed: m.FailedCount}
	}
	_, points, err := stat.PChart(groups)
	if err != nil {
		return nil, err
	}
	for i, p := range points {
		m := &pooled[i]
		m.FailedRatio, m.Low, m.High, m.Exact, m.Signal = p.Share, p.Low, p.High, p.Exact, p.Signal
	}
	return pooled, nil
}
