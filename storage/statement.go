package storage

import (
	"context"

	"ductledger/domain"
	"ductledger/domain/month"
)

// Statement is what a contractor is paid for a month, at the position of the
// month's package.
type Statement struct {
	MonthPlan
	Package *Package // whose position it is; nil: there is none that holds yet
	Totals  month.StatementTotals
	Lines   []month.StatementLine // of one page
	More    bool
}

const statementPackageSQL = `
SELECT` + packageColumns + `
FROM month_package AS p
WHERE p.program_id = @program_id AND p.month = @month AND p.state IN ('released', 'verified')
ORDER BY p.state = 'released' DESC, p.revision DESC
LIMIT 1`

const statementContractorSQL = `
SELECT count(*) AS count FROM entry
WHERE program_id = @program_id AND kind = 'contractor' AND record_id = @contractor AND until_position IS NULL`

// Statement reads a contractor's month at the position of its released
// package, else of its newest verified one, else where the package would be
// cut. Lines are numbered from 1; the page begins behind after.
func (db *DB) Statement(ctx context.Context, caller domain.Caller, contractor domain.UUID, m domain.Month, after int64, limit int) (out Statement, err error) {
	err = db.In(ctx, caller.Program, Survey, func(t *Tx) error {
		out = Statement{}
		var row *packageRow
		var known []countRow
		One(t, &row, statementPackageSQL, Args{"program_id": t.Program, "month": string(m)})
		All(t, &known, statementContractorSQL, Args{"program_id": t.Program, "contractor": contractor})
		if err := t.Flush(); err != nil {
			return err
		}
		if known[0].Count == 0 {
			return notFound(domain.ContractorKind)
		}
		if out.Package, err = packOf(row); err != nil {
			return err
		}
		if out.MonthPlan, err = t.planStatement(out.Package, m); err != nil {
			return err
		}
		number := int64(0)
		return t.statementLines(&out.MonthPlan, contractor, func(l *month.StatementLine) error {
			out.Totals.Add(l)
			number++
			switch {
			case number <= after:
			case len(out.Lines) < limit:
				out.Lines = append(out.Lines, *l)
			default:
				out.More = true
			}
			return nil
		})
	})
	return out, err
}

// planStatement takes the range of a package that stands.
func (t *Tx) planStatement(p *Package, m domain.Month) (plan MonthPlan, err error) {
	if p == nil {
		return t.planMonth(m, 0, false)
	}
	plan = MonthPlan{Range: month.Range{Month: m, Previous: p.PreviousPosition, Position: p.Position}, AsOf: p.AsOf, Finished: p.Finished, Revision: p.Revision}
	if plan.Program, err = t.Settings(); err != nil {
		return plan, err
	}
	plan.Zone, err = plan.Program.Zone()
	return plan, err
}

// Of the jobs that the contractor ever had accepted, those that something
// happened to since the package before; where hold-backs or call-backs have a
// price, all, since an inspection or a complaint may have moved one.
const statementHistorySQL = monthAcceptancesSQL + `
    AND r.job_id IN (SELECT c.job_id FROM job_result AS c
        WHERE c.program_id = @program_id AND c.contractor_id = @contractor AND (@holds::boolean OR @call_backs::boolean OR c.accepted_position > @previous OR c.until_position > @previous))` + monthHistoryOrderSQL

const statementJobsSQL = monthStandingJobsSQL + `
    AND r.contractor_id = @contractor` + monthJobsOrderSQL

// statementLines calls use with the lines of the month, then those of
// corrections, then those of jobs that are not accepted.
func (t *Tx) statementLines(plan *MonthPlan, contractor domain.UUID, use func(*month.StatementLine) error) error {
	r := &monthReader{t: t, plan: plan}
	if err := r.open(); err != nil {
		return err
	}
	r.args["contractor"] = contractor
	var corrections []month.StatementLine
	err := r.eachHistory(statementHistorySQL, func(h *month.History) error {
		if h.IsLate(&plan.Range) {
			r.late = append(r.late, h.JobID)
		}
		return h.PayCorrections(&plan.Range, contractor, func(l *month.StatementLine) error {
			corrections = append(corrections, *l)
			return nil
		})
	})
	if err != nil {
		return err
	}
	r.args["late"] = r.late
	err = r.eachJob(statementJobsSQL, func(row *month.AcceptedJob, work *month.Work) error {
		for i, p := range work.Pay.Lines {
			l := month.StatementLine{JobID: row.JobID, Month: domain.Month(row.AcceptedMonth), CountedAs: month.CountedNew, Number: i + 1, PayLine: p}
			if l.Month != plan.Month {
				l.CountedAs = month.CountedLate
			}
			if p.WithheldBy != "" {
				l.Withheld = []string{p.WithheldBy}
			}
			if err := use(&l); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	for i := range corrections {
		if err := use(&corrections[i]); err != nil {
			return err
		}
	}
	return r.notAccepted(contractor, use)
}
