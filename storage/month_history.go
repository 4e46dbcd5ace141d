package storage

import (
	"time"

	"ductledger/domain"
	"ductledger/domain/month"
)

// eachHistory calls use with one job after the other, its acceptances up to
// the position in order; sql is the query for all of them or for some.
func (w *monthReader) eachHistory(sql string, use func(*month.History) error) error {
	var h month.History
	done := func() error {
		if len(h.Acceptances) == 0 {
			return nil
		}
		if err := h.Check(); err != nil {
			return err
		}
		return use(&h)
	}
	err := each(w.t, sql, w.args.pgx(), func(r *monthHistoryRow) error {
		if domain.UUID(r.JobID) != h.JobID {
			if err := done(); err != nil {
				return err
			}
			h = month.History{JobID: r.JobID, Month: domain.Month(r.AcceptedMonth), Acceptances: h.Acceptances[:0]}
		}
		a, err := w.acceptance(r)
		if err != nil {
			return err
		}
		h.Acceptances = append(h.Acceptances, a)
		h.Void = r.VoidNow != nil && *r.VoidNow
		return nil
	})
	if err != nil {
		return err
	}
	return done()
}

func (w *monthReader) acceptance(r *monthHistoryRow) (a month.Acceptance, err error) {
	work := month.Work{
		Figures: month.Figures{
			ContractorID: r.ContractorID, Outcome: domain.Outcome(textOf(r.Outcome)), PayBasis: domain.PayBasis(r.PayBasis), HomeClass: r.Class,
			BeforeTenths: r.BeforeTenths, AfterTenths: r.AfterTenths, Returned: r.ReturnedCount, Excluded: r.Excluded,
		},
		Sections: sectionsOf(r.Class), Crossovers: r.CrossoversCount,
	}
	if work.Pay, err = month.PayOf(w.sets[idOf(r.RuleSetID)], &work); err != nil {
		return a, err
	}
	a = month.Acceptance{Position: r.AcceptedPosition, AcceptedAt: r.AcceptedAt, JobVersion: numberOf(r.Version), Reason: textOf(r.Reason),
		Figures: work.Figures, Inspected: numberOf(r.Inspected), InspectedAt: timeOf(r.InspectedAt)}
	if r.UntilPosition != nil {
		a.Until, a.UntilAt, a.UntilVersion = *r.UntilPosition, timeOf(r.UntilAt), numberOf(r.UntilVersion)
		a.UntilReason, a.UntilVoid = textOf(r.UntilReason), r.UntilVoid != nil && *r.UntilVoid
	}
	return a, nil
}

func sectionsOf(class string) int64 {
	switch class {
	case "single":
		return 1
	case "double":
		return 2
	}
	return 3
}

func numberOf(n *int64) int64 {
	if n == nil {
		return 0
	}
	return *n
}

func timeOf(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return *t
}

// history sums what stood and what stands, and finds what moved between.
func (w *monthWriter) history() error {
	r := &w.plan.Range
	w.begins(StageHistory, 0)
	err := w.eachHistory(monthHistorySQL, func(h *month.History) error {
		w.passed()
		if h.Month > r.Month {
			return nil // of a later month, when the cut lies in it
		}
		if h.Month < r.Month {
			w.previous = w.previous.Plus(h.SumsAt(r.Previous))
		}
		w.cumulative = w.cumulative.Plus(h.SumsAt(r.Position))
		h.Move(r, &w.movement)
		if h.IsLate(r) {
			w.late = append(w.late, h.JobID)
		}
		return nil
	})
	if err != nil {
		return err
	}
	w.args["late"] = w.late
	return w.sameAsBefore()
}

// corrections writes the events of this package: those of accepted jobs by
// job and time, then late work and late voids by position. The first pass
// counts, since the file says beforehand how many rows will come.
func (w *monthWriter) corrections() error {
	rows := int64(0)
	w.begins(month.CorrectionsTable, 0)
	if err := w.eachCorrection(func(*month.Correction) error { rows++; return nil }); err != nil {
		return err
	}
	s, err := w.table(month.CorrectionsTable, rows)
	if err != nil {
		return err
	}
	err = w.eachCorrection(func(c *month.Correction) error {
		s.Text(c.ID).Text(string(c.Month)).Text(month.JobRef(c.JobID)).Text(c.Event).Text(c.Field).Text(c.Old).Text(c.New).Text(c.Reason)
		s.Int(c.VersionFrom).Int(c.VersionTo).Time(c.At).Text(string(w.plan.Month))
		return w.end(s)
	})
	if err != nil {
		return err
	}
	return s.Close()
}

func (w *monthWriter) eachCorrection(use func(*month.Correction) error) error {
	err := w.eachHistory(monthHistorySQL, func(h *month.History) error { return h.Corrections(&w.plan.Range, use) })
	if err != nil {
		return err
	}
	w.excluded[month.ExcludedLate] = 0
	return each(w.t, monthEventsSQL, w.args.pgx(), func(r *monthEventRow) error {
		m := domain.Month(r.AcceptedMonth)
		if r.Kind == string(domain.JobKind) {
			return use(month.VoidedWhileOpen(&month.History{JobID: r.JobID, Month: m}, r.Position, r.Version, r.RecordedAt))
		}
		w.excluded[month.ExcludedLate]++
		return use(month.LateRecord(r.JobID, m, domain.Kind(r.Kind), r.Position, r.Version, r.RecordedAt))
	})
}
