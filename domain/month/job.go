package month

import (
	"time"

	"ductledger/domain"
)

// Figures are what an acceptance froze of a job.
type Figures struct {
	ContractorID domain.UUID
	Outcome      domain.Outcome
	PayBasis     domain.PayBasis
	HomeClass    string
	FundSource   string // empty where nobody can tell
	Method       domain.Method
	Undecided    bool   // the readings' own uncertainty leaves nothing to tell from them
	BeforeTenths *int64 // cfm25; nil where there is no valid reading
	AfterTenths  *int64
	Returned     int64  // how often the job was given back to the crew
	EnergyMethod string // by which the saving is estimated; empty where it is not
	SavedKWh     *int64 // in a year, an estimate
	Excluded     bool   // by a person, from statistics
	Pay          Pay
}

// mixed tells readings before and after by two methods, which have no reduction.
func (f *Figures) mixed() bool {
	return f.Method == "" && f.BeforeTenths != nil && f.AfterTenths != nil
}

// ReductionTenths is before − after in tenths of cfm25, of the two as they are
// published, so that the three columns add up; nil where one is not known, the
// readings decide nothing or are by two methods.
func (f *Figures) ReductionTenths() *int64 {
	if f.Undecided || f.BeforeTenths == nil || f.AfterTenths == nil || f.mixed() {
		return nil
	}
	d := *f.BeforeTenths - *f.AfterTenths
	return &d
}

// Sums are the job's part of each measure.
func (f *Figures) Sums() (s Sums) {
	s[jobsAccepted] = 1
	if f.Outcome == domain.Completed {
		s[jobsCompleted] = 1
	}
	s[timesReturned] = f.Returned
	if figures := f.Leakage(); figures != nil {
		places := leakagePlaces[f.Method.Quantity()]
		for i, tenths := range figures {
			if tenths != nil {
				s[places[i]] = *tenths
			}
		}
		if figures[2] != nil {
			s[places[3]] = 1
		}
	}
	if places, known := energyPlaces[f.EnergyMethod]; known && f.SavedKWh != nil {
		s[places[0]], s[places[1]] = 1, *f.SavedKWh
	}
	s[payableCents], s[heldBackCents] = f.Pay.PayableCents, f.Pay.HeldBackCents
	return s
}

// Saved is what the job saves in a year by an estimate of the method; nil where
// it has none. Estimates of two methods are never added up.
func (f *Figures) Saved(method string) *int64 {
	if f.EnergyMethod != method {
		return nil
	}
	return f.SavedKWh
}

// Leakage is before, after and reduction in tenths of cfm25, each nil where it
// is not known; nil altogether where the readings decide nothing.
func (f *Figures) Leakage() *[3]*int64 {
	if f.Undecided || f.Method.Quantity() == "" {
		return nil
	}
	return &[3]*int64{f.BeforeTenths, f.AfterTenths, f.ReductionTenths()}
}

// leakageColumns are before, after and reduction of total leakage, then of
// leakage to outside.
func (f *Figures) leakageColumns() (columns [6]*int64) {
	figures := f.Leakage()
	switch {
	case figures == nil:
	case f.Method.Quantity() == domain.TotalLeakage:
		copy(columns[:], figures[:])
	default:
		copy(columns[3:], figures[:])
	}
	return columns
}

// Reasons why a job is in no figure of reduction; the first that applies is
// the only one, so the counts add up.
const (
	NoReductionDeemed    = "deemed"         // paid by home: who tests without need is a chosen sample
	NoReductionExcluded  = "excluded"       // a person excluded it
	NoReductionBefore    = "missing_before" // no valid reading before; the one after may be missing too
	NoReductionAfter     = "missing_after"  //
	NoReductionUndecided = "undecided"      // the readings' own uncertainty leaves nothing to tell from them
	NoReductionMethods   = "methods_differ" // before by one method, after by another: they never mix
	NotShown             = "not_shown"      // no visit, no record of the work or no photo: nothing is paid
	PicturesOwed         = "pictures_owed"  // pictures that payment waits for have not arrived
	NoReductionZero      = "not_positive"   // a reading of 0
)

// NoReduction is why statistics leave the job out of reductions; empty when
// they do not.
func (f *Figures) NoReduction() string {
	switch {
	case f.PayBasis == domain.Deemed:
		return NoReductionDeemed
	case f.Excluded:
		return NoReductionExcluded
	case f.BeforeTenths == nil:
		return NoReductionBefore
	case f.AfterTenths == nil:
		return NoReductionAfter
	case f.mixed():
		return NoReductionMethods
	case f.Undecided:
		return NoReductionUndecided
	case *f.BeforeTenths <= 0 || *f.AfterTenths <= 0:
		return NoReductionZero
	}
	return ""
}

// An Acceptance is one interval in which a job stood.
type Acceptance struct {
	Position   int64 // of the acceptance
	AcceptedAt time.Time
	JobVersion int64
	Reason     string // code of the decision that began it; empty for a plain acceptance
	Figures

	Charges []Charge // of the job's complaints, by position

	Inspected   int64 // position of the first inspection that passed; 0 when there is none
	InspectedAt time.Time

	Until        int64 // position at which it ended; 0 when it stands
	UntilAt      time.Time
	UntilVersion int64
	UntilReason  string // code of the decision that ended it
	UntilVoid    bool   // the job was voided; else it was opened again or changed
	Corrected    bool   // it ended by a correction of the office's own error
}

// standsAt tells whether the acceptance is in force at a position.
func (a *Acceptance) standsAt(position int64) bool {
	return a.Position <= position && (a.Until == 0 || a.Until > position)
}

// SumsAt are the acceptance's part of each measure, as known at a position: a
// passed inspection releases what was held back, a complaint takes back.
func (a *Acceptance) SumsAt(position int64) Sums {
	s := a.Sums()
	s[payableCents], s[heldBackCents] = a.PayAt(position).PayableCents, a.heldBackAt(position)
	return s
}

// PayAt is what is paid, as known at a position: what complaints took back is
// taken away.
func (a *Acceptance) PayAt(position int64) Pay { return a.Pay.Less(Taken(a.Charges, position)) }

func (a *Acceptance) heldBackAt(position int64) int64 {
	if a.Inspected != 0 && a.Inspected <= position {
		return 0
	}
	return a.PayAt(position).HeldBackCents
}

// SumsAt are the job's part of each measure at a position; zero where it does
// not stand.
func (h *History) SumsAt(position int64) Sums {
	if a := h.at(position); a != nil {
		return a.SumsAt(position)
	}
	return Sums{}
}
