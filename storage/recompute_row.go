package storage

import (
	"bytes"
	"fmt"
	"strconv"
	"time"

	"ductledger/domain"
)

// A row with what is needed to make it again.
const recomputeRowsSQL = `
SELECT r.job_id, r.serial, r.judged_at_position, r.accepted_position IS NULL AND r.until_position IS NULL AS open,
    (SELECT l.recorded_at FROM ledger AS l WHERE l.program_id = r.program_id AND l.kind = 'job' AND l.record_id = r.job_id AND l.version = 1) AS first_recorded_at,
    (SELECT l.recorded_at FROM ledger AS l WHERE l.program_id = r.program_id AND l.position = r.judged_at_position) AS judged_at,
    r.home_id, r.contractor_id, r.crew_lead_id, r.class, r.pay_basis, r.state, r.outcome, r.floor_area_ft2::float8 AS floor_area_ft2,
    r.before_tenths, r.after_tenths, r.extrapolated, r.below_range, r.must_fix_count, r.check_count, r.note_count, r.not_recorded_count,
    r.excluded, r.result, r.verdict, r.rule_set_id, r.method_version, r.inputs, r.input_digest,
    r.accepted_position, r.accepted_at, r.accepted_month,
    EXISTS (SELECT FROM job_result AS f WHERE f.program_id = r.program_id AND f.job_id = r.job_id AND f.serial < r.serial
        AND f.judged_at_position = r.judged_at_position AND f.accepted_position IS NOT NULL) AS marked
FROM job_result AS r
WHERE r.program_id = @program_id AND (@job_id::uuid IS NULL OR r.job_id = @job_id)
    AND (@after::uuid IS NULL OR (r.job_id, r.serial) > (@after, @after_serial::integer))
ORDER BY r.job_id, r.serial
LIMIT @limit`

type recomputeRow struct {
	JobID            [16]byte
	Serial           int32
	JudgedAtPosition int64
	Open             bool
	FirstRecordedAt  *time.Time
	JudgedAt         *time.Time
	HomeID           [16]byte
	ContractorID     [16]byte
	CrewLeadID       *[16]byte
	Class            string
	PayBasis         string
	State            string
	Outcome          *string
	FloorAreaFt2     *float64
	BeforeTenths     *int64
	AfterTenths      *int64
	Extrapolated     bool
	BelowRange       bool
	MustFixCount     int32
	CheckCount       int32
	NoteCount        int32
	NotRecordedCount int32
	Excluded         bool
	Result           string
	Verdict          *string
	RuleSetID        *[16]byte
	MethodVersion    string
	Inputs           string
	InputDigest      []byte
	AcceptedPosition *int64
	AcceptedAt       *time.Time
	AcceptedMonth    *string
	// Marked tells a row that repeats an acceptance from the position on at
	// which a person took it out of the statistics or into them.
	Marked bool
}

// differs compares the stored columns with the ones made again.
func (r *recomputeRow) differs(made named) (list []string) {
	for _, c := range []struct {
		column string
		stored any
	}{
		{"home_id", domain.UUID(r.HomeID)}, {"contractor_id", domain.UUID(r.ContractorID)}, {"crew_lead_id", idOf(r.CrewLeadID)},
		{"class", r.Class}, {"pay_basis", r.PayBasis}, {"state", r.State}, {"outcome", r.Outcome}, {"floor_area_ft2", r.FloorAreaFt2},
		{"before_tenths", r.BeforeTenths}, {"after_tenths", r.AfterTenths}, {"extrapolated", r.Extrapolated}, {"below_range", r.BelowRange},
		{"must_fix_count", r.MustFixCount}, {"check_count", r.CheckCount}, {"note_count", r.NoteCount}, {"not_recorded_count", r.NotRecordedCount},
		{"excluded", r.Excluded}, {"result", r.Result}, {"verdict", r.Verdict}, {"rule_set_id", idOf(r.RuleSetID)}, {"method_version", r.MethodVersion},
		{"inputs", r.Inputs}, {"input_digest", r.InputDigest}, {"accepted_position", r.AcceptedPosition}, {"accepted_at", r.AcceptedAt},
		{"accepted_month", r.AcceptedMonth},
	} {
		if r.Marked && (c.column == "excluded" || c.column == "accepted_position") {
			continue // of the decision, not of the inputs
		}
		stored, again := cell(c.stored), cell(made[c.column])
		if !bytes.Equal(stored, again) {
			list = append(list, c.column+": "+firstDifference(stored, again))
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
