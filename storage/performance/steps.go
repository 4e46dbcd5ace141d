package performance

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash"
	"iter"
	"slices"

	"ductledger/domain"
	"ductledger/domain/performance"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
	"github.com/jackc/pgx/v5"
)

// RepairSteps is what the jobs of a period tell about kinds of repair.
type RepairSteps struct {
	JobsCount int
	UsedCount int // jobs that give a step
	LeftOut   []performance.LeftOut
	// PairsLeftOut counts pairs of readings between which no step lies, by reason.
	PairsLeftOut []performance.LeftOut

	digest hash.Hash
}

// Digest is of the rows read, in the order of their ids: equal for equal jobs.
func (s *RepairSteps) Digest() string { return hex.EncodeToString(s.digest.Sum(nil)) }

type stepsRow struct {
	JobID        [16]byte
	HomeID       [16]byte
	Together     *int64
	PayBasis     string
	Excluded     bool
	BeforeTenths *int64
	AfterTenths  *int64
	Steps        *string
	Method       *string
	Class        string
	Undecided    bool
}

const stepsSQL = `
SELECT job_id, home_id, together, pay_basis, excluded, before_tenths, after_tenths, steps, method, class, coalesce(quality = 'undecided', false) AS undecided
FROM job_result
WHERE program_id = @program_id AND counted_at >= @from AND counted_at < @before AND accepted_position IS NOT NULL
    AND accepted_position <= @position AND (until_position IS NULL OR until_position > @position)
ORDER BY job_id`

// Reasons for which a job gives no step.
const (
	noRepairs     = "no_repairs"
	stepsNotKnown = "not_known" // accepted before steps were kept
)

// RepairSteps are the steps frozen with the jobs, those of one job together; out
// counts the jobs of the last whole reading. A job without a step of its own
// gives its whole reduction to each kind of repair in it: that is an
// association.
func (p *Population) RepairSteps(out *RepairSteps) iter.Seq2[[]performance.Step, error] {
	return func(yield func([]performance.Step, error) bool) {
		*out = RepairSteps{digest: sha256.New()}
		left, pairs := map[string]int{}, map[string]int{}
		rows, err := p.t.Query(stepsSQL, p.args)
		if err != nil {
			yield(nil, err)
			return
		}
		defer rows.Close()
		for rows.Next() {
			steps, reason, err := out.read(rows, p.Period.Quantity, pairs)
			if reason != "" {
				left[reason]++
				continue
			}
			if !yield(steps, err) || err != nil {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(nil, err)
		}
		out.LeftOut, out.PairsLeftOut = countsOf(left), countsOf(pairs)
	}
}

// read takes the row in hand; a job that gives no step has a reason.
func (s *RepairSteps) read(rows pgx.Rows, of domain.Quantity, pairs map[string]int) (steps []performance.Step, reason string, err error) {
	row, err := pgx.RowToStructByName[stepsRow](rows)
	if err != nil {
		return nil, "", err
	}
	s.JobsCount++
	if err := json.MarshalWrite(s.digest, row); err != nil {
		return nil, "", err
	}
	if steps, reason, err = row.read(of, pairs); err == nil && reason == "" {
		s.UsedCount++
	}
	return steps, reason, err
}

func (r *stepsRow) read(of domain.Quantity, pairs map[string]int) (steps []performance.Step, reason string, err error) {
	job := performance.Job{PayBasis: r.PayBasis, Excluded: r.Excluded, BeforeTenths: r.BeforeTenths, AfterTenths: r.AfterTenths,
		Quantity: domain.Method(storage.OrZero(r.Method)).Quantity(), Undecided: r.Undecided}
	if reason := job.LeftOutReason(of); reason != "" {
		return nil, reason, nil
	}
	if r.Steps == nil {
		return nil, stepsNotKnown, nil
	}
	var frozen storage.FrozenSteps
	if err := json.Unmarshal([]byte(*r.Steps), &frozen); err != nil {
		return nil, "", fmt.Errorf("steps of job %s: %w", domain.UUID(r.JobID), err)
	}
	for _, why := range frozen.LeftOut {
		pairs[why]++
	}
	for _, s := range frozen.Steps {
		steps = append(steps, performance.Step{JobID: r.JobID, HomeID: r.HomeID, Together: uint64(storage.OrZero(r.Together)), RepairType: s.Kind, HomeClass: r.Class, Basis: performance.BasisInterim, BeforeTenths: s.BeforeTenths, AfterTenths: s.AfterTenths})
	}
	if len(steps) == 0 {
		for _, kind := range frozen.Kinds {
			steps = append(steps, performance.Step{JobID: r.JobID, HomeID: r.HomeID, Together: uint64(storage.OrZero(r.Together)), RepairType: kind, HomeClass: r.Class, Basis: performance.BasisWholeJob, BeforeTenths: *r.BeforeTenths, AfterTenths: *r.AfterTenths})
		}
	}
	if len(steps) == 0 {
		return nil, noRepairs, nil
	}
	return steps, "", nil
}

func countsOf(by map[string]int) []performance.LeftOut {
	list := make([]performance.LeftOut, 0, len(by))
	for reason, n := range by {
		list = append(list, performance.LeftOut{Reason: reason, Count: n})
	}
	slices.SortFunc(list, func(a, b performance.LeftOut) int { return cmp.Compare(a.Reason, b.Reason) })
	return list
}
