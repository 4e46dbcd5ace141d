package month

import (
	"cmp"
	"maps"
	"slices"

	"ductledger/domain"
)

// NotAccepted withholds the lines of a job that nobody has accepted yet,
// though nothing about it is open.
const NotAccepted = "not_accepted"

// Kinds of lines of a statement.
const (
	CountedNew         = "new"          // of a job of the month
	CountedLate        = "late"         // of an earlier month, and in no package before
	CountedCorrection  = "correction"   // to a month that was reported
	CountedNotAccepted = "not_accepted" // of a job that was sent in: in no figure
)

// A StatementLine is one line of what a contractor is paid. Those of new and
// late jobs are the package's lines of payment; a correction is the line that
// stood in the package before, taken back, or the one that stands now.
type StatementLine struct {
	JobID     domain.UUID
	JobNumber int64        // as people call it
	Month     domain.Month // of the job's first acceptance; empty before it
	CountedAs string
	Number    int    // of the line among those of the job
	Event     string // what happened, of a correction
	PayLine
	// ExpectedCents is what the line would come to, of a job that is not accepted.
	ExpectedCents int64
	// Withheld names what withholds the line: rules with an open finding, the
	// missing reading, NotAccepted.
	Withheld []string
}

// PayCorrections calls use with the lines that this package's range moves for
// one contractor, of a job of an earlier month that is not late. Lines that
// stand as before are left out, so that over all contractors amounts and
// hold-backs add up to corrections_net − voided of the reconciliation.
func (h *History) PayCorrections(r *Range, contractor domain.UUID, use func(*StatementLine) error) error {
	if h.Month >= r.Month || h.IsLate(r) {
		return nil
	}
	before, now := h.at(r.Previous), h.at(r.Position)
	was, is := before.payAt(r.Previous, contractor), now.payAt(r.Position, contractor)
	event := h.eventBetween(r, before, now)
	number := 0
	line := func(p PayLine) error {
		number++
		return use(&StatementLine{JobID: h.JobID, Month: h.Month, CountedAs: CountedCorrection, Number: number, Event: event, PayLine: p})
	}
	for i := range was {
		old := was[i]
		same := slices.IndexFunc(is, func(p PayLine) bool { p.HeldBackCents = old.HeldBackCents; return p == old })
		if same < 0 {
			if err := line(old.takenBack()); err != nil {
				return err
			}
			continue
		}
		held := is[same].HeldBackCents - old.HeldBackCents
		is = slices.Delete(is, same, same+1)
		if held == 0 {
			continue
		}
		old.QuantityTenths, old.ProductCents, old.LimitedBy, old.AmountCents, old.HeldBackCents = 0, 0, "", 0, held
		if err := line(old); err != nil {
			return err
		}
	}
	for _, p := range is {
		if err := line(p); err != nil {
			return err
		}
	}
	return nil
}

// payAt are the acceptance's lines of a contractor as known at a position;
// none where it does not stand.
func (a *Acceptance) payAt(position int64, contractor domain.UUID) []PayLine {
	if a == nil || a.ContractorID != contractor {
		return nil
	}
	lines := slices.Clone(a.PayAt(position).Lines)
	if a.heldBackAt(position) == 0 {
		for i := range lines {
			lines[i].HeldBackCents = 0
		}
	}
	return lines
}

func (l PayLine) takenBack() PayLine {
	l.QuantityTenths, l.ProductCents, l.AmountCents, l.HeldBackCents = -l.QuantityTenths, -l.ProductCents, -l.AmountCents, -l.HeldBackCents
	return l
}

// eventBetween is what led from one acceptance to the other.
func (h *History) eventBetween(r *Range, before, now *Acceptance) string {
	switch {
	case before == nil && now == nil:
		return ""
	case before == now && Taken(now.Charges, r.Previous) != Taken(now.Charges, r.Position):
		return TakenBack
	case before == now:
		return HoldReleased
	case now == nil && h.Void:
		return Voided
	}
	event, open, again := Changed, false, false
	var last *Acceptance
	for i := range h.Acceptances {
		a := &h.Acceptances[i]
		if a.Position > r.Position {
			break
		}
		if last != nil && a.Position > r.Previous {
			switch {
			case a.Position != last.Until:
				again = true
			case a.FundSource != last.FundSource:
				event = FundChanged
			case last.Corrected && event == Changed:
				event = Corrected
			}
		}
		last, open = a, a.Until != 0 && a.Until <= r.Position
	}
	switch {
	case open:
		return ReOpened
	case again:
		return AcceptedAgain
	}
	return event
}

// StatementSums are what a statement comes to, in whole cents.
type StatementSums struct {
	Amount         int64 // of new and late jobs: payments.csv
	HeldBack       int64
	Correction     int64
	CorrectionHeld int64
	Expected       int64 // of jobs that are not accepted: in no other sum
}

// Due is what is to be paid: amounts and corrections, less what is held back
// of them.
func (s *StatementSums) Due() int64 {
	return s.Amount + s.Correction - s.HeldBack - s.CorrectionHeld
}

func (s *StatementSums) add(l *StatementLine) {
	switch l.CountedAs {
	case CountedCorrection:
		s.Correction += l.AmountCents
		s.CorrectionHeld += l.HeldBackCents
	case CountedNotAccepted:
		s.Expected += l.ExpectedCents
	default:
		s.Amount += l.AmountCents
		s.HeldBack += l.HeldBackCents
	}
}

// Heading is how the funder counts money: by category and fund source.
type Heading struct{ Category, FundSource string }

// StatementTotals are the sums of a statement, whole and by heading.
type StatementTotals struct {
	StatementSums
	headings map[Heading]*StatementSums
}

// Add counts a line.
func (t *StatementTotals) Add(l *StatementLine) {
	t.add(l)
	at := Heading{l.Category, l.FundSource}
	if t.headings[at] == nil {
		if t.headings == nil {
			t.headings = map[Heading]*StatementSums{}
		}
		t.headings[at] = &StatementSums{}
	}
	t.headings[at].add(l)
}

// HeadingSums are the sums of one heading.
type HeadingSums struct {
	Heading
	StatementSums
}

// Headings lists the sums by category, then fund source.
func (t *StatementTotals) Headings() []HeadingSums {
	list := make([]HeadingSums, 0, len(t.headings))
	for _, at := range slices.SortedFunc(maps.Keys(t.headings), func(a, b Heading) int {
		return cmp.Or(cmp.Compare(a.Category, b.Category), cmp.Compare(a.FundSource, b.FundSource))
	}) {
		list = append(list, HeadingSums{at, *t.headings[at]})
	}
	return list
}
