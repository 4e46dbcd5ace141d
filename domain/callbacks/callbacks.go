// Package callbacks says how often contractors are called back, for what, and whether
// more often than the others.
//
// A job counts once, however many complaints it has, and only those within the warranty.
// A job that was accepted last week has had little time for a complaint: so a rate is of
// jobs whose warranty is over, and the comparison goes by the time that each job has been
// under warranty:
//
//	expected = calls of all · own months / months of all
//
// The chance of so many or more calls is binomial given all of them, the exact comparison
// of two Poisson counts; listed is who stays under Benjamini and Hochberg over all
// contractors of the answer.
//
// Sources: Przyborowski & Wilenski, Biometrika 31 (1940) 313 [mem]; limits at stat.Wilson
// and stat.ObservedOverExpected.
package callbacks

import (
	"cmp"
	"iter"
	"slices"
	"strings"
	"time"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// MethodVersion names how call-backs are counted.
const MethodVersion = "call-backs-1"

const (
	level = 0.95
	// listQ is the share of listed contractors that is expected to be chance.
	listQ = 0.05
	// monthDays are the days of a month on average, in the Gregorian calendar [calc].
	monthDays = 30.436875
	// notStated stands for the cause of a closed complaint that names none, notYet of an open one.
	notStated, notYet = "not_stated", "not_yet_known"
)

// A Call is one complaint.
type Call struct {
	ReportedOn domain.Date
	Closed     bool
	Cause      domain.CallBackCause
	AtFault    string
}

// A Job was accepted on a day; Calls are its complaints in any order.
type Job struct {
	ContractorID domain.UUID
	AcceptedOn   domain.Date
	Calls        []Call
}

// Figures are the call-backs of a period's jobs.
type Figures struct {
	// Months after the acceptance in which a complaint counts.
	WarrantyMonths int    `json:"warranty_months_count"`
	Program        Firm   `json:"program"`
	Contractors    []Firm `json:"contractors"`
}

// Firm is one contractor, or the program.
type Firm struct {
	// Absent for the program.
	ContractorID domain.UUID `json:"contractor_id,omitzero"`
	Name         string      `json:"name,omitempty"`
	// Jobs first accepted in the period.
	JobsCount int `json:"jobs_count"`
	// Jobs with a complaint within the warranty, each once.
	CalledBackCount int `json:"called_back_count"`
	// Of these, closed at the crew's fault.
	AtFaultCount int `json:"at_fault_count"`
	// Complaints after the warranty. They stand in no rate.
	AfterWarrantyCount int `json:"after_warranty_count"`
	// Jobs whose warranty is over, and those of them that were called back.
	CompleteCount           int      `json:"complete_count"`
	CompleteCalledBackCount int      `json:"complete_called_back_count"`
	Ratio                   *float64 `json:"called_back_ratio,omitempty"`
	RatioLow                *float64 `json:"called_back_ratio_low,omitempty"`
	RatioHigh               *float64 `json:"called_back_ratio_high,omitempty"`
	// Under warranty so far, all jobs together.
	MonthsUnderWarranty float64 `json:"under_warranty_months"`
	// Of a contractor: jobs that would be called back at the program's pace.
	ExpectedCount *float64 `json:"expected_count,omitempty"`
	// Called back / expected, from 1 expected on, with exact limits.
	OverExpected     *float64 `json:"over_expected_ratio,omitempty"`
	OverExpectedLow  *float64 `json:"over_expected_ratio_low,omitempty"`
	OverExpectedHigh *float64 `json:"over_expected_ratio_high,omitempty"`
	// The chance of so many or more if it were like all.
	Chance *float64 `json:"chance_ratio,omitempty"`
	// More often than the program, after false-discovery control over all contractors of the answer.
	Listed bool `json:"listed"`
	// The level of the intervals.
	Level *float64 `json:"level_ratio,omitempty"`
	// Why a rate is absent.
	Reason string `json:"reason,omitempty"`
	// Of the first complaint of each job called back; the most frequent first.
	Causes []Cause `json:"causes"`
}

// Cause is how many jobs were called back for one cause.
type Cause struct {
	// Of the short list, or not_stated, or not_yet_known where the complaint is open.
	Cause string `json:"cause"`
	Count int    `json:"count"`
}

// Why a rate is absent.
const (
	NoJobs       = "no_jobs"
	WarrantyRuns = "warranty_runs" // of every job
)

// Rates counts the jobs of a period as they stand on a day; warranty is in months.
//
// Refused: a day that is none (/on), a warranty below 0 (/warranty_months). Source: package
// comment [mem].
func Rates(jobs iter.Seq2[Job, error], on domain.Date, warranty int, names map[domain.UUID]string) (f Figures, err error) {
	today, err := time.Parse(time.DateOnly, string(on))
	if err != nil {
		return f, stat.Refuse(stat.OutOfRange, "/on", "", "%q is no day", on)
	}
	if warranty < 0 {
		return f, stat.Refuse(stat.Negative, "/warranty_months", "", "%d months are less than 0", warranty)
	}
	all, firms := &counts{causes: map[string]int{}}, map[domain.UUID]*counts{}
	for j, err := range jobs {
		if err != nil {
			return f, err
		}
		of := firms[j.ContractorID]
		if of == nil {
			of = &counts{Firm: Firm{ContractorID: j.ContractorID, Name: names[j.ContractorID]}, causes: map[string]int{}}
			firms[j.ContractorID] = of
		}
		accepted, err := time.Parse(time.DateOnly, string(j.AcceptedOn))
		if err != nil {
			return f, stat.Refuse(stat.OutOfRange, "/jobs", "", "%q is no day", j.AcceptedOn)
		}
		end := accepted.AddDate(0, warranty, 0)
		of.add(&j, today, accepted, end)
		all.add(&j, today, accepted, end)
	}
	f.WarrantyMonths = warranty
	sorted := make([]*counts, 0, len(firms))
	for _, c := range firms {
		sorted = append(sorted, c)
	}
	slices.SortFunc(sorted, func(a, b *counts) int {
		return cmp.Or(strings.Compare(a.Name, b.Name), a.ContractorID.Compare(b.ContractorID))
	})
	if err := all.figures(); err != nil {
		return f, err
	}
	f.Program, f.Contractors = all.Firm, make([]Firm, 0, len(sorted))
	chances := make([]float64, len(sorted))
	for i, c := range sorted {
		if err := c.figures(); err != nil {
			return f, err
		}
		if err := c.within(all); err != nil {
			return f, err
		}
		if chances[i] = 1; c.Chance != nil {
			chances[i] = *c.Chance
		}
	}
	listed, err := stat.BenjaminiHochberg(chances, listQ)
	if err != nil {
		return f, err
	}
	for i, c := range sorted {
		c.Listed = listed[i] && c.CalledBackCount > 0
		f.Contractors = append(f.Contractors, c.Firm)
	}
	return f, nil
}

type counts struct {
	Firm
	days   int64 // under warranty
	causes map[string]int
}

func (c *counts) add(j *Job, today, accepted, end time.Time) {
	c.JobsCount++
	until := end
	if today.Before(end) {
		until = today
	}
	const day = 24 * time.Hour
	c.days += max(0, int64(until.Sub(accepted)/day))
	last := domain.Date(end.Format(time.DateOnly))
	var first *Call
	fault := false
	for i := range j.Calls {
		call := &j.Calls[i]
		if call.ReportedOn > last {
			c.AfterWarrantyCount++
			continue
		}
		fault = fault || call.Closed && call.AtFault == "crew"
		if first == nil || call.ReportedOn < first.ReportedOn {
			first = call
		}
	}
	complete := !today.Before(end)
	if complete {
		c.CompleteCount++
	}
	if first == nil {
		return
	}
	c.CalledBackCount++
	if complete {
		c.CompleteCalledBackCount++
	}
	if fault {
		c.AtFaultCount++
	}
	switch {
	case first.Cause != "":
		c.causes[string(first.Cause)]++
	case first.Closed:
		c.causes[notStated]++
	default:
		c.causes[notYet]++
	}
}

func (c *counts) figures() error {
	c.MonthsUnderWarranty = float64(c.days) / monthDays
	c.Level = new(level)
	switch {
	case c.JobsCount == 0:
		c.Reason = NoJobs
	case c.CompleteCount == 0:
		c.Reason = WarrantyRuns
	default:
		limits, err := stat.Wilson(c.CompleteCalledBackCount, c.CompleteCount, level)
		if err != nil {
			return err
		}
		ratio := float64(c.CompleteCalledBackCount) / float64(c.CompleteCount)
		c.Ratio, c.RatioLow, c.RatioHigh = &ratio, &limits.Low, &limits.High
	}
	c.Causes = []Cause{}
	for cause, n := range c.causes {
		c.Causes = append(c.Causes, Cause{cause, n})
	}
	slices.SortFunc(c.Causes, func(a, b Cause) int { return cmp.Or(cmp.Compare(b.Count, a.Count), strings.Compare(a.Cause, b.Cause)) })
	return nil
}

// within sets a contractor beside the program.
func (c *counts) within(all *counts) error {
	if all.days == 0 {
		return nil
	}
	part := float64(c.days) / float64(all.days)
	expected := float64(all.CalledBackCount) * part
	c.ExpectedCount = &expected
	chance, err := stat.BinomialTail(c.CalledBackCount, all.CalledBackCount, part)
	if err != nil {
		return err
	}
	c.Chance = &chance
	if expected < stat.MinExpected {
		return nil
	}
	limits, err := stat.ObservedOverExpected(c.CalledBackCount, expected, level)
	if err != nil {
		return err
	}
	over := float64(c.CalledBackCount) / expected
	c.OverExpected, c.OverExpectedLow, c.OverExpectedHigh = &over, &limits.Low, &limits.High
	return nil
}
