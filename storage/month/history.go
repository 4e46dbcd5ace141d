package month

import (
	"fmt"
	"time"

	"ductledger/domain"
	"ductledger/domain/month"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
)

// eachHistory calls use with one job after the other, its acceptances up to
// the position in order; sql is the query for all of them or for some.
func (r *reader) eachHistory(sql string, use func(*month.History) error) error {
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
	err := storage.Each(r.t, sql, r.args, func(row *monthHistoryRow) error {
		if domain.UUID(row.JobID) != h.JobID {
			if err := done(); err != nil {
				return err
			}
			h = month.History{JobID: row.JobID, Month: domain.Month(row.AcceptedMonth), Fund: r.plan.Fund, Acceptances: h.Acceptances[:0]}
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

func (r *reader) acceptance(row *monthHistoryRow) (a month.Acceptance, err error) {
	work := month.Work{
		Figures: month.Figures{
			ContractorID: row.ContractorID, Outcome: domain.Outcome(storage.OrZero(row.Outcome)), PayBasis: domain.PayBasis(row.PayBasis), HomeClass: row.Class, FundSource: r.fund(row.FundSource),
			Method: domain.Method(storage.OrZero(row.Method)), Undecided: row.Undecided, BeforeTenths: row.BeforeTenths, AfterTenths: row.AfterTenths, Returned: row.ReturnedCount,
			EnergyMethod: storage.OrZero(row.EnergyMethod), SavedKWh: row.EnergySavedKwh, Excluded: row.Excluded,
		},
		Sections: sectionsOf(row.Class), Crossovers: row.CrossoversCount, WorkShown: row.WorkShown, TripShown: row.TripShown, PicturesOwed: row.PicturesOwed,
	}
	if work.Pay, err = month.PayOf(r.sets[storage.IDOf(row.RuleSetID)], &work); err != nil {
		return a, err
	}
	charges, err := r.charges(row.CallBacks, &work)
	if err != nil {
		return a, err
	}
	a = month.Acceptance{Position: row.AcceptedPosition, AcceptedAt: row.AcceptedAt, JobVersion: storage.OrZero(row.Version), Reason: storage.OrZero(row.Reason),
		Figures: work.Figures, Charges: charges, Inspected: storage.OrZero(row.Inspected), InspectedAt: storage.OrZero(row.InspectedAt)}
	if row.UntilPosition != nil {
		a.Until, a.UntilAt, a.UntilVersion = *row.UntilPosition, storage.OrZero(row.UntilAt), storage.OrZero(row.UntilVersion)
		a.UntilReason, a.UntilVoid = storage.OrZero(row.UntilReason), row.UntilVoid != nil && *row.UntilVoid
		a.Corrected = storage.OrZero(row.UntilDecision) == string(domain.Correct)
	}
	return a, nil
}

// charges are what a job's complaints take back from it.
func (r *reader) charges(text *string, work *month.Work) ([]month.Charge, error) {
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
func (w *writer) history() error {
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
		w.periods.Take(h, r)
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
func (w *writer) corrections() error {
	return writeTable(w, month.Corrections(), func(row func(*month.Correction) error) error {
		return w.eachCorrection(func(c *month.Correction) error {
			c.ReportedIn = w.plan.Month
			return row(c)
		})
	})
}

func (w *writer) eachCorrection(use func(*month.Correction) error) error {
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
	return storage.Each(w.t, monthEventsSQL, w.args, func(r *monthEventRow) error {
		m := domain.Month(r.AcceptedMonth)
		if r.Kind == string(domain.JobKind) {
			return use(month.VoidedWhileOpen(&month.History{JobID: r.JobID, Month: m}, r.Position, r.Version, r.RecordedAt))
		}
		w.excluded[month.ExcludedLate]++
		return use(month.LateRecord(r.JobID, m, domain.Kind(r.Kind), r.Position, r.Version, r.RecordedAt))
	})
}

// callBacks writes what complaints took back from jobs of earlier months.
func (w *writer) callBacks() error { return writeTable(w, month.CallBacks(), w.eachTaken) }

// eachTaken reads the history only where a price schedule takes anything back.
func (w *writer) eachTaken(use func(*month.TakenLine) error) error {
	if w.args["call_backs"] != true {
		return nil
	}
	return w.eachHistory(monthHistorySQL, func(h *month.History) error { return h.TakenLines(&w.plan.Range, use) })
}

type monthHistoryRow struct {
	JobID            [16]byte
	Serial           int32
	ContractorID     [16]byte
	Class            string
	PayBasis         string
	FundSource       *string
	Outcome          *string
	Method           *string
	Undecided        bool
	BeforeTenths     *int64
	AfterTenths      *int64
	EnergyMethod     *string
	EnergySavedKwh   *int64
	ReturnedCount    int64
	Excluded         bool
	RuleSetID        *[16]byte
	AcceptedPosition int64
	AcceptedAt       time.Time
	AcceptedMonth    string
	UntilPosition    *int64
	UntilAt          *time.Time
	Version          *int64
	UntilVersion     *int64
	UntilVoid        *bool
	UntilReason      *string
	UntilDecision    *string
	Reason           *string
	VoidNow          *bool
	Inspected        *int64
	InspectedAt      *time.Time
	CrossoversCount  int64
	WorkShown        bool
	TripShown        bool
	PicturesOwed     int64
	CallBacks        *string
}

// All acceptances up to the position, job by job, oldest first: the whole
// history once, by the primary key.
const monthHistorySQL = monthAcceptancesSQL + monthHistoryOrderSQL

const monthHistoryOrderSQL = `
ORDER BY r.job_id, r.serial`

// What only an acceptance that ended needs is looked up for those alone.
const monthAcceptancesSQL = `
SELECT r.job_id, r.serial, r.contractor_id, r.class, r.pay_basis, r.fund_source, r.outcome, coalesce((r.result::jsonb -> 'shown' ->> 'work')::boolean, true) AS work_shown,
    coalesce((r.result::jsonb -> 'shown' ->> 'trip')::boolean, true) AS trip_shown, r.pictures_owed_count::bigint AS pictures_owed, r.method, coalesce(r.quality = 'undecided', false) AS undecided, r.before_tenths, r.after_tenths,
    r.energy_method, r.energy_saved_kwh, r.returned_count::bigint AS returned_count, r.excluded, r.rule_set_id, r.accepted_position, r.accepted_at, r.accepted_month,
    u.position AS until_position, u.recorded_at AS until_at, b.version, e.version AS until_version, e.voided_at IS NOT NULL AND e.version IS NOT NULL AS until_void,
    ue.reason AS until_reason, ue.decision AS until_decision, be.reason, n.voided_at IS NOT NULL AS void_now, i.position AS inspected, i.recorded_at AS inspected_at, x.crossovers_count, cb.call_backs
FROM job_result AS r` + monthCallBacksSQL + `
LEFT JOIN LATERAL (SELECT e.position, e.recorded_at
    FROM entry AS e
    WHERE @holds::boolean AND e.program_id = r.program_id AND e.job_id = r.job_id AND e.kind = 'inspection' AND e.position <= @position
        AND e.body::jsonb ->> 'result' = 'passed' AND e.body::jsonb ->> 'purpose' IN ('final', 'monitoring') AND e.voided_at IS NULL
    ORDER BY e.position LIMIT 1) AS i ON true
LEFT JOIN entry AS u ON u.program_id = r.program_id AND u.position = r.until_position AND u.position <= @position
LEFT JOIN entry AS b ON b.program_id = r.program_id AND b.kind = 'job' AND b.record_id = r.job_id
    AND b.position <= r.accepted_position AND (b.until_position IS NULL OR b.until_position > r.accepted_position)
    AND (r.until_position <= @position OR r.serial > 1 OR i.position IS NOT NULL OR cb.call_backs IS NOT NULL)
LEFT JOIN entry AS e ON e.program_id = r.program_id AND e.kind = 'job' AND e.record_id = r.job_id
    AND e.position <= r.until_position AND (e.until_position IS NULL OR e.until_position > r.until_position) AND r.until_position <= @position
LEFT JOIN entry AS n ON n.program_id = r.program_id AND n.kind = 'job' AND n.record_id = r.job_id
    AND n.position <= @position AND (n.until_position IS NULL OR n.until_position > @position) AND r.until_position <= @position
LEFT JOIN LATERAL (SELECT array_to_string(ARRAY(SELECT jsonb_array_elements_text(l.body::jsonb -> 'reason_codes')), '.') AS reason, l.body::jsonb ->> 'decision' AS decision
    FROM entry AS l
    WHERE l.program_id = r.program_id AND l.job_id = r.job_id AND l.kind = 'review' AND l.position <= r.until_position
        AND l.body::jsonb ->> 'decision' IN ('reopen', 'exclude', 'include', 'correct') AND r.until_position <= @position
    ORDER BY l.position DESC LIMIT 1) AS ue ON true
LEFT JOIN LATERAL (SELECT array_to_string(ARRAY(SELECT jsonb_array_elements_text(l.body::jsonb -> 'reason_codes')), '.') AS reason
    FROM entry AS l
    WHERE l.program_id = r.program_id AND l.job_id = r.job_id AND l.kind = 'review' AND l.position <= r.accepted_position
        AND l.body::jsonb ->> 'decision' = 'accept' AND r.serial > 1
    ORDER BY l.position DESC LIMIT 1) AS be ON true
CROSS JOIN LATERAL (SELECT count(*) AS crossovers_count
    FROM entry AS c
    WHERE @crossovers::boolean AND c.program_id = r.program_id AND c.job_id = r.job_id AND c.kind = 'crossover' AND c.voided_at IS NULL
        AND c.position <= r.accepted_position AND (c.until_position IS NULL OR c.until_position > r.accepted_position) AND c.body::jsonb ->> 'action' = 'replaced') AS x
WHERE r.program_id = @program_id AND r.accepted_position <= @position`

type monthEventRow struct {
	Kind          string
	Position      int64
	Version       int64
	RecordedAt    time.Time
	JobID         [16]byte
	AcceptedMonth string
	Void          bool
}

// Late work, and accepted jobs that were voided while they were open again.
// Jobs of earlier months count from the package before, own jobs always.
const monthEventsSQL = `
SELECT l.kind, l.position, l.version, l.recorded_at, l.job_id, f.accepted_month, l.voided_at IS NOT NULL AS void
FROM entry AS l
JOIN LATERAL (SELECT f.accepted_month, f.accepted_position FROM job_result AS f
    WHERE f.program_id = l.program_id AND f.job_id = l.job_id AND f.accepted_position IS NOT NULL
    ORDER BY f.serial LIMIT 1) AS f ON f.accepted_position < l.position
WHERE l.program_id = @program_id AND l.position > @begin AND l.position <= @position
    AND (f.accepted_month = @month OR f.accepted_month < @month AND l.position > @previous)
    AND (@fund = '' OR @fund = (SELECT coalesce(g.fund_source, @first_fund) FROM job_result AS g
        WHERE g.program_id = l.program_id AND g.job_id = l.job_id AND g.accepted_position <= l.position ORDER BY g.serial DESC LIMIT 1))
    AND (l.late AND l.kind <> 'job' OR l.kind = 'job' AND l.voided_at IS NOT NULL AND NOT EXISTS (
        SELECT FROM job_result AS s
        WHERE s.program_id = l.program_id AND s.job_id = l.job_id AND s.accepted_position < l.position
            AND (s.until_position IS NULL OR s.until_position >= l.position)))
ORDER BY l.position`
