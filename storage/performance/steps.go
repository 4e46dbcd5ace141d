package performance

import (
	"cmp"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"hash"
	"iter"
	"slices"
	"strconv"

	"ductledger/domain"
	"ductledger/domain/performance"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
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
	line   []byte // of the row in hand
}

// Digest is of the rows read, in the order of their ids: equal for equal jobs.
func (s *RepairSteps) Digest() string { return hex.EncodeToString(s.digest.Sum(nil)) }

// stepsRow is a row of stepsSQL; its bytes are good until the next one is read.
type stepsRow struct {
	jobID, homeID           domain.UUID
	together, before, after optionalNumber // readings in tenths of cfm25
	payBasis, class         []byte
	excluded, undecided     bool
	steps, method           []byte // nil: not kept, not read
}

func stepsOfRow(rows pgx.Rows) (r stepsRow, err error) {
	c := cells{values: rows.RawValues()}
	r.jobID, r.homeID, r.together = c.id(), c.id(), c.optional()
	r.payBasis, r.excluded = c.cell(0), c.truth()
	r.before, r.after = c.optional(), c.optional()
	r.steps, r.method = c.cell(0), c.cell(0)
	r.class, r.undecided = c.cell(0), c.truth()
	if c.bad {
		return r, fmt.Errorf("job %s: a column has not the length of its type", r.jobID)
	}
	return r, nil
}

// appendTo writes the row as JSON, in the form that every digest of steps was made of.
func (r *stepsRow) appendTo(b []byte) (_ []byte, err error) {
	id := func(name string, id domain.UUID) {
		b = append(base64.StdEncoding.AppendEncode(append(b, name...), id[:]), '"')
	}
	number := func(name string, n optionalNumber) {
		if b = append(b, name...); n.known {
			b = strconv.AppendInt(b, n.n, 10)
		} else {
			b = append(b, "null"...)
		}
	}
	text := func(name string, t []byte) {
		if b = append(b, name...); t == nil {
			b = append(b, "null"...)
			return
		}
		var bad error
		b, bad = jsontext.AppendQuote(b, t)
		err = cmp.Or(err, bad)
	}
	id(`{"JobID":"`, r.jobID)
	id(`,"HomeID":"`, r.homeID)
	number(`,"Together":`, r.together)
	text(`,"PayBasis":`, r.payBasis)
	b = strconv.AppendBool(append(b, `,"Excluded":`...), r.excluded)
	number(`,"BeforeTenths":`, r.before)
	number(`,"AfterTenths":`, r.after)
	text(`,"Steps":`, r.steps)
	text(`,"Method":`, r.method)
	text(`,"Class":`, r.class)
	b = strconv.AppendBool(append(b, `,"Undecided":`...), r.undecided)
	return append(b, '}'), err
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
		if err := binaryColumns(rows); err != nil {
			yield(nil, err)
			return
		}
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
	row, err := stepsOfRow(rows)
	if err != nil {
		return nil, "", err
	}
	s.JobsCount++
	if s.line, err = row.appendTo(s.line[:0]); err != nil {
		return nil, "", err
	}
	_, _ = s.digest.Write(s.line) // never fails, by its documentation
	if steps, reason, err = row.read(of, pairs); err == nil && reason == "" {
		s.UsedCount++
	}
	return steps, reason, err
}

func (r *stepsRow) read(of domain.Quantity, pairs map[string]int) (steps []performance.Step, reason string, err error) {
	job := performance.Job{PayBasis: word(r.payBasis), Excluded: r.excluded, BeforeTenths: r.before.pointer(), AfterTenths: r.after.pointer(),
		Quantity: domain.Method(word(r.method)).Quantity(), Undecided: r.undecided}
	if reason := job.LeftOutReason(of); reason != "" {
		return nil, reason, nil
	}
	if r.steps == nil {
		return nil, stepsNotKnown, nil
	}
	var frozen storage.FrozenSteps
	if err := json.Unmarshal(r.steps, &frozen); err != nil {
		return nil, "", fmt.Errorf("steps of job %s: %w", r.jobID, err)
	}
	for _, why := range frozen.LeftOut {
		pairs[why]++
	}
	step := performance.Step{JobID: r.jobID, HomeID: r.homeID, Together: uint64(r.together.n), HomeClass: word(r.class)}
	for _, s := range frozen.Steps {
		step.RepairType, step.Basis, step.BeforeTenths, step.AfterTenths = s.Kind, performance.BasisInterim, s.BeforeTenths, s.AfterTenths
		steps = append(steps, step)
	}
	if len(steps) == 0 {
		step.Basis, step.BeforeTenths, step.AfterTenths = performance.BasisWholeJob, r.before.n, r.after.n
		for _, kind := range frozen.Kinds {
			step.RepairType = kind
			steps = append(steps, step)
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
