package storage

import (
	"crypto/sha256"
	"fmt"
	"math"
	"slices"
	"strconv"

	"ductledger/domain"
	"ductledger/domain/intake"

	"github.com/go-json-experiment/json"
)

// An open job's row is overwritten; what was true at the first sending in and
// since the assignment stays. A job counts in the period of its first
// acceptance, also after it was opened again.
const resultUpsertSQL = `
INSERT INTO job_result AS r (program_id, job_id, serial, home_id, contractor_id, crew_lead_id, class, pay_basis, state, outcome,
    floor_area_ft2, before_tenths, after_tenths, extrapolated, below_range, must_fix_count, check_count, note_count, not_recorded_count,
    excluded, result, verdict, rule_set_id, method_version, inputs, input_digest, judged_at_position, assigned_at, sent_in_at,
    first_must_fix_count, first_not_recorded_count, returned_count, accepted_position, accepted_at, accepted_month,
    counted_at, worked_by, questions, measurable, stray_cut_count, steps, method, quality, together)
VALUES (@program_id, @job_id, @serial, @home_id, @contractor_id, @crew_lead_id, @class, @pay_basis, @state, @outcome,
    @floor_area_ft2, @before_tenths, @after_tenths, @extrapolated, @below_range, @must_fix_count, @check_count, @note_count, @not_recorded_count,
    @excluded, @result, @verdict, @rule_set_id, @method_version, @inputs, @input_digest, @judged_at_position, @at,
    CASE WHEN @sent_in THEN @at::timestamptz END, CASE WHEN @sent_in THEN @must_fix_count::integer END,
    CASE WHEN @sent_in THEN @not_recorded_count::integer END, @returned_count,
    @accepted_position, @accepted_at, @accepted_month,
    CASE WHEN @accepted_position::bigint IS NOT NULL THEN coalesce(
        (SELECT min(f.counted_at) FROM job_result AS f WHERE f.program_id = @program_id AND f.job_id = @job_id), @accepted_at) END,
    (SELECT array_agg(w.contractor_id ORDER BY w.place) FROM (
        SELECT m.contractor_id, min(x.place) AS place
        FROM unnest(@leads::uuid[]) WITH ORDINALITY AS x(lead_id, place)
        JOIN crew_member AS m ON m.program_id = @program_id AND m.id = x.lead_id
        GROUP BY m.contractor_id) AS w),
    @questions, @measurable, @stray_cut_count, @steps, @method, @quality, @together)
ON CONFLICT (program_id, job_id, serial) DO UPDATE SET contractor_id = excluded.contractor_id, crew_lead_id = excluded.crew_lead_id,
    class = excluded.class, pay_basis = excluded.pay_basis, state = excluded.state, outcome = excluded.outcome,
    floor_area_ft2 = excluded.floor_area_ft2, before_tenths = excluded.before_tenths, after_tenths = excluded.after_tenths,
    extrapolated = excluded.extrapolated, below_range = excluded.below_range, must_fix_count = excluded.must_fix_count, check_count = excluded.check_count,
    note_count = excluded.note_count, not_recorded_count = excluded.not_recorded_count, excluded = excluded.excluded,
    result = excluded.result, verdict = excluded.verdict, rule_set_id = excluded.rule_set_id,
    method_version = excluded.method_version, inputs = excluded.inputs, input_digest = excluded.input_digest,
    judged_at_position = excluded.judged_at_position, sent_in_at = coalesce(r.sent_in_at, excluded.sent_in_at),
    first_must_fix_count = coalesce(r.first_must_fix_count, excluded.first_must_fix_count),
    first_not_recorded_count = coalesce(r.first_not_recorded_count, excluded.first_not_recorded_count),
    returned_count = r.returned_count + excluded.returned_count,
    accepted_position = excluded.accepted_position, accepted_at = excluded.accepted_at, accepted_month = excluded.accepted_month,
    counted_at = excluded.counted_at, worked_by = excluded.worked_by, questions = excluded.questions, measurable = excluded.measurable,
    stray_cut_count = excluded.stray_cut_count, steps = excluded.steps,
    method = excluded.method, quality = excluded.quality, together = excluded.together`

// A frozen result ends where the job is opened again, voided or left by a person's
// decision about statistics; what stood until then can still be asked for.
const resultEndSQL = `
UPDATE job_result SET until_position = @position
WHERE program_id = @program_id AND job_id = @job_id AND serial = @serial AND until_position IS NULL`

// A person's decision about statistics changes nothing of what was frozen: from
// its position on the same acceptance stands, counted otherwise.
const resultMarkSQL = `
INSERT INTO job_result (program_id, job_id, serial, home_id, contractor_id, crew_lead_id, class, pay_basis, state, outcome,
    floor_area_ft2, before_tenths, after_tenths, extrapolated, below_range, must_fix_count, check_count, note_count, not_recorded_count,
    excluded, result, verdict, rule_set_id, method_version, inputs, input_digest, judged_at_position, assigned_at, sent_in_at,
    first_must_fix_count, first_not_recorded_count, returned_count, accepted_position, accepted_at, accepted_month,
    counted_at, worked_by, questions, measurable, stray_cut_count, steps, method, quality, together)
SELECT program_id, job_id, serial + 1, home_id, contractor_id, crew_lead_id, class, pay_basis, state, outcome,
    floor_area_ft2, before_tenths, after_tenths, extrapolated, below_range, must_fix_count, check_count, note_count, not_recorded_count,
    @excluded, result, verdict, rule_set_id, method_version, inputs, input_digest, judged_at_position, assigned_at, sent_in_at,
    first_must_fix_count, first_not_recorded_count, returned_count, @position, accepted_at, accepted_month,
    counted_at, worked_by, questions, measurable, stray_cut_count, steps, method, quality, together
FROM job_result
WHERE program_id = @program_id AND job_id = @job_id AND serial = @serial`

// writeResults queues the results of the touched jobs. A frozen one is left
// alone: later work is late and moves no figure.
func (t *tx) writeResults(head *lockedHead, judged []*judgedJob) error {
	for _, j := range judged {
		serial := max(j.touched.serial, 1)
		accepted := j.job.State == domain.Accepted && !j.void
		if j.touched.frozen {
			if accepted && j.excluded() == j.wasExcluded() {
				continue
			}
			frozen := named{"program_id": t.program, "job_id": j.jobID, "serial": serial, "position": head.Position, "excluded": j.excluded()}
			t.queue(resultEndSQL, frozen)
			if accepted {
				t.queue(resultMarkSQL, frozen)
				continue
			}
			serial++
		}
		args, err := j.resultArgs(t, head, serial)
		if err != nil {
			return err
		}
		t.queue(resultUpsertSQL, args)
	}
	return nil
}

func (j *judgedJob) resultArgs(t *tx, head *lockedHead, serial int) (named, error) {
	result, err := json.Marshal(j.result)
	if err != nil {
		return nil, fmt.Errorf("write the result of job %s: %w", j.jobID, err)
	}
	state := string(j.job.State)
	if j.void {
		state = "void"
	}
	inputs, digest, err := j.inputs()
	if err != nil {
		return nil, err
	}
	args := named{
		"program_id": t.program, "job_id": j.jobID, "serial": serial, "home_id": j.job.HomeID, "contractor_id": j.job.ContractorID,
		"crew_lead_id": j.crewLead(), "class": j.class(), "pay_basis": string(j.job.PayBasis), "state": state,
		"outcome": textArg(string(j.job.Outcome)), "floor_area_ft2": j.floorArea(), "before_tenths": j.result.BeforeTenths,
		"after_tenths": j.result.AfterTenths, "extrapolated": j.result.Extrapolated, "below_range": j.result.BelowRange, "must_fix_count": j.verdict.Counts.MustFix,
		"check_count": j.verdict.Counts.Check, "note_count": j.verdict.Counts.Note, "not_recorded_count": j.verdict.Counts.NotRecorded,
		"excluded": j.excluded(), "result": string(result), "rule_set_id": j.setID, "method_version": j.result.MethodVersion,
		"inputs": inputs, "input_digest": digest[:], "judged_at_position": head.Position, "at": head.RecordedAt,
		"sent_in": j.sentIn, "returned_count": j.returnedCount,
		"verdict": nil, "accepted_position": nil, "accepted_at": nil, "accepted_month": nil,
		"leads": [][16]byte{}, "questions": nil, "measurable": nil, "stray_cut_count": nil, "steps": nil,
		"method": textArg(string(j.result.Method)), "quality": textArg(string(j.result.Quality)), "together": j.together(),
	}
	if j.job.State != domain.Accepted || j.void {
		return args, nil
	}
	verdict, err := json.Marshal(j.verdict)
	if err != nil {
		return nil, fmt.Errorf("write the verdict on job %s: %w", j.jobID, err)
	}
	args["verdict"], args["accepted_position"], args["accepted_at"] = string(verdict), head.Position, head.RecordedAt
	args["accepted_month"] = string(domain.MonthOf(head.RecordedAt, j.outside.Zone))
	return args, j.forStatistics(args)
}

// inputs names what the result was made of: the ledger positions of the job's
// records and of those outside it, and the facts that stand in no record. The
// digest is over kinds, ids and versions, so that it does not depend on where
// in the ledger they stand.
func (j *judgedJob) inputs() (text string, digest [32]byte, err error) {
	var b, line []byte
	h := sha256.New()
	list := func(name string, entries []domain.Entry) {
		b = fmt.Appendf(b, `%q:[`, name)
		for i := range entries {
			e := &entries[i]
			if i > 0 {
				b = append(b, ',')
			}
			b = strconv.AppendInt(b, e.Position, 10)
			line = append(append(line[:0], e.Kind...), '/')
			line = append(e.ID.Append(line), '/')
			line = append(strconv.AppendInt(line, e.Version, 10), '\n')
			h.Write(line)
		}
		b = append(b, "],"...)
	}
	outside := slices.Clone(j.outside.Entries)
	slices.SortFunc(outside, func(x, y domain.Entry) int { return x.ID.Compare(y.ID) })
	b = append(b, '{')
	list("records", j.entries)
	list("outside", outside)
	more, err := json.Marshal(j.factsUsed())
	if err != nil {
		return "", digest, fmt.Errorf("write the inputs of job %s: %w", j.jobID, err)
	}
	fmt.Fprintf(h, "%s\n%s\n%s", more, j.setID, j.result.MethodVersion)
	b = fmt.Appendf(b, `"facts":%s}`, more)
	return string(b), [32]byte(h.Sum(nil)), nil
}

// numberEntries tells the judged jobs where in the ledger the entries stand that
// this push made, and which states they passed on the way.
func numberEntries(judged []*judgedJob, accepted []intake.Decision) {
	at := make(map[intake.Key]int64, len(accepted))
	for i := range accepted {
		at[accepted[i].Item.Key()] = accepted[i].Position
	}
	for _, j := range judged {
		before := j.touched.state()
		for i := range accepted {
			if job, ok := accepted[i].Item.Record.(*domain.Job); ok && accepted[i].Item.ID == j.jobID {
				j.sentIn = j.sentIn || job.State == domain.SentIn
				if job.State == domain.Returned && before != domain.Returned {
					j.returnedCount++
				}
				before = job.State
			}
		}
		for _, entries := range [][]domain.Entry{j.entries, j.outside.Entries} {
			for i := range entries {
				if e := &entries[i]; e.Position == 0 {
					e.Position = at[intake.Key{Kind: e.Kind, ID: e.ID}]
				}
			}
		}
	}
}

// crewLead is who led the first work visit.
func (j *judgedJob) crewLead() domain.UUID {
	var first *domain.Visit
	for _, v := range j.assembled.Visits {
		if v.Record.LeadID != nil && v.Record.CallBackID == nil && (first == nil || v.Record.VisitedOn < first.VisitedOn) {
			first = v.Record
		}
	}
	if first == nil {
		return domain.UUID{}
	}
	return *first.LeadID
}

func (j *judgedJob) class() string {
	if home := j.assembled.Home.Record; home != nil {
		return home.Class()
	}
	return "single"
}

func (j *judgedJob) floorArea() *float64 {
	if home := j.assembled.Home.Record; home != nil {
		return home.FloorAreaFt2
	}
	return nil
}

// excluded tells whether a person took the job out of statistics, by the
// newest of such reviews; wasExcluded the same before this push.
func (j *judgedJob) excluded() bool    { return excludedBy(j.entries) }
func (j *judgedJob) wasExcluded() bool { return excludedBy(j.touched.entries) }

func excludedBy(entries []domain.Entry) bool {
	newest, excluded := int64(-1), false
	for i := range entries {
		review, ok := entries[i].Record.(*domain.Review)
		if !ok || entries[i].Void != nil || review.Decision != domain.Exclude && review.Decision != domain.Include {
			continue
		}
		at := entries[i].Position
		if at == 0 {
			at = math.MaxInt64 // it comes now
		}
		if at > newest {
			newest, excluded = at, review.Decision == domain.Exclude
		}
	}
	return excluded
}
