package storage

import (
	"fmt"
	"time"

	"ductledger/domain"
	"ductledger/domain/month"

	"github.com/go-json-experiment/json"
)

// eachHistory calls use with one job after the other, its acceptances up to
// the position in order; sql is the query for all of them or for some.
func (r *monthReader) eachHistory(sql string, use func(*month.History) error) error {
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
	err := Each(r.t, sql, r.args, func(row *monthHistoryRow) error {
		if domain.UUID(row.JobID) != h.JobID {
			if err := done(); err != nil {
				return err
			}
			h = month.History{JobID: row.JobID, Month: domain.Month(row.AcceptedMonth), Acceptances: h.Acceptances[:0]}
		}
		a, err := r.acceptance(row)
		if err != nil {
			return err
		}
		h.Acceptances = append(h.Acceptances, a)
		h.Void = row.VoidNow != nil && *row.VoidNow
		return nil
	})
	if err != nil {
		return err
	}
	return done()
}

func (r *monthReader) acceptance(row *monthHistoryRow) (a month.Acceptance, err error) {
	work := month.Work{
		Figures: month.Figures{
			ContractorID: row.ContractorID, Outcome: domain.Outcome(OrZero(row.Outcome)), PayBasis: domain.PayBasis(row.PayBasis), HomeClass: row.Class,
			Method: domain.Method(OrZero(row.Method)), Undecided: row.Undecided, BeforeTenths: row.BeforeTenths, AfterTenths: row.AfterTenths, Returned: row.ReturnedCount, Excluded: row.Excluded,
		},
		Sections: sectionsOf(row.Class), Crossovers: row.CrossoversCount, WorkShown: row.WorkShown, TripShown: row.TripShown,
	}
	if work.Pay, err = month.PayOf(r.sets[IDOf(row.RuleSetID)], &work); err != nil {
		return a, err
	}
	charges, err := r.charges(row.CallBacks, &work)
	if err != nil {
		return a, err
	}
	a = month.Acceptance{Position: row.AcceptedPosition, AcceptedAt: row.AcceptedAt, JobVersion: OrZero(row.Version), Reason: OrZero(row.Reason),
		Figures: work.Figures, Charges: charges, Inspected: OrZero(row.Inspected), InspectedAt: OrZero(row.InspectedAt)}
	if row.UntilPosition != nil {
		a.Until, a.UntilAt, a.UntilVersion = *row.UntilPosition, OrZero(row.UntilAt), OrZero(row.UntilVersion)
		a.UntilReason, a.UntilVoid = OrZero(row.UntilReason), row.UntilVoid != nil && *row.UntilVoid
	}
	return a, nil
}

// charges are what a job's complaints take back from it.
func (r *monthReader) charges(text *string, work *month.Work) ([]month.Charge, error) {
	if text == nil {
		return nil, nil
	}
	var rows []callBackRow
	if err := json.Unmarshal([]byte(*text), &rows); err != nil {
		return nil, fmt.Errorf("call-backs: %w", err)
	}
	versions := make([]month.CallBackVersion, len(rows))
	for i, row := range rows {
		// A day to come has no rules yet, and its price could still change.
		on := min(row.ReportedOn, domain.DateOf(row.RecordedAt, r.plan.Zone))
		versions[i] = month.CallBackVersion{Position: row.Position, RecordedAt: row.RecordedAt, CallBackID: row.CallBackID, Charged: row.Charged, On: on}
	}
	return month.ChargesOf(versions, r.ruleSetOn, work)
}

// callBackRow is one version of a complaint.
type callBackRow struct {
	Position   int64       `json:"position"`
	RecordedAt time.Time   `json:"recorded_at"`
	CallBackID domain.UUID `json:"call_back_id"`
	Charged    bool        `json:"charged"`
	ReportedOn domain.Date `json:"reported_on"`
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

// history sums what stood and what stands, and finds what moved between.
func (w *monthWriter) history() error {
	r := &w.plan.Range
	w.begins(StageHistory)
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
		w.spending.Take(h, r)
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
// job and time, then late work and late voids by position.
func (w *monthWriter) corrections() error {
	return writeTable(w, month.Corrections(), func(row func(*month.Correction) error) error {
		return w.eachCorrection(func(c *month.Correction) error {
			c.ReportedIn = w.plan.Month
			return row(c)
		})
	})
}

func (w *monthWriter) eachCorrection(use func(*month.Correction) error) error {
	err := w.eachHistory(monthHistorySQL, func(h *month.History) error {
		return h.Corrections(&w.plan.Range, func(c *month.Correction) error {
			if w.floored {
				c.HideContractor()
			}
			return use(c)
		})
	})
	if err != nil {
		return err
	}
	w.excluded[month.ExcludedLate] = 0
	return Each(w.t, monthEventsSQL, w.args, func(r *monthEventRow) error {
		m := domain.Month(r.AcceptedMonth)
		if r.Kind == string(domain.JobKind) {
			return use(month.VoidedWhileOpen(&month.History{JobID: r.JobID, Month: m}, r.Position, r.Version, r.RecordedAt))
		}
		w.excluded[month.ExcludedLate]++
		return use(month.LateRecord(r.JobID, m, domain.Kind(r.Kind), r.Position, r.Version, r.RecordedAt))
	})
}

// callBacks writes what complaints took back from jobs of earlier months.
func (w *monthWriter) callBacks() error { return writeTable(w, month.CallBacks(), w.eachTaken) }

// eachTaken reads the history only where a price schedule takes anything back.
func (w *monthWriter) eachTaken(use func(*month.TakenLine) error) error {
	if w.args["call_backs"] != true {
		return nil
	}
	return w.eachHistory(monthHistorySQL, func(h *month.History) error { return h.TakenLines(&w.plan.Range, use) })
}
