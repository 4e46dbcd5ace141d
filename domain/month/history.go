package month

import (
	"cmp"
	"fmt"
	"time"

	"ductledger/domain"
)

// A Range says of which package one speaks: month Month at position Position,
// after the package of the month before at Previous; of one fund where Fund
// names it.
type Range struct {
	Month    domain.Month
	Fund     string // empty: all; WithoutFund: the jobs of which nobody can tell the fund
	Previous int64
	Position int64
	Zone     *time.Location
}

// holds tells whether an event at a position, of a job of a month, belongs to
// this package.
func (r *Range) holds(month domain.Month, position int64) bool {
	return position <= r.Position && (month == r.Month || month < r.Month && position > r.Previous)
}

// WithoutFund stands for the jobs of which nobody can tell the fund. A word of
// the program has no dash.
const WithoutFund = domain.WithoutFund

// A History is a job with its acceptances, oldest first. Seen for one fund, the
// job stands only while the fund pays for it: the acceptances of other funds
// count as nothing.
type History struct {
	JobID       domain.UUID
	Month       domain.Month // of the first acceptance, whoever paid
	Fund        string       // as Range has it
	Acceptances []Acceptance
	Void        bool // the job is void at the range's position
}

// counts tells whether an acceptance is one of the fund.
func (h *History) counts(a *Acceptance) bool {
	return h.Fund == "" || h.Fund == cmp.Or(a.FundSource, WithoutFund)
}

// Check refuses a history that cannot be.
func (h *History) Check() error {
	after := int64(0)
	for i := range h.Acceptances {
		a := &h.Acceptances[i]
		if a.Position < after || a.Position <= 0 || a.Until != 0 && a.Until < a.Position || a.Until == 0 && i < len(h.Acceptances)-1 {
			return fmt.Errorf("job %s: acceptance %d, from position %d until %d, does not follow from the one before, until %d", h.JobID, i+1, a.Position, a.Until, after)
		}
		after = a.Until
	}
	if len(h.Acceptances) == 0 {
		return fmt.Errorf("job %s: it was never accepted", h.JobID)
	}
	return nil
}

// at is the acceptance in force at a position; nil when there is none.
func (h *History) at(position int64) *Acceptance {
	for i := range h.Acceptances {
		if a := &h.Acceptances[i]; a.standsAt(position) && h.counts(a) {
			return a
		}
	}
	return nil
}

// reported tells whether the job has stood in the package of a month before:
// whether one of its acceptances up to the previous position was still in
// force when its month ended.
func (h *History) reported(r *Range) bool {
	for i := range h.Acceptances {
		a := &h.Acceptances[i]
		if a.Position > r.Previous {
			break
		}
		if h.counts(a) && (a.Until == 0 || a.Until > r.Previous || domain.MonthOf(a.UntilAt, r.Zone) > domain.MonthOf(a.AcceptedAt, r.Zone)) {
			return true
		}
	}
	return false
}

// IsLate tells a job of an earlier month that this package is the first to
// show.
func (h *History) IsLate(r *Range) bool {
	return h.Month < r.Month && h.at(r.Position) != nil && h.at(r.Previous) == nil && !h.reported(r)
}

// How a job of an earlier month moved between two packages.
const (
	movedCorrected = iota
	movedLate
	movedVoided
)

func (h *History) movedAs(r *Range) int {
	before, now := h.at(r.Previous), h.at(r.Position)
	switch {
	case before == nil && now != nil && h.IsLate(r):
		return movedLate
	case before != nil && now == nil && h.Void:
		return movedVoided
	}
	return movedCorrected
}

// Move adds to the movement what this job of an earlier month did to the
// figures. Jobs of the range's own month are new and are added where their
// rows are written.
func (h *History) Move(r *Range, m *Movement) {
	if h.Month >= r.Month {
		return
	}
	was, is := h.SumsAt(r.Previous), h.SumsAt(r.Position)
	switch h.movedAs(r) {
	case movedLate:
		m.Late = m.Late.Plus(is)
	case movedVoided:
		m.Voided = m.Voided.Plus(was)
	default:
		m.Corrections = m.Corrections.Plus(is).Minus(was)
	}
}
