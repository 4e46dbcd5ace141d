package month

import (
	"fmt"
	"strconv"
	"strings"

	"ductledger/domain"
)

// namedJobs is how many jobs a difference names; the rest is counted.
const namedJobs = 20

// Differences gathers the jobs that make two sums differ.
type Differences struct {
	faults  []domain.Fault
	more    int
	missing Sums // what the history has more than the package, of the jobs that were found
}

// Job compares what a package says of a job with its history.
func (d *Differences) Job(id domain.UUID, packaged, history Sums) {
	if packaged == history {
		return
	}
	d.missing = d.missing.Plus(history).Minus(packaged)
	if len(d.faults) == namedJobs {
		d.more++
		return
	}
	var figures []string
	for i, m := range Measures() {
		if packaged[i] != history[i] {
			figures = append(figures, fmt.Sprintf("%s %d in the package, %d by the ledger (%s)", m.Name, packaged[i], history[i], m.Unit))
		}
	}
	d.faults = append(d.faults, domain.Fault{Code: "differs", Detail: "job " + id.String() + ": " + strings.Join(figures, "; ")})
}

// Rest is what of a whole difference the jobs that were found do not explain.
func (d *Differences) Rest(whole Sums) Sums { return whole.Minus(d.missing) }

// Whole says something about the package as such.
func (d *Differences) Whole(detail string) {
	d.faults = append(d.faults, domain.Fault{Code: "differs", Detail: detail})
}

// Faults lists the jobs, at most so many, and how many more there are.
func (d *Differences) Faults() []domain.Fault {
	if d.more == 0 {
		return d.faults
	}
	return append(d.faults, domain.Fault{Code: "differs", Detail: fmt.Sprintf("and %d more jobs", d.more)})
}

// ReportedColumns are the columns of jobs.csv that ReportedJob reads.
func ReportedColumns() []string {
	return []string{"job_id", "outcome", "returned_count", "before_cfm25", "after_cfm25", "reduction_cfm25",
		"outside_before_cfm25", "outside_after_cfm25", "outside_reduction_cfm25", "payable_cents", "held_back_cents",
		"energy_saved_kwh", "deemed_energy_saved_kwh"}
}

// ReportedJob reads a row of jobs.csv back into the job's part of each measure.
func ReportedJob(cells []string) (id domain.UUID, s Sums, err error) {
	if id, err = domain.ParseUUID(strings.TrimPrefix(cells[0], jobLetter)); err != nil {
		return id, s, fmt.Errorf("job_id: %w", err)
	}
	s[jobsAccepted] = 1
	if domain.Outcome(cells[1]) == domain.Completed {
		s[jobsCompleted] = 1
	}
	if cells[5] != "" {
		s[jobsWithReduction] = 1
	}
	if cells[8] != "" {
		s[jobsWithOutside] = 1
	}
	if cells[11] != "" {
		s[jobsWithSaving] = 1
	}
	if cells[12] != "" {
		s[jobsWithDeemedSaving] = 1
	}
	for place, cell := range map[int]string{timesReturned: cells[2], beforeTenths: cells[3], afterTenths: cells[4], reductionTenths: cells[5],
		outsideBeforeTenths: cells[6], outsideAfterTenths: cells[7], outsideReductionTenths: cells[8],
		payableCents: cells[9], heldBackCents: cells[10],
		savedKWh: cells[11], deemedSavedKWh: cells[12]} {
		if cell == "" {
			continue
		}
		// With its one decimal, a figure without its point is in tenths.
		if s[place], err = strconv.ParseInt(strings.Replace(cell, ".", "", 1), 10, 64); err != nil {
			return id, s, fmt.Errorf("a figure of job %s: %w", id, err)
		}
	}
	return id, s, nil
}

// ReportedSums reads lines of reconciliation.csv, as measure and cumulative,
// back into sums; a measure that a package of before did not have is 0.
func ReportedSums(cumulative map[string]string) (s Sums, err error) {
	for i, m := range Measures() {
		if cumulative[m.Name] == "" {
			continue
		}
		if s[i], err = strconv.ParseInt(cumulative[m.Name], 10, 64); err != nil {
			return s, fmt.Errorf("%s: %w", m.Name, err)
		}
	}
	return s, nil
}

// Explains is what a package that shows row for the job makes of it since the
// package before, and what the history says it should be. shown tells whether
// the job has a row.
func (h *History) Explains(r *Range, row Sums, shown bool) (packaged, history Sums) {
	history = h.SumsAt(r.Position)
	if h.Month < r.Month {
		history = history.Minus(h.SumsAt(r.Previous))
	}
	if shown {
		return row, history
	}
	var m Movement
	h.Move(r, &m)
	return m.Corrections.Minus(m.Voided), history
}
