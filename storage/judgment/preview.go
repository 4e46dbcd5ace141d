package judgment

import (
	"context"
	"fmt"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/rules"
	"ductledger/storage"
)

// Preview is what a rule set would have made of jobs that were accepted under
// others. Each job is judged twice over one and the same records, those that
// counted at its acceptance: by the set of its day and by the previewed one.
// What differs is therefore the set's doing alone. Nothing is stored.
type Preview struct {
	RuleSetID domain.UUID
	Position  int64 // where the ledger stood
	AsOfAt    time.Time
	Totals    *PreviewTotals // of the whole period; absent on later pages
	Jobs      []PreviewJob   // whose findings or pay change, by id
	More      bool           // there are others behind the last one
}

// PreviewTotals are figures of a whole period.
type PreviewTotals struct {
	Jobs    int   // judged
	Changed int   // whose findings or pay change
	Refused int   // that the set would not have let be accepted as they stood
	Before  int64 // cents, by the prices of their day, and by those of the set
	After   int64
	Rules   []PreviewRule
}

// PreviewRule is what one rule said over all jobs of the period.
type PreviewRule struct {
	Rule    string
	Changed int // jobs that gain or lose a finding of it
	Before  rules.Outcomes
	After   rules.Outcomes
}

// PreviewJob is one job with what comes and what goes.
type PreviewJob struct {
	JobID        domain.UUID
	ContractorID domain.UUID
	RuleSetID    domain.UUID // by which it was accepted
	AcceptedAt   time.Time
	Before       PreviewSide
	After        PreviewSide
	Gone         []rules.Finding
	Come         []rules.Finding
}

// PreviewSide is one verdict in numbers.
type PreviewSide struct {
	rules.Counts
	Open         int   // what would stop the acceptance
	PayableCents int64 // by the set's prices
}

// PreviewQuery names the set and the period in which jobs were first accepted.
type PreviewQuery struct {
	RuleSetID    domain.UUID
	From, Before domain.Date
	After        domain.UUID // the last job of the page before; totals are then left out
	Limit        int         // changed jobs at most
}

// previewBatch is how many jobs are in memory at once.
const previewBatch = 50

type previewRow struct {
	JobID            [16]byte
	ContractorID     [16]byte
	RuleSetID        *[16]byte
	AcceptedPosition int64
	AcceptedAt       time.Time
}

// Jobs that stand accepted, in the period of their first acceptance, as the
// month and the statistics count them.
const previewJobsSQL = `
SELECT r.job_id, r.contractor_id, r.rule_set_id, r.accepted_position, r.accepted_at
FROM job_result AS r
WHERE r.program_id = @program_id AND r.accepted_position IS NOT NULL AND r.until_position IS NULL
    AND r.counted_at >= @from AND r.counted_at < @before AND (@after::uuid IS NULL OR r.job_id > @after)
ORDER BY r.job_id
LIMIT @limit`

// ReadPreview judges what was accepted in a period by another rule set. It reads
// one snapshot, a few jobs at a time, and ends where the request's time ends.
func ReadPreview(ctx context.Context, db *storage.DB, caller domain.Caller, q PreviewQuery) (out Preview, err error) {
	err = db.In(ctx, caller.Program, storage.Survey, func(t *storage.Tx) error {
		out = Preview{RuleSetID: q.RuleSetID}
		return preview(t, &out, q)
	})
	return out, err
}

func preview(t *storage.Tx, out *Preview, q PreviewQuery) error {
	var head *storage.Head
	t.QueueHead(&head)
	program, err := t.Settings()
	if err != nil {
		return err
	}
	zone, err := program.Zone()
	if err != nil {
		return err
	}
	out.Position, out.AsOfAt = head.Position, head.RecordedAt
	past, err := t.ReadPast(zone)
	if err != nil {
		return err
	}
	asked, known := past.Sets[q.RuleSetID]
	if !known {
		return storage.NotFound(domain.RuleSetKind)
	}
	period, err := program.Period(q.From, q.Before)
	if err != nil {
		return err
	}
	if q.After.IsZero() {
		out.Totals = newTotals()
	}
	after := q.After
	for {
		var rows []previewRow
		storage.All(t, &rows, previewJobsSQL, storage.Args{"program_id": t.Program, "from": period.From, "before": period.Before, "after": after, "limit": previewBatch})
		if err := t.Flush(); err != nil {
			return err
		}
		if err := previewJobs(t, out, past, asked, rows, q.Limit); err != nil {
			return err
		}
		if len(rows) < previewBatch || out.More && out.Totals == nil {
			return nil
		}
		after = rows[len(rows)-1].JobID
	}
}

// previewJobs judges one batch.
func previewJobs(t *storage.Tx, out *Preview, past *storage.Past, asked storage.PastSet, rows []previewRow, limit int) error {
	at := make([]storage.JobAt, len(rows))
	for i, row := range rows {
		at[i] = storage.JobAt{JobID: row.JobID, ContractorID: row.ContractorID, Position: row.AcceptedPosition}
	}
	jobs, err := t.JobsAt(past, at)
	if err != nil {
		return err
	}
	for i, row := range rows {
		if err := t.Ctx.Err(); err != nil {
			return fmt.Errorf("preview at job %s: %w", domain.UUID(row.JobID), err)
		}
		then, verdictThen, err := sideOf(past.Sets[storage.IDOf(row.RuleSetID)], jobs[i])
		if err != nil {
			return fmt.Errorf("job %s: %w", domain.UUID(row.JobID), err)
		}
		now, verdictNow, err := sideOf(asked, jobs[i])
		if err != nil {
			return fmt.Errorf("job %s: %w", domain.UUID(row.JobID), err)
		}
		gone, come := differences(verdictThen.Findings, verdictNow.Findings)
		changed := len(gone)+len(come) > 0 || then.Open != now.Open || then.PayableCents != now.PayableCents
		if out.Totals != nil {
			out.Totals.Before += then.PayableCents
			out.Totals.After += now.PayableCents
			out.Totals.add(verdictThen, verdictNow, gone, come, changed, now.Open > 0)
		}
		if !changed {
			continue
		}
		if len(out.Jobs) == limit {
			out.More = true
			if out.Totals == nil {
				return nil
			}
			continue
		}
		out.Jobs = append(out.Jobs, PreviewJob{JobID: row.JobID, ContractorID: row.ContractorID, RuleSetID: storage.IDOf(row.RuleSetID),
			AcceptedAt: row.AcceptedAt, Before: then, After: now, Gone: gone, Come: come})
	}
	return nil
}

// sideOf is the verdict of one set on a job, in numbers and whole, and what its
// prices come to.
func sideOf(set storage.PastSet, job *rules.Assembled) (PreviewSide, rules.Verdict, error) {
	result, verdict, open := set.Judge(job)
	pay, err := set.Pay(job, &result)
	return PreviewSide{Counts: verdict.Counts, Open: len(open), PayableCents: pay.PayableCents}, verdict, err
}

// differences compares two verdicts on one job: what the first has and the
// second has not, and the other way round. A finding that keeps rule,
// subjects, outcome and severity is the same one, also where the limit that it
// was judged by is another.
func differences(before, after []rules.Finding) (gone, come []rules.Finding) {
	return without(before, after), without(after, before)
}

func without(list, other []rules.Finding) (left []rules.Finding) {
	for i := range list {
		f := &list[i]
		if !slices.ContainsFunc(other, func(g rules.Finding) bool {
			return g.Outcome == f.Outcome && g.Severity == f.Severity && g.Is(f.Ref())
		}) {
			left = append(left, *f)
		}
	}
	return left
}

// newTotals has a row for each rule, in the order of the work.
func newTotals() *PreviewTotals {
	t := &PreviewTotals{}
	for _, key := range rules.Keys() {
		t.Rules = append(t.Rules, PreviewRule{Rule: key})
	}
	return t
}

// add counts one job.
func (t *PreviewTotals) add(before, after rules.Verdict, gone, come []rules.Finding, changed, refused bool) {
	t.Jobs++
	if changed {
		t.Changed++
	}
	if refused {
		t.Refused++
	}
	for i := range t.Rules {
		r := &t.Rules[i]
		addOutcomes(&r.Before, before.Of(r.Rule).Outcomes)
		addOutcomes(&r.After, after.Of(r.Rule).Outcomes)
		of := func(f rules.Finding) bool { return f.Rule == r.Rule }
		if slices.ContainsFunc(gone, of) || slices.ContainsFunc(come, of) {
			r.Changed++
		}
	}
}

func addOutcomes(sum *rules.Outcomes, o rules.Outcomes) {
	sum.Holds += o.Holds
	sum.Broken += o.Broken
	sum.NotRecorded += o.NotRecorded
	sum.NotApplicable += o.NotApplicable
	sum.NotJudged += o.NotJudged
	sum.Waived += o.Waived
}
