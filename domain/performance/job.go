package performance

import (
	"time"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// A Job is what statistics need of one accepted job: one home, one scope of
// work, the first valid reading before it and the last valid one after it. A
// return to the home extends the job; it never makes a second reduction.
type Job struct {
	ID           domain.UUID
	HomeID       domain.UUID
	ContractorID domain.UUID // who did the first work, when several did
	CrewLeadID   domain.UUID // zero when not known

	Class    string // home class, such as "single"; empty when not known
	PayBasis string // Measured or Deemed

	Quantity  domain.Quantity // what was read; empty when nothing was
	Undecided bool            // the readings' own uncertainty leaves nothing to tell from them
	Together  uint64          // equal for a contractor's homes that go together, such as those of one park; 0 for a home by itself

	BeforeTenths *int64 // duct leakage before, tenths of cfm25; nil when there is none
	AfterTenths  *int64 // duct leakage after, tenths of cfm25

	// A reading below the instrument's range stands here as the limit of the
	// range: the reduction is then understated, never made up.
	BeforeBelowRange bool
	AfterBelowRange  bool

	AreaFt2      *float64 // floor area; nil when not known
	Extrapolated bool     // a reading was carried to 25 Pa from another pressure
	AcceptedAt   time.Time
	Excluded     bool // a person excluded it from reductions, with a reason
	Questioned   bool // a screen asks about it; it counts until a person excludes it
	Shared       bool // another contractor worked on it too
}

// The pay bases.
const (
	Measured = "measured"
	Deemed   = "deemed"
)

// MaxTenths is the largest reading taken, in tenths of cfm25: far beyond any
// fan, it keeps sums of squares exact.
const MaxTenths = 1_000_000_000

// A reason says why a job is left out of the reductions. The first that
// applies, in this order, is the job's only one, so the counts add up.
type reason int

const (
	deemed        reason = iota // paid by home: whoever tests without need is a chosen sample
	excluded                    // a person excluded it
	missingBefore               // no valid reading before; the one after may be missing too
	missingAfter                // no valid reading after
	otherQuantity               // another quantity was read than the figures are of
	undecided                   // the readings decide nothing
	notPositive                 // a reading of 0 or less: no logarithm, no share
	reasonCount
	used reason = -1
)

// Words on the wire, by reason.
var reasonWords = [reasonCount]string{"deemed", "excluded", "missing_before", "missing_after", "other_quantity", "undecided", "not_positive"}

// reasonOf is why j is left out of the figures of a quantity, or used.
func (j *Job) reasonOf(of domain.Quantity) reason {
	switch {
	case j.PayBasis == Deemed:
		return deemed
	case j.Excluded:
		return excluded
	}
	return j.readingsReason(of)
}

// LeftOutReason is why the job is in no reduction of a quantity; empty when it is.
func (j *Job) LeftOutReason(of domain.Quantity) string {
	if why := j.reasonOf(of); why != used {
		return reasonWords[why]
	}
	return ""
}

// readingsReason looks at the readings alone.
func (j *Job) readingsReason(of domain.Quantity) reason {
	switch {
	case j.BeforeTenths == nil:
		return missingBefore
	case j.AfterTenths == nil:
		return missingAfter
	case j.Quantity != of:
		return otherQuantity
	case j.Undecided:
		return undecided
	case *j.BeforeTenths <= 0 || *j.AfterTenths <= 0:
		return notPositive
	}
	return used
}

// logs are the logarithms of the readings in steps, where both are above 0.
func (j *Job) logs() (x, y int64) {
	if j.BeforeTenths == nil || j.AfterTenths == nil || *j.BeforeTenths <= 0 || *j.AfterTenths <= 0 {
		return 0, 0
	}
	return logOf(*j.BeforeTenths), logOf(*j.AfterTenths)
}

// logArea is the logarithm of the floor area in steps; 0 where it is not known.
func (j *Job) logArea() int64 {
	if j.AreaFt2 == nil {
		return 0
	}
	return logSteps(*j.AreaFt2, centerFt2)
}

// check refuses what no job of ours can be.
func (j *Job) check() error {
	if j.PayBasis != Measured && j.PayBasis != Deemed {
		return stat.Refuse(stat.OutOfRange, "/pay_basis", "", "job %s: %q is neither %s nor %s", j.ID, j.PayBasis, Measured, Deemed)
	}
	for _, t := range []*int64{j.BeforeTenths, j.AfterTenths} {
		if t != nil && *t > MaxTenths {
			return stat.Refuse(stat.OutOfRange, "/leakage_cfm25", "", "job %s: %d is more than %d tenths of cfm25", j.ID, *t, MaxTenths)
		}
	}
	if j.AreaFt2 != nil {
		if err := stat.Within("/floor_area_ft2", *j.AreaFt2, minArea, maxArea, "ft2"); err != nil {
			return stat.Under("/jobs/"+j.ID.String(), err)
		}
	}
	return nil
}

// Floor areas taken, in ft²: what is not a floor area at all is refused; what
// is merely unlikely is a screen's business.
const (
	minArea = 1
	maxArea = 1e6
)

// same tells whether two rows say the same of one job.
func (j *Job) same(k *Job) bool {
	a, b := *j, *k
	if !equal(a.BeforeTenths, b.BeforeTenths) || !equal(a.AfterTenths, b.AfterTenths) ||
		!equal(a.AreaFt2, b.AreaFt2) || !a.AcceptedAt.Equal(b.AcceptedAt) {
		return false
	}
	a.BeforeTenths, a.AfterTenths, a.AreaFt2, a.AcceptedAt = nil, nil, nil, time.Time{}
	b.BeforeTenths, b.AfterTenths, b.AreaFt2, b.AcceptedAt = nil, nil, nil, time.Time{}
	return a == b
}

func equal[T comparable](a, b *T) bool {
	if a == nil || b == nil {
		return a == b
	}
	return *a == *b
}

// cfm25 is a whole number of tenths in cfm25, the float nearest to the decimal.
func cfm25(tenths int64) float64 { return float64(tenths) / 10 }
