package storage

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"
	"time"
)

// A row with what is needed to make it again.
var recomputeRowsSQL = `
SELECT ` + listOf(resultColumns, "r.") + `, r.accepted_position IS NULL AND r.until_position IS NULL AS open,
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
	resultRow
	Open            bool
	FirstRecordedAt *time.Time
	JudgedAt        *time.Time
	// Marked tells a row that repeats an acceptance from the position on at
	// which a person took it out of the statistics or into them.
	Marked bool
}

// notRemade are the columns that count moments on the way, or stand on who
// belonged to whom at that moment, and where the row ended.
var notRemade = []string{"program_id", "job_id", "serial", "judged_at_position", "assigned_at", "sent_in_at", "first_must_fix_count",
	"first_not_recorded_count", "returned_count", "counted_at", "worked_by", "until_position"}

// differs compares the stored columns with the ones made again.
func (r *recomputeRow) differs(made *resultRow) (list []string) {
	stored, again := argsOf(&r.resultRow), argsOf(made)
	for _, column := range resultColumns {
		if slices.Contains(notRemade, column) || r.Marked && (column == "excluded" || column == "accepted_position") {
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
