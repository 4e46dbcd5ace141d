package pages

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"ductledger/api/pages/chart"
	"ductledger/domain"
	"ductledger/domain/draws"
	"ductledger/domain/performance"
)

// ofFirm is one contractor's figures as the API answers them.
type ofFirm struct {
	AsOfAt         time.Time                `json:"as_of_at"`
	Program        performance.Summary      `json:"program"`
	Contractor     performance.Contractor   `json:"contractor"`
	Picture        performance.Picture      `json:"picture"`
	ProgramPicture performance.Picture      `json:"program_picture"`
	Trend          []performance.TrendPoint `json:"trend"`
	TrendReason    string                   `json:"trend_reason"`
	WiderFrom      domain.Date              `json:"wider_from"`
	Why            explained                `json:"explanation"`
}

// explained is how an index came about, as the API answers it.
type explained struct {
	Model      performance.Model          `json:"model"`
	JobsIn     []performance.ExplainedJob `json:"jobs_in"`
	JobsOut    []performance.ExplainedJob `json:"jobs_out"`
	ChanceLow  *float64                   `json:"chance_ratio_low"`
	ChanceHigh *float64                   `json:"chance_ratio_high"`
	Recomputed *float64                   `json:"recomputed_index_ratio"`
}

type firmPage struct {
	ofFirm
	ID, From, Before          string
	In, Out                   []performance.ExplainedJob // that the page lists
	Hidden                    int                        // jobs that are left out of the tables here
	Range                     *chart.Picture
	Scatter, Changes, Monthly *chart.Picture
	Rules                     []brokenShown
	Rates                     []rateShown
	Own                       bool // it is the contractor who looks
	Alone                     bool // all jobs of the period are its own: there is nothing to compare them with
	Course                    *courseShown
}

// A brokenShown is a rule that was broken, by its title.
type brokenShown struct {
	performance.BrokenRule
	Title string
}

// A rateShown is a share of jobs beside the program's.
type rateShown struct {
	Words        string
	Own, Program performance.Rate
}

// mostBehind is as many jobs as a page lists behind an index; the data has all.
const mostBehind = 150

// contractor shows one contractor to the office.
func (p *Pages) contractor(ctx context.Context, v *Visit) (Page, error) {
	return p.firmPage(ctx, v, v.Path["id"], "Contractors")
}

// firmPage shows one contractor: the sentence, what was before against what is
// after, month by month, rules and call-backs, and the jobs behind the index.
func (p *Pages) firmPage(ctx context.Context, v *Visit, id, under string) (Page, error) {
	from, before := period(v)
	s := firmPage{ID: id, From: from, Before: before, Own: v.Is(domain.ContractorRole)}
	address := fmt.Sprintf("/v1/contractors/%s/performance?explained=true&from=%s&before=%s", id, from, before)
	if err := v.Get(ctx, address, &s.ofFirm); err != nil {
		return Page{}, err
	}
	for _, list := range [][]performance.ExplainedJob{s.Why.JobsIn, s.Why.JobsOut} {
		slices.SortFunc(list, func(a, b performance.ExplainedJob) int { return cmp.Compare(a.JobNumber, b.JobNumber) })
	}
	s.In, s.Out = s.Why.JobsIn, s.Why.JobsOut
	s.draw()
	if v.IsOffice() {
		var err error
		if s.Course, err = courseOf(ctx, v, id, before); err != nil {
			return Page{}, err
		}
	}
	for _, r := range s.Picture.Rules {
		s.Rules = append(s.Rules, brokenShown{r, firstOf(ruleTitles[r.Rule], Plain(r.Rule))})
	}
	s.Rates = []rateShown{
		{"Accepted as first sent in", s.Picture.AcceptedAtFirst, s.ProgramPicture.AcceptedAtFirst},
		{"Called back", s.Picture.CallBacks, s.ProgramPicture.CallBacks},
		{"No reduction beyond the error of the tests", s.Picture.NotMeasurable, s.ProgramPicture.NotMeasurable},
	}
	one := &s.Contractor
	s.Alone = one.JobsCount == s.Program.JobsCount
	lead := one.Adjusted.Statement
	if lead == "" {
		lead = fmt.Sprintf("%s has too few jobs with both readings in this period to say more than their sums.", one.Name)
	}
	if one.JobsCount == 0 {
		lead = fmt.Sprintf("No job of %s was accepted in this period.", one.Name)
	}
	return Page{Title: one.Name, Under: under, Body: "contractor", AsOf: s.AsOfAt, Rows: len(s.Why.JobsIn) + len(s.Why.JobsOut), Lead: lead, Data: address, Table: s.table(),
		Quiet: fmt.Sprintf("%s to %s", Day(from, v.Zone), Day(lastDay(before), v.Zone)), With: &s}, nil
}

func (s *firmPage) draw() {
	var jobs []chart.Job
	for _, j := range s.In {
		if j.BeforeCFM25 != nil && j.AfterCFM25 != nil {
			job := chart.Job{Before: *j.BeforeCFM25, After: *j.AfterCFM25}
			if j.ExpectedCFM25 != nil {
				job.Expected = *j.ExpectedCFM25
			}
			jobs = append(jobs, job)
		}
	}
	if len(jobs) > 0 {
		scatter := chart.Scatter(fmt.Sprintf("Leakage before against after of %s; the table below has the numbers", Count(len(jobs), "job")), jobs, "cfm at 25 Pa")
		changes := chart.Changes(fmt.Sprintf("What each of %s changed; the table below has the numbers", Count(len(jobs), "job")), jobs, "cfm at 25 Pa")
		s.Scatter, s.Changes = &scatter, &changes
	}
	if len(s.Trend) > 1 {
		var months []chart.Month
		for i := range s.Trend {
			t := &s.Trend[i]
			months = append(months, chart.Month{Words: Month(t.Month), Value: &t.Value, Low: t.Low, High: t.High, Signal: t.Signal})
		}
		strip := chart.Strip("Month by month against the own level; the table beside it has the numbers", months, 0)
		s.Monthly = &strip
	}
	row := rangeOf(&s.Contractor, 0.4, 2.5)
	s.Range = row
	if n := len(s.In) + len(s.Out) - mostBehind; n > 0 {
		s.Hidden = n
		if len(s.In) > mostBehind {
			s.In, s.Out = s.In[:mostBehind], nil
		} else {
			s.Out = s.Out[:mostBehind-len(s.In)]
		}
	}
}

func (s *firmPage) table() *Table {
	t := &Table{Name: "jobs-behind", Columns: []string{"job_id", "number", "before_cfm25", "after_cfm25", "expected_after_cfm25", "index_without_job_ratio", "reason"}}
	text := func(f *float64) string {
		if f == nil {
			return ""
		}
		return fmt.Sprint(*f)
	}
	for _, j := range slices.Concat(s.Why.JobsIn, s.Why.JobsOut) {
		t.Rows = append(t.Rows, []string{j.JobID.String(), numberText(j.JobNumber), text(j.BeforeCFM25), text(j.AfterCFM25), text(j.ExpectedCFM25), text(j.IndexWithout), j.Reason})
	}
	return t
}

// courseShown is what a contractor's inspections tell in their order, with its pictures.
type courseShown struct {
	draws.Course
	From, Before string
	Plan, Sums   *chart.Picture
}

// courseMonths are followed up to the end of the page's period: in fewer a contractor has
// hardly five jobs that were drawn at random.
const courseMonths = 12

// courseOf follows a contractor up to the end of a period of days.
func courseOf(ctx context.Context, v *Visit, id, before string) (*courseShown, error) {
	day, err := time.Parse(time.DateOnly, before)
	if err != nil {
		return nil, domain.At("/before", domain.BadQuery, "before: %q is not a day such as 2026-10-14", before)
	}
	c := &courseShown{From: day.AddDate(0, -courseMonths, 0).Format(time.DateOnly), Before: before}
	if err := v.Get(ctx, c.Address(id), c); err != nil {
		return nil, err
	}
	c.draw()
	return c, nil
}

// Address is where the API answers it.
func (c *courseShown) Address(id string) string {
	return fmt.Sprintf("/v1/contractors/%s/inspection-course?from=%s&before=%s", id, c.From, c.Before)
}

func (c *courseShown) draw() {
	run, s := c.Sequential.Running, &c.Sequential
	if run.Decision == "" {
		return
	}
	own := c.Looks[len(c.Looks)-run.InspectedCount:]
	walk := chart.Walk{Label: fmt.Sprintf("Failures one inspection after the other: %d in %s, between the lines of the plan", run.FailedCount, Count(run.InspectedCount, "job")),
		Values: []float64{0}, Signals: []bool{false}, CasesWord: "jobs inspected since the period began, or the last decision"}
	for _, l := range own {
		walk.Values, walk.Signals = append(walk.Values, float64(l.RunFailedCount)), append(walk.Signals, false)
	}
	n := float64(run.InspectedCount)
	walk.Lines = []chart.WalkLine{{Words: "inspect more", First: s.BadIntercept, Last: s.BadIntercept + s.Slope*n}, {Words: "does well", First: -s.GoodIntercept, Last: s.Slope*n - s.GoodIntercept}}
	plan := walk.Draw()
	c.Plan = &plan
	if c.Sum.Limit == nil {
		return
	}
	watch := chart.Walk{Label: fmt.Sprintf("Failures added up against the other contractors’ share, with %s", Count(c.Sum.SignalsCount, "signal")),
		Values: []float64{0}, Signals: []bool{false}, CasesWord: "jobs inspected in the period", Lines: []chart.WalkLine{{Words: "a signal", First: *c.Sum.Limit, Last: *c.Sum.Limit}}}
	for _, l := range c.Looks {
		if l.Sum != nil {
			watch.Values, watch.Signals = append(watch.Values, *l.Sum), append(watch.Signals, l.Signal)
		}
	}
	sums := watch.Draw()
	c.Sums = &sums
}
