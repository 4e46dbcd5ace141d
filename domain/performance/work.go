package performance

import (
	"math"
	"time"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// Work is one job assigned in the period, whatever its pay basis: what the
// rest of a contractor's picture is made of.
type Work struct {
	JobID            domain.UUID
	ContractorID     domain.UUID
	Deferred         string // the reason; empty when the job is not deferred
	AssignedAt       time.Time
	AcceptedAt       time.Time // zero when not accepted
	SentIn           int       // how often it was sent in
	FirstMustFix     int       // findings at the first sending
	FirstNotRecorded int
	CalledBack       bool // the resident or an inspector asked for a return
	Judged           bool // both readings and their uncertainty are known
	Measurable       bool // with Judged: the reduction is beyond that uncertainty
	CrewAfter        *int64
	InspectorAfter   *int64 // tenths of cfm25, as CrewAfter
	StrayCuts        *int   // openings without a part near them; nil when nobody judged it
}

func (w *Work) check() error {
	at := "/jobs/" + w.JobID.String()
	cuts := 0
	if w.StrayCuts != nil {
		cuts = *w.StrayCuts
	}
	for _, c := range []struct {
		name  string
		value int
	}{{"sent_in_count", w.SentIn}, {"must_fix_count", w.FirstMustFix}, {"not_recorded_count", w.FirstNotRecorded}, {"stray_cut_count", cuts}} {
		if c.value < 0 {
			return stat.Refuse(stat.Negative, at+"/"+c.name, "", "%d is less than 0", c.value)
		}
	}
	if !w.AcceptedAt.IsZero() && w.AcceptedAt.Before(w.AssignedAt) {
		return stat.Refuse(stat.OutOfRange, at+"/accepted_at", "", "accepted at %s, before it was assigned at %s",
			w.AcceptedAt.Format(time.RFC3339), w.AssignedAt.Format(time.RFC3339))
	}
	if !w.AcceptedAt.IsZero() && w.AcceptedAt.Sub(w.AssignedAt) > mostSeconds*time.Second {
		return stat.Refuse(stat.OutOfRange, at+"/accepted_at", "", "accepted at %s, more than 68 years after %s",
			w.AcceptedAt.Format(time.RFC3339), w.AssignedAt.Format(time.RFC3339))
	}
	for _, t := range []*int64{w.CrewAfter, w.InspectorAfter} {
		if t != nil && (*t <= 0 || *t > MaxTenths) {
			return stat.Refuse(stat.OutOfRange, at+"/after_cfm25", "", "%d is outside 1 to %d tenths of cfm25", *t, MaxTenths)
		}
	}
	return nil
}

// seconds is the time from assignment to acceptance, at most the longest that
// check lets pass.
func (w *Work) seconds() int32 {
	return int32(w.AcceptedAt.Sub(w.AssignedAt).Round(time.Second) / time.Second)
}

// mostSeconds is the longest time taken from assignment to acceptance, 68 years.
const mostSeconds = math.MaxInt32

// same tells whether two rows say the same of one job.
func (w *Work) same(o *Work) bool {
	a, b := *w, *o
	if !a.AssignedAt.Equal(b.AssignedAt) || !a.AcceptedAt.Equal(b.AcceptedAt) || !equal(a.CrewAfter, b.CrewAfter) ||
		!equal(a.InspectorAfter, b.InspectorAfter) || !equal(a.StrayCuts, b.StrayCuts) {
		return false
	}
	for _, x := range []*Work{&a, &b} {
		x.AssignedAt, x.AcceptedAt, x.CrewAfter, x.InspectorAfter, x.StrayCuts = time.Time{}, time.Time{}, nil, nil, nil
	}
	return a == b
}
