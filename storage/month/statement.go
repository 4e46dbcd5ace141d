package month

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"ductledger/domain"
	"ductledger/domain/month"
	"ductledger/domain/rules"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
)

// A Statement is what a contractor is paid for a month: by each fund, what stands
// at the position of its package.
type Statement struct {
	Contractor string // its name
	Parts      []StatementPart
	Totals     month.StatementTotals
	Lines      []month.StatementLine // of one page
	More       bool
}

// A StatementPart is where the lines of one fund are cut.
type StatementPart struct {
	Plan
	Package *Package // whose position it is; nil: there is none that holds yet
}

// Newest is the part that was cut last.
func (s *Statement) Newest() *StatementPart {
	newest := &s.Parts[0]
	for i := range s.Parts {
		if s.Parts[i].Position > newest.Position {
			newest = &s.Parts[i]
		}
	}
	return newest
}

const statementPackageSQL = `
SELECT` + packageColumns + `
FROM month_package AS p
WHERE p.program_id = @program_id AND p.month = @month AND p.fund_source = @fund AND p.state IN ('released', 'verified')
ORDER BY p.state = 'released' DESC, p.revision DESC
LIMIT 1`

const statementContractorSQL = `
SELECT e.body FROM entry AS e
WHERE e.program_id = @program_id AND e.kind = 'contractor' AND e.record_id = @contractor AND e.until_position IS NULL`

// ReadStatement reads a contractor's month, for each fund at the position of its
// released package, else of its newest verified one, else where the package
// would be cut; of one fund alone where it is named. Lines are numbered from 1;
// the page begins behind after.
func ReadStatement(ctx context.Context, db *storage.DB, caller domain.Caller, contractor domain.UUID, m domain.Month, fund string, after int64, limit int) (out Statement, err error) {
	err = db.In(ctx, caller.Program, storage.Survey, func(t *storage.Tx) error {
		out = Statement{}
		var known *struct{ Body string }
		storage.One(t, &known, statementContractorSQL, storage.Args{"program_id": t.Program, "contractor": contractor})
		if err := t.Flush(); err != nil {
			return err
		}
		if known == nil {
			return storage.NotFound(domain.ContractorKind)
		}
		var firm domain.Contractor
		if err := json.Unmarshal([]byte(known.Body), &firm); err != nil {
			return fmt.Errorf("contractor %s: %w", contractor, err)
		}
		out.Contractor = firm.Name
		funds, err := fundsAt(t, m)
		if err != nil {
			return err
		}
		parts := funds.Parts()
		if fund != "" {
			one, err := funds.Package(fund)
			if err != nil {
				return err
			}
			parts = []string{one}
		}
		number := int64(0)
		for _, of := range parts {
			part, err := planStatement(t, m, of)
			if err != nil {
				return err
			}
			out.Parts = append(out.Parts, part)
			err = statementLines(t, &part.Plan, contractor, func(l *month.StatementLine) error {
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
			if err != nil {
				return err
			}
		}
		return out.number(t)
	})
	return out, err
}

// number gives the page's lines the numbers of their jobs.
func (s *Statement) number(t *storage.Tx) error {
	jobs := make([]domain.UUID, len(s.Lines))
	for i := range s.Lines {
		jobs[i] = s.Lines[i].JobID
	}
	numbers, err := t.JobNumbers(jobs)
	for i := range s.Lines {
		s.Lines[i].JobNumber = numbers[s.Lines[i].JobID]
	}
	return err
}

// planStatement takes the range of a package that stands; what no package holds
// is cut where the month's packages would be.
func planStatement(t *storage.Tx, m domain.Month, fund string) (part StatementPart, err error) {
	var row *packageRow
	storage.One(t, &row, statementPackageSQL, storage.Args{"program_id": t.Program, "month": string(m), "fund": fund})
	if err := t.Flush(); err != nil {
		return part, err
	}
	if part.Package, err = packOf(row); err != nil {
		return part, err
	}
	if p := part.Package; p != nil {
		part.Plan = Plan{Range: month.Range{Month: m, Fund: fund, Previous: p.PreviousPosition, Position: p.Position}, AsOf: p.AsOf, Finished: p.Finished, Revision: p.Revision}
		if part.Funds, err = fundsAt(t, m); err != nil {
			return part, err
		}
		if part.Program, err = t.Settings(); err != nil {
			return part, err
		}
		part.Zone, err = part.Program.Zone()
		return part, err
	}
	part.Plan, err = planMonth(t, m, fund, 0, false)
	return part, err
}

// Of the jobs that the contractor ever had accepted, those that something
// happened to since the package before; where hold-backs or call-backs have a
// price, all, since an inspection or a complaint may have moved one. As an array they
// are found first, not looked for among all.
const statementHistorySQL = monthAcceptancesSQL + `
    AND r.job_id = ANY (ARRAY(SELECT c.job_id FROM job_result AS c
        WHERE c.program_id = @program_id AND c.contractor_id = @contractor AND c.accepted_position IS NOT NULL
            AND (@holds::boolean OR @call_backs::boolean OR c.accepted_position > @previous OR c.until_position > @previous)))` + monthHistoryOrderSQL

const statementJobsSQL = monthStandingJobsSQL + `
    AND r.contractor_id = @contractor` + monthJobsOrderSQL

// statementLines calls use with the lines of the month, then those of
// corrections, then those of jobs that are not accepted.
func statementLines(t *storage.Tx, plan *Plan, contractor domain.UUID, use func(*month.StatementLine) error) error {
	r := &reader{t: t, plan: plan}
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

type statementOpenRow struct {
	JobID     [16]byte
	RuleSetID *[16]byte
}

// Jobs that the contractor held at the position, sent in and not accepted.
const statementOpenSQL = `
SELECT s.job_id, r.rule_set_id
FROM job_scope AS s
JOIN entry AS e ON e.program_id = s.program_id AND e.kind = 'job' AND e.record_id = s.job_id AND e.position <= @position
    AND (e.until_position IS NULL OR e.until_position > @position) AND e.voided_at IS NULL
    AND e.body::jsonb ->> 'state' IN ('sent_in', 'returned') AND (e.body::jsonb ->> 'contractor_id')::uuid = s.contractor_id
JOIN LATERAL (SELECT r.rule_set_id FROM job_result AS r
    WHERE r.program_id = s.program_id AND r.job_id = s.job_id
    ORDER BY r.serial DESC LIMIT 1) AS r ON true
WHERE s.program_id = @program_id AND s.contractor_id = @contractor AND s.granted_position <= @position
ORDER BY s.job_id`

// notAccepted calls use with what the contractor may expect for jobs that are
// sent in, and what withholds it: each is judged over its records as they stood
// at the position.
func (r *reader) notAccepted(contractor domain.UUID, use func(*month.StatementLine) error) error {
	var rows []statementOpenRow
	storage.All(r.t, &rows, statementOpenSQL, r.args)
	if err := r.t.Flush(); err != nil || len(rows) == 0 {
		return err
	}
	past, err := r.t.ReadPast(r.plan.Zone)
	if err != nil {
		return err
	}
	for batch := range slices.Chunk(rows, jobsAtOnce) {
		asked := make([]storage.JobAt, len(batch))
		for i, row := range batch {
			asked[i] = storage.JobAt{JobID: row.JobID, ContractorID: contractor, Position: r.plan.Position}
		}
		jobs, err := r.t.JobsAt(past, asked)
		if err != nil {
			return err
		}
		for i, row := range batch {
			set := past.Sets[storage.IDOf(row.RuleSetID)]
			fund := set.Record.Fund(jobs[i].Job.Record.FundSource)
			if r.plan.Fund != "" && r.plan.Fund != cmp.Or(fund, month.WithoutFund) {
				continue
			}
			if err := expected(row.JobID, jobs[i], set, fund, use); err != nil {
				return fmt.Errorf("job %s: %w", domain.UUID(row.JobID), err)
			}
		}
	}
	return nil
}

// jobsAtOnce is how many jobs are in memory together.
const jobsAtOnce = 50

// expected gives the lines of one job that is not accepted.
func expected(id domain.UUID, job *rules.Assembled, set storage.PastSet, fund string, use func(*month.StatementLine) error) error {
	result, _, faults := set.Judge(job)
	pay, err := set.Pay(job, &result)
	if err != nil {
		return err
	}
	open := []string{}
	for _, f := range faults {
		if !slices.Contains(open, f.Code) {
			open = append(open, f.Code)
		}
	}
	lines := pay.Lines
	if len(lines) == 0 {
		lines = []month.PayLine{{FundSource: fund}} // nothing to be paid, and still not accepted
	}
	for i, p := range lines {
		l := month.StatementLine{JobID: id, CountedAs: month.CountedNotAccepted, Number: i + 1, PayLine: p, ExpectedCents: p.AmountCents}
		l.ProductCents, l.LimitedBy, l.AmountCents, l.HeldBackCents = 0, "", 0, 0
		if p.State != month.Unpaid {
			l.State, l.Withheld = month.Withheld, slices.Clone(open)
			if p.WithheldBy != "" {
				l.Withheld = append(l.Withheld, p.WithheldBy)
			}
			if len(l.Withheld) == 0 {
				l.Withheld = []string{month.NotAccepted}
			}
		}
		if err := use(&l); err != nil {
			return err
		}
	}
	return nil
}
