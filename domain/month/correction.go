package month

import (
	"strconv"
	"time"

	"ductledger/domain"
	"ductledger/domain/delivery"
	"ductledger/domain/pack"
)

// Events of corrections.csv.
const (
	ReOpened      = "re_opened"      // an accepted job was opened again: its figures are withdrawn
	AcceptedAgain = "accepted_again" // with the figures of now
	Changed       = "changed"        // a person's decision changed what stands, without opening it
	Corrected     = "corrected"      // the office mended its own error, without opening it
	FundChanged   = "fund_changed"   // the same, and another fund pays from then on
	Voided        = "voided"         // the job no longer counts
	LateWork      = "late_work"      // a record came to an accepted job; it moves no figure
	HoldReleased  = "hold_released"  // an inspection passed: what was held back is due
	TakenBack     = "call_back"      // a complaint was closed at the crew's fault, or no longer is
)

// A Correction is one line of corrections.csv: one field of one event.
type Correction struct {
	ID          string
	Month       domain.Month // of the job's first acceptance
	JobID       domain.UUID
	Event       string
	Field       string
	Old, New    string
	Reason      string
	VersionFrom int64 // of the job's record; of the late record itself for late work
	VersionTo   int64
	At          time.Time
	ReportedIn  domain.Month // the package's own month
}

// Corrections calls use with each line that this package holds of the job, in
// the order of what happened. Withdrawn figures have an empty new value, and
// figures that come (again) an empty old one: per field, new less old values
// of the lines of earlier months add up to late + corrections_net − voided.
func (h *History) Corrections(r *Range, use func(*Correction) error) error {
	for i := range h.Acceptances {
		a := &h.Acceptances[i]
		if i > 0 && h.Acceptances[i-1].Until < a.Position && h.counts(a) && r.holds(h.Month, a.Position) {
			c := Correction{Month: h.Month, JobID: h.JobID, Event: AcceptedAgain, Reason: a.Reason,
				VersionFrom: h.Acceptances[i-1].UntilVersion, VersionTo: a.JobVersion, At: a.AcceptedAt}
			if err := c.fields(a.Position, nil, a, use); err != nil {
				return err
			}
		}
		if h.counts(a) {
			if err := h.release(a, r, use); err != nil {
				return err
			}
			if err := h.takenBack(a, r, use); err != nil {
				return err
			}
		}
		if a.Until == 0 || !r.holds(h.Month, a.Until) {
			continue
		}
		if err := h.ended(i, use); err != nil {
			return err
		}
	}
	return nil
}

// ended are the lines of the event that ended an acceptance: one that stands
// changed from then on for the next that counts, and begins for a fund that did
// not pay before.
func (h *History) ended(i int, use func(*Correction) error) error {
	a, next := &h.Acceptances[i], (*Acceptance)(nil)
	c := Correction{Month: h.Month, JobID: h.JobID, Event: ReOpened, Reason: a.UntilReason,
		VersionFrom: a.JobVersion, VersionTo: a.UntilVersion, At: a.UntilAt}
	switch {
	case a.UntilVoid:
		c.Event, c.Reason = Voided, "void"
	case i+1 < len(h.Acceptances) && h.Acceptances[i+1].Position == a.Until:
		next = &h.Acceptances[i+1]
		switch {
		case a.FundSource != next.FundSource:
			c.Event = FundChanged
		case a.Corrected:
			c.Event = Corrected
		default:
			c.Event = Changed
		}
		if !h.counts(next) {
			next = nil
		}
	}
	before := a
	if !h.counts(a) {
		before = nil
	}
	if before == nil && next == nil {
		return nil
	}
	return c.fields(a.Until, before, next, use)
}

// release is the line of an inspection that passed while the acceptance stood.
func (h *History) release(a *Acceptance, r *Range, use func(*Correction) error) error {
	held := a.heldBackAt(a.Inspected - 1)
	if held == 0 || a.Inspected <= a.Position || !a.standsAt(a.Inspected) || !r.holds(h.Month, a.Inspected) {
		return nil
	}
	return use(&Correction{ID: correctionID(a.Inspected, h.JobID, "held_back_cents"), Month: h.Month, JobID: h.JobID, Event: HoldReleased,
		Field: "held_back_cents", Old: strconv.FormatInt(held, 10), New: "0", Reason: "inspection_passed",
		VersionFrom: a.JobVersion, VersionTo: a.JobVersion, At: a.InspectedAt})
}

// takenBack are the lines of the complaints that were settled while the
// acceptance stood.
func (h *History) takenBack(a *Acceptance, r *Range, use func(*Correction) error) error {
	for i := range a.Charges {
		charge := &a.Charges[i]
		if charge.Position <= a.Position || !a.standsAt(charge.Position) || !r.holds(h.Month, charge.Position) {
			continue
		}
		c := Correction{Month: h.Month, JobID: h.JobID, Event: TakenBack, Reason: "crew_at_fault",
			VersionFrom: a.JobVersion, VersionTo: a.JobVersion, At: charge.RecordedAt}
		if charge.Cents < 0 {
			c.Reason = "no_longer_at_fault"
		}
		if err := c.fields(charge.Position, a, a, use); err != nil {
			return err
		}
	}
	return nil
}

// HideContractor takes the contractor out of a line: the package of the job's
// own month may have hidden whose it was.
func (c *Correction) HideContractor() {
	if c.Field != contractorField {
		return
	}
	for _, v := range []*string{&c.Old, &c.New} {
		if *v != "" {
			*v = SuppressedRef
		}
	}
}

// correctionID is unique: one field of one job at one position.
func correctionID(position int64, job domain.UUID, field string) string {
	return "K" + strconv.FormatInt(position, 10) + "." + job.String() + "." + field
}

// statesOf are the states a job is in by an event, before and after it: for a
// fund that it came to, or went from, it was or is not there.
func statesOf(event string, before, after *Acceptance) (from, to string) {
	switch event {
	case FundChanged:
		if before != nil {
			from = "accepted"
		}
		if after != nil {
			to = "accepted"
		}
		return from, to
	case ReOpened:
		return "accepted", "returned"
	case AcceptedAgain:
		return "sent_in", "accepted"
	case Voided:
		return "accepted", "void"
	}
	return "accepted", "accepted"
}

// fields calls use with a line for each field that differs.
func (c *Correction) fields(position int64, before, after *Acceptance, use func(*Correction) error) error {
	line := func(field, from, to string) error {
		if from == to || nothing(from) && nothing(to) {
			return nil
		}
		c.ID = correctionID(position, c.JobID, field)
		c.Field, c.Old, c.New = field, from, to
		return use(c)
	}
	from, to := statesOf(c.Event, before, after)
	if err := line("state", from, to); err != nil {
		return err
	}
	old, now := valuesOf(before, position-1), valuesOf(after, position)
	for i, field := range correctedFields() {
		if err := line(field, old[i], now[i]); err != nil {
			return err
		}
	}
	return nil
}

// nothing tells a value that adds nothing to a sum.
func nothing(value string) bool { return value == "" || value == "0" }

const contractorField = "contractor_id"

// correctedFields are the columns of jobs.csv that a correction can move.
func correctedFields() [16]string {
	return [16]string{contractorField, "outcome", "pay_basis", "fund_source", "before_cfm25", "after_cfm25", "reduction_cfm25",
		"outside_before_cfm25", "outside_after_cfm25", "outside_reduction_cfm25", "returned_count",
		"payable_cents", "held_back_cents", "no_reduction_reason", "energy_saved_kwh", "deemed_energy_saved_kwh"}
}

// valuesOf are these columns as known at a position.
func valuesOf(a *Acceptance, position int64) (v [16]string) {
	if a == nil {
		return v
	}
	tenths := func(n *int64) string {
		if n == nil {
			return ""
		}
		return pack.Scaled(*n, 1)
	}
	whole := func(n *int64) string {
		if n == nil {
			return ""
		}
		return strconv.FormatInt(*n, 10)
	}
	l := a.leakageColumns()
	return [16]string{ContractorRef(a.ContractorID), string(a.Outcome), string(a.PayBasis), a.FundSource, tenths(l[0]), tenths(l[1]),
		tenths(l[2]), tenths(l[3]), tenths(l[4]), tenths(l[5]), strconv.FormatInt(a.Returned, 10), strconv.FormatInt(a.PayAt(position).PayableCents, 10),
		strconv.FormatInt(a.heldBackAt(position), 10), a.NoReduction(), whole(a.Saved(delivery.ByEffectiveness)), whole(a.Saved(delivery.ByDeemedFigure))}
}

// VoidedWhileOpen is the line of a job that was voided after it had been
// opened again: its figures were withdrawn before.
func VoidedWhileOpen(h *History, position, version int64, at time.Time) *Correction {
	return &Correction{ID: correctionID(position, h.JobID, "state"), Month: h.Month, JobID: h.JobID,
		Event: Voided, Field: "state", Old: "open", New: "void", Reason: "void", VersionFrom: version - 1, VersionTo: version, At: at}
}

// LateRecord is the line of a record that came to an accepted job.
func LateRecord(jobID domain.UUID, month domain.Month, kind domain.Kind, position, version int64, at time.Time) *Correction {
	return &Correction{ID: "K" + strconv.FormatInt(position, 10), Month: month, JobID: jobID,
		Event: LateWork, Field: string(kind), New: "recorded", Reason: "late", VersionFrom: version - 1, VersionTo: version, At: at}
}
