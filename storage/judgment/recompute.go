package judgment

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"strconv"
	"time"

	"ductledger/domain"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
)

// Recomputed is one row of job_result, made again from the ledger.
type Recomputed struct {
	JobID   domain.UUID
	Serial  int
	Differs []string // columns whose content differs, with what stands there and what was made
}

// Same tells whether all columns are the same, to the byte.
func (r Recomputed) Same() bool { return len(r.Differs) == 0 }

// recomputePage bounds the rows that are held at once.
const recomputePage = 50

// The newest versions of a job's records at a position; at the head for NULL.
const recomputeRecordsSQL = `
SELECT` + storage.EntryColumns + `
FROM entry AS e
WHERE e.program_id = @program_id AND e.job_id = @job_id AND e.position <= coalesce(@position::bigint, e.position)
    AND (e.until_position IS NULL OR e.until_position > @position)
ORDER BY e.position`

const recomputeOutsideSQL = `
SELECT` + storage.EntryColumns + `
FROM entry AS e
WHERE e.program_id = @program_id AND e.position = ANY (@positions)`

// The rule set as it stood; once in force it does not change.
const recomputeRuleSetSQL = `
SELECT` + storage.EntryColumns + `
FROM entry AS e
WHERE e.program_id = @program_id AND e.kind = 'rule_set' AND e.record_id = @rule_set_id
    AND e.position <= @position AND (e.until_position IS NULL OR e.until_position > @position)`

// Recompute makes the rows of job_result again, of one job or, with a zero id,
// of all: from the job's records in the ledger, and from the versions and
// facts that job_result.inputs names. each is told of every row. Nothing is
// written. What counts moments on the way and not the state (assigned_at,
// sent_in_at and the counts of that moment, returned_count, counted_at) is
// left out.
func Recompute(ctx context.Context, db *storage.DB, program, job domain.UUID, each func(Recomputed) error) error {
	return db.In(ctx, program, storage.Survey, func(t *storage.Tx) error {
		settings, err := t.Settings()
		if err != nil {
			return err
		}
		zone, err := settings.Zone()
		if err != nil {
			return err
		}
		args := storage.Args{"program_id": program, "job_id": job, "after": domain.UUID{}, "after_serial": 0, "limit": recomputePage}
		for {
			var rows []recomputeRow
			storage.All(t, &rows, recomputeRowsSQL, args)
			if err := t.Flush(); err != nil {
				return err
			}
			if err := recompute(t, zone, rows, each); err != nil {
				return err
			}
			if len(rows) < recomputePage {
				return nil
			}
			last := rows[len(rows)-1]
			args["after"], args["after_serial"] = domain.UUID(last.JobID), last.Serial
		}
	})
}

// recompute makes one page of rows again, reading for all in one round trip.
func recompute(t *storage.Tx, zone *time.Location, rows []recomputeRow, each func(Recomputed) error) error {
	list := make([]storage.Remaking, len(rows))
	for i := range rows {
		row, r := &rows[i], &list[i]
		r.JobID, r.Serial, r.JudgedAt.Position = row.JobID, int(row.Serial), row.JudgedAtPosition
		if err := json.Unmarshal([]byte(row.Inputs), &r.Inputs, json.RejectUnknownMembers(true)); err != nil {
			return fmt.Errorf("the inputs of job %s cannot be read: %w", r.JobID, err)
		}
		args := storage.Args{"program_id": t.Program, "job_id": r.JobID, "position": row.JudgedAtPosition,
			"positions": r.Inputs.Outside, "rule_set_id": storage.IDOf(row.RuleSetID)}
		storage.All(t, &r.Outside, recomputeOutsideSQL, args)
		storage.All(t, &r.Sets, recomputeRuleSetSQL, args)
		records := storage.Args{"program_id": t.Program, "job_id": r.JobID, "position": row.JudgedAtPosition}
		at := []int64{row.JudgedAtPosition}
		if row.Open { // a version that no judgment saw shows as a difference
			records["position"], at = nil, []int64{}
		}
		t.ReadReplaced(&r.Past, []domain.UUID{r.JobID}, at)
		storage.All(t, &r.Records, recomputeRecordsSQL, records)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for i := range list {
		row := &rows[i]
		out := Recomputed{JobID: row.JobID, Serial: int(row.Serial)}
		if made, err := remake(row, &list[i], zone); err != nil {
			out.Differs = []string{"it cannot be made again: " + err.Error()}
		} else {
			out.Differs = row.differs(made)
		}
		if err := each(out); err != nil {
			return err
		}
	}
	return nil
}

func remake(row *recomputeRow, r *storage.Remaking, zone *time.Location) (*storage.ResultRow, error) {
	if row.FirstRecordedAt == nil || row.JudgedAt == nil {
		return nil, storage.ErrVersionMissing
	}
	r.FirstRecordedAt, r.JudgedAt.RecordedAt = *row.FirstRecordedAt, *row.JudgedAt
	r.AcceptedAt, r.AcceptedMonth = row.AcceptedAt, row.AcceptedMonth
	return r.Remake(zone)
}

// A row with what is needed to make it again.
var recomputeRowsSQL = `
SELECT ` + storage.ListOf(storage.ResultColumns, "r.") + `, r.accepted_position IS NULL AND r.until_position IS NULL AS open,
    (SELECT j.recorded_at FROM job AS j WHERE j.program_id = r.program_id AND j.id = r.job_id) AS first_recorded_at,
    (SELECT e.recorded_at FROM entry AS e WHERE e.program_id = r.program_id AND e.position = r.judged_at_position) AS judged_at,
    EXISTS (SELECT FROM job_result AS f WHERE f.program_id = r.program_id AND f.job_id = r.job_id AND f.serial < r.serial
        AND f.judged_at_position = r.judged_at_position AND f.accepted_position IS NOT NULL) AS marked
FROM job_result AS r
WHERE r.program_id = @program_id AND (@job_id::uuid IS NULL OR r.job_id = @job_id)
    AND (@after::uuid IS NULL OR (r.job_id, r.serial) > (@after, @after_serial::integer))
ORDER BY r.job_id, r.serial
LIMIT @limit`

type recomputeRow struct {
	storage.ResultRow
	Open            bool
	FirstRecordedAt *time.Time
	JudgedAt        *time.Time
	// Marked tells a row that repeats an acceptance from the position on at
	// which a person took it out of the statistics or into them, or at which
	// pictures had arrived that its payment waited for.
	Marked bool
}

// notRemade are the columns that count moments on the way, or stand on who
// belonged to whom at that moment, and where the row ended.
var notRemade = []string{"program_id", "job_id", "serial", "judged_at_position", "assigned_at", "sent_in_at", "first_must_fix_count",
	"first_not_recorded_count", "returned_count", "counted_at", "worked_by", "until_position"}

// differs compares the stored columns with the ones made again.
func (r *recomputeRow) differs(made *storage.ResultRow) (list []string) {
	stored, again := storage.ArgsOf(&r.ResultRow), storage.ArgsOf(made)
	for _, column := range storage.ResultColumns {
		if slices.Contains(notRemade, column) || r.Marked && (column == "excluded" || column == "accepted_position" || column == "pictures_owed_count") {
			continue // the latter are of the decision, not of the inputs
		}
		a, b := cell(stored[column]), cell(again[column])
		if !bytes.Equal(a, b) {
			list = append(list, column+": "+firstDifference(a, b))
		}
	}
	return list
}

// cell is a column's content as bytes that differ where the content does.
func cell(value any) []byte {
	switch v := value.(type) {
	case nil:
		return nil
	case []byte:
		return v
	case *string:
		if v != nil {
			return []byte(*v)
		}
		return nil
	case *[16]byte:
		if v != nil {
			return v[:]
		}
		return nil
	case *bool:
		if v != nil {
			return strconv.AppendBool(nil, *v)
		}
		return nil
	case *int32:
		if v != nil {
			return strconv.AppendInt(nil, int64(*v), 10)
		}
		return nil
	case *int64:
		if v != nil {
			return strconv.AppendInt(nil, *v, 10)
		}
		return nil
	case *float64:
		if v != nil {
			return strconv.AppendFloat(nil, *v, 'g', -1, 64)
		}
		return nil
	case *time.Time:
		if v != nil {
			return cell(*v)
		}
		return nil
	case time.Time:
		return v.UTC().AppendFormat(nil, time.RFC3339Nano)
	}
	return fmt.Append(nil, value)
}

// shownDifference is how much of a differing text is shown, in bytes.
const shownDifference = 60

// firstDifference shows both texts from shortly before the first byte that differs.
func firstDifference(stored, again []byte) string {
	n := 0
	for n < len(stored) && n < len(again) && stored[n] == again[n] {
		n++
	}
	show := func(b []byte) string {
		from := max(n-shownDifference/3, 0)
		return strconv.Quote(string(b[from:min(len(b), from+shownDifference)]))
	}
	return fmt.Sprintf("from byte %d on %s stands, %s was made", n, show(stored), show(again))
}
