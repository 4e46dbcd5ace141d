package month

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"ductledger/domain"
	"ductledger/domain/month"
	"ductledger/domain/pack"
	"ductledger/storage"
)

// firm is one contractor's row while its jobs are written.
type firm struct {
	name string
	jobs int64
	sums month.Sums
}

// eachJob calls use with the jobs that the package shows, and their pay; sql
// is the query for all of them or for some.
func (r *reader) eachJob(sql string, use func(*month.AcceptedJob, *month.Work) error) error {
	return storage.Each(r.t, sql, r.args, func(row *month.AcceptedJob) (err error) {
		work := month.Work{
			Figures: month.Figures{
				ContractorID: row.ContractorID, Outcome: domain.Outcome(storage.OrZero(row.Outcome)), PayBasis: domain.PayBasis(row.PayBasis), HomeClass: row.Class,
				FundSource: r.fund(row.FundSource), Method: domain.Method(storage.OrZero(row.Method)), Undecided: row.Undecided, BeforeTenths: row.BeforeTenths, AfterTenths: row.AfterTenths, Returned: row.ReturnedCount,
				EnergyMethod: storage.OrZero(row.EnergyMethod), SavedKWh: row.EnergySavedKwh, Excluded: row.Excluded,
			},
			Sections: sectionsOf(row.Class), Crossovers: row.CrossoversCount, WorkShown: row.WorkShown, TripShown: row.TripShown, PicturesOwed: row.PicturesOwed, Inspected: row.Inspected,
		}
		if work.Pay, err = month.PayOf(r.sets[storage.IDOf(row.RuleSetID)], &work); err != nil {
			return fmt.Errorf("job %s: %w", domain.UUID(row.JobID), err)
		}
		charges, err := r.charges(row.CallBacks, &work)
		if err != nil {
			return fmt.Errorf("job %s: %w", domain.UUID(row.JobID), err)
		}
		work.Pay = work.Pay.Less(month.Taken(charges, r.plan.Position))
		return use(row, &work)
	})
}

// suppression decides whose counts are hidden before the first row is written.
func (w *writer) suppression() error {
	if w.inForce == nil || w.inForce.SuppressBelowCount == nil {
		return nil
	}
	jobs := map[domain.UUID]int64{}
	err := storage.Each(w.t, monthContractorsSQL, w.args, func(r *monthContractorRow) error {
		jobs[r.ContractorID] = r.Count
		return nil
	})
	w.hides = month.Suppress(jobs, int64(*w.inForce.SuppressBelowCount))
	w.excluded[month.ExcludedContractors] = w.hides.Count()
	return err
}

// writeTable writes the rows of a table that each calls its argument with.
func writeTable[R any](w *writer, table pack.TableOf[R], each func(row func(*R) error) error) error {
	w.begins(table.Name)
	rows, err := w.pack.Table(table.Name)
	if err != nil {
		return err
	}
	err = each(func(r *R) error {
		w.passed()
		return table.Row(rows, r)
	})
	if err != nil {
		return err
	}
	return rows.Close()
}

// writeRows writes a short table.
func writeRows[R any](w *writer, table pack.TableOf[R], rows []R) error {
	return writeTable(w, table, func(row func(*R) error) error {
		for i := range rows {
			if err := row(&rows[i]); err != nil {
				return err
			}
		}
		return nil
	})
}

func (w *writer) jobs() error {
	w.args["digests"] = true
	defer func() { w.args["digests"] = false }()
	return writeTable(w, month.Jobs(), func(row func(*month.JobRow) error) error {
		return w.eachJob(monthJobsSQL, func(j *month.AcceptedJob, work *month.Work) error {
			r := month.JobRow{AcceptedJob: j, Work: work, Contractor: w.hides.Ref(j.ContractorID), CountedAs: "new", AcceptedOn: domain.DateOf(j.AcceptedAt, w.plan.Zone)}
			if domain.Month(j.AcceptedMonth) == w.plan.Month {
				w.movement.New = w.movement.New.Plus(work.Sums())
				w.spending.TakeNew(work)
			} else {
				r.CountedAs = "late"
			}
			f := w.firms[j.ContractorID]
			if f == nil {
				f = &firm{}
				w.firms[j.ContractorID] = f
			}
			f.jobs++
			f.sums = f.sums.Plus(work.Sums())
			if reason := work.NoReduction(); reason != "" {
				w.excluded[month.ExcludedNoReduction+reason]++
			}
			return row(&r)
		})
	})
}

func (w *writer) measurements() error {
	return writeTable(w, month.Measurements(), func(row func(*month.ReadingRow) error) error {
		return storage.Each(w.t, monthMeasurementsSQL, w.args, func(r *monthMeasurementRow) error {
			record, err := domain.Decode(domain.MeasurementKind, []byte(r.Body))
			if err != nil {
				return fmt.Errorf("measurement %s: %w", domain.UUID(r.MeasurementID), err)
			}
			m := record.(*domain.Measurement)
			for i := range m.Readings {
				err := row(&month.ReadingRow{MeasurementID: r.MeasurementID, JobID: r.JobID, Number: int64(i + 1), Measurement: m, Reading: &m.Readings[i], LeftOut: r.LeftOut, Void: r.Void})
				if err != nil {
					return err
				}
			}
			return nil
		})
	})
}

func (w *writer) pictures() error {
	return writeTable(w, month.Pictures(), func(row func(*month.PictureRow) error) error {
		return storage.Each(w.t, monthPicturesSQL, w.args, func(r *monthPictureRow) error {
			record, err := domain.Decode(domain.PhotoKind, []byte(r.Body))
			if err != nil {
				return fmt.Errorf("photo %s: %w", domain.UUID(r.PhotoID), err)
			}
			return row(&month.PictureRow{PhotoID: r.PhotoID, JobID: r.JobID, Photo: record.(*domain.Photo)})
		})
	})
}

func (w *writer) contractors() error {
	names, err := w.t.ContractorNames(w.plan.Position)
	if err != nil {
		return err
	}
	for id, name := range names {
		if f := w.firms[id]; f != nil {
			f.name = name
		}
	}
	ids := slices.SortedFunc(maps.Keys(w.firms), func(a, b domain.UUID) int {
		return cmp.Or(strings.Compare(w.firms[a].name, w.firms[b].name), a.Compare(b))
	})
	hidden := firm{}
	ids = slices.DeleteFunc(ids, func(id domain.UUID) bool {
		if w.hides.Hides(id) {
			hidden.jobs += w.firms[id].jobs
			hidden.sums = hidden.sums.Plus(w.firms[id].sums)
		}
		return w.hides.Hides(id) && !w.hides.Names()
	})
	rows := make([]month.ContractorRow, 0, len(ids)+1)
	for _, id := range ids {
		f := w.firms[id]
		if w.hides.Hides(id) {
			rows = append(rows, month.HiddenRow(id, f.name))
		} else {
			rows = append(rows, month.ContractorRow{Ref: month.ContractorRef(id), Name: f.name, Jobs: f.jobs, Sums: f.sums})
		}
	}
	if hidden.jobs > 0 {
		rows = append(rows, month.HiddenSumRow(hidden.jobs, &hidden.sums))
	}
	return writeRows(w, month.Contractors(), rows)
}

func (w *writer) payments() error {
	return writeTable(w, month.Payments(), func(row func(*month.PaymentRow) error) error {
		return w.eachJob(monthJobsSQL, func(j *month.AcceptedJob, work *month.Work) error {
			for i := range work.Pay.Lines {
				err := row(&month.PaymentRow{JobID: j.JobID, Number: int64(i + 1), Contractor: w.hides.Ref(j.ContractorID), PayLine: &work.Pay.Lines[i]})
				if err != nil {
					return err
				}
			}
			return nil
		})
	})
}

// costs writes what the jobs cost by fund and category, and the average cost of
// a home beside its ceiling.
func (w *writer) costs() error { return writeRows(w, month.CostsBy(), w.costRows()) }

func (w *writer) costRows() []month.CostRow {
	if w.inForce == nil {
		return w.spending.Rows(nil)
	}
	return w.spending.Rows(w.inForce.CostCeilingCents)
}

func (w *writer) reconciliation() error {
	lines, err := w.reconcile()
	if err != nil {
		return err
	}
	costs, err := w.spending.Reconcile()
	if err != nil {
		return err
	}
	lines = append(lines, costs...)
	err = storage.Each(w.t, monthStatesSQL, w.args, func(r *monthStateRow) error {
		w.excluded[month.ExcludedJob+r.State] = r.Count
		return nil
	})
	if err != nil {
		return err
	}
	if w.plan.Fund != "" {
		if w.excluded[month.ExcludedNoFund], err = count(w.t, monthNoFundSQL, w.args); err != nil {
			return err
		}
	}
	if w.excluded[month.ExcludedHeld], err = count(w.t, monthHeldSQL, w.args); err != nil {
		return err
	}
	for _, reason := range slices.Sorted(maps.Keys(w.excluded)) {
		lines = append(lines, pack.ExcludedRow(reason, w.excluded[reason]))
	}
	return writeRows(w, pack.Reconciliation(), lines)
}

type monthEventsRow struct {
	Kind  string
	Month string
	Count int64
	Good  int64
}

// Inspections that passed or failed and complaints, by the month of the day that
// they name; of one fund by the job's newest acceptance, before any by its record.
const monthPeriodsSQL = `
SELECT e.kind, left(coalesce(e.body::jsonb ->> 'inspected_on', e.body::jsonb ->> 'reported_on'), 7) AS month, count(*) AS count,
    count(*) FILTER (WHERE e.body::jsonb ->> 'result' = 'passed' OR e.body::jsonb ->> 'at_fault' = 'crew' AND e.body::jsonb ? 'closed_on') AS good
FROM entry AS e
WHERE e.program_id = @program_id AND e.kind IN ('inspection', 'call_back') AND e.position <= @position
    AND (e.until_position IS NULL OR e.until_position > @position) AND e.voided_at IS NULL
    AND (e.kind = 'call_back' OR e.body::jsonb ->> 'result' IN ('passed', 'failed'))
    AND (@fund = '' OR @fund = coalesce((SELECT coalesce(g.fund_source, @first_fund) FROM job_result AS g
            WHERE g.program_id = e.program_id AND g.job_id = e.job_id AND g.accepted_position <= @position ORDER BY g.serial DESC LIMIT 1),
        (SELECT j.body::jsonb ->> 'fund_source' FROM entry AS j WHERE j.program_id = e.program_id AND j.kind = 'job' AND j.record_id = e.job_id
            AND j.position <= @position AND (j.until_position IS NULL OR j.until_position > @position))))
GROUP BY 1, 2
ORDER BY 1, 2`

// months writes what stands month by month.
func (w *writer) months() error {
	err := storage.Each(w.t, monthPeriodsSQL, w.args, func(r *monthEventsRow) error {
		if r.Kind == string(domain.InspectionKind) {
			w.periods.Inspected(domain.Month(r.Month), r.Count, r.Good)
		} else {
			w.periods.Complained(domain.Month(r.Month), r.Count, r.Good)
		}
		return nil
	})
	if err != nil {
		return err
	}
	return writeRows(w, month.PeriodsTable(), w.periods.Rows(w.plan.Month))
}

func (w *writer) codes() error { return writeRows(w, month.CodesUsed(), month.Codes()) }

func (w *writer) ledger() error {
	return writeRows(w, month.LedgerAt(), ledgerFacts(w.plan))
}

func ledgerFacts(p *Plan) []month.LedgerFact {
	return []month.LedgerFact{
		{Name: "epoch", Value: p.Epoch.String()}, {Name: "position", Value: strconv.FormatInt(p.Position, 10)}, {Name: "head_link", Value: "x" + p.Link.String()},
		{Name: "previous_position", Value: strconv.FormatInt(p.Previous, 10)}, {Name: "time_zone", Value: p.Program.TimeZone},
	}
}

// Every version of a job's complaints up to the position, oldest first.
const monthCallBacksSQL = `
CROSS JOIN LATERAL (SELECT json_agg(json_build_object('position', l.position, 'recorded_at', l.recorded_at, 'call_back_id', l.record_id,
        'charged', l.voided_at IS NULL AND l.body::jsonb ->> 'at_fault' = 'crew' AND l.body::jsonb ? 'closed_on',
        'reported_on', l.body::jsonb ->> 'reported_on') ORDER BY l.position)::text AS call_backs
    FROM entry AS l
    WHERE @call_backs::boolean AND l.program_id = r.program_id AND l.job_id = r.job_id AND l.kind = 'call_back' AND l.position <= @position) AS cb`

// The jobs of the month that stand at the position, and late ones, by @month,
// @late, @position and @from: none of them was accepted before the month began.
const (
	monthFirstSQL = `
FROM job_result AS r
JOIN LATERAL (SELECT f.accepted_month, f.accepted_position FROM job_result AS f
    WHERE f.program_id = r.program_id AND f.job_id = r.job_id AND f.accepted_position IS NOT NULL
    ORDER BY f.serial LIMIT 1) AS f ON f.accepted_month = @month OR r.job_id = ANY (@late)`
	monthStandingSQL = `
WHERE r.program_id = @program_id AND (r.accepted_at >= @from OR r.job_id = ANY (@late)) AND r.accepted_position <= @position
    AND (r.until_position IS NULL OR r.until_position > @position) AND (@fund = '' OR coalesce(r.fund_source, @first_fund) = @fund)`
)

type monthContractorRow struct {
	ContractorID [16]byte
	Count        int64
}

const monthContractorsSQL = `
SELECT r.contractor_id, count(*) AS count` + monthFirstSQL + monthStandingSQL + `
GROUP BY r.contractor_id`

const monthJobsSQL = monthStandingJobsSQL + monthJobsOrderSQL

const monthJobsOrderSQL = `
ORDER BY f.accepted_position, r.job_id`

// What holds the file of a job to a package: the links of its entries l.
const entriesDigestSQL = ` sha256(string_agg(l.link, ''::bytea ORDER BY l.position))`

const monthStandingJobsSQL = `
SELECT r.job_id, r.home_id, r.contractor_id, f.accepted_month, r.accepted_at,
    (SELECT count(*) FROM job_result AS c WHERE c.program_id = r.program_id AND c.job_id = r.job_id AND c.accepted_position <= @position) AS accepted_count,
    j.version AS job_version, r.outcome, r.pay_basis, r.fund_source, r.class, r.floor_area_ft2,
    coalesce((r.result::jsonb -> 'shown' ->> 'work')::boolean, true) AS work_shown,
    coalesce((r.result::jsonb -> 'shown' ->> 'trip')::boolean, true) AS trip_shown, r.pictures_owed_count::bigint AS pictures_owed, r.method, coalesce(r.quality = 'undecided', false) AS undecided, r.before_tenths, r.after_tenths, r.extrapolated, r.energy_method, r.energy_saved_kwh,
    (r.result::jsonb #>> '{energy_estimate,delivery_effectiveness_before_ratio}')::float8 AS effectiveness_before,
    (r.result::jsonb #>> '{energy_estimate,delivery_effectiveness_after_ratio}')::float8 AS effectiveness_after,
    (r.result::jsonb #>> '{energy_estimate,saving_low_kwh}')::float8 AS saving_low, (r.result::jsonb #>> '{energy_estimate,saving_high_kwh}')::float8 AS saving_high,
    r.result::jsonb #>> '{energy_estimate,reason}' AS no_energy, r.excluded, r.check_count::bigint AS check_count,
    r.note_count::bigint AS note_count, r.returned_count::bigint AS returned_count, r.rule_set_id, r.method_version,
    EXISTS (SELECT FROM entry AS l
        WHERE @holds::boolean AND l.program_id = r.program_id AND l.job_id = r.job_id AND l.kind = 'inspection' AND l.position <= @position
            AND l.body::jsonb ->> 'result' = 'passed' AND l.body::jsonb ->> 'purpose' IN ('final', 'monitoring') AND l.voided_at IS NULL) AS inspected,
    (SELECT count(*) FROM entry AS c
        WHERE @crossovers::boolean AND c.program_id = r.program_id AND c.job_id = r.job_id AND c.kind = 'crossover' AND c.voided_at IS NULL
            AND c.position <= r.accepted_position AND (c.until_position IS NULL OR c.until_position > r.accepted_position) AND c.body::jsonb ->> 'action' = 'replaced') AS crossovers_count, cb.call_backs,
    CASE WHEN @digests::boolean THEN (SELECT` + entriesDigestSQL + `
        FROM entry AS l WHERE l.program_id = r.program_id AND l.job_id = r.job_id AND l.position <= @position) END AS entries_sha256` + monthFirstSQL + monthCallBacksSQL + `
JOIN entry AS j ON j.program_id = r.program_id AND j.kind = 'job' AND j.record_id = r.job_id
    AND j.position <= r.accepted_position AND (j.until_position IS NULL OR j.until_position > r.accepted_position)` + monthStandingSQL

type monthMeasurementRow struct {
	JobID         [16]byte
	MeasurementID [16]byte
	LeftOut       *string
	Void          bool
	Body          string
}

// Each measurement that a result names, as it was when the job was accepted.
const monthMeasurementsSQL = `
SELECT r.job_id, m.measurement_id, m.left_out, l.voided_at IS NOT NULL AS void, l.body` + monthMeasuredSQL + `
ORDER BY f.accepted_position, r.job_id, m.measurement_id`

// One entry is looked for at a time: the planner takes a result for a hundred
// readings, and would read every measurement of the program for each job.
const monthMeasuredSQL = monthFirstSQL + `
CROSS JOIN LATERAL (
    SELECT (e ->> 'measurement_id')::uuid AS measurement_id, NULL AS left_out FROM jsonb_array_elements(r.result::jsonb -> 'readings') AS e
    UNION ALL
    SELECT (e ->> 'measurement_id')::uuid, e ->> 'reason' FROM jsonb_array_elements(r.result::jsonb -> 'left_out') AS e) AS m
CROSS JOIN LATERAL (SELECT e.voided_at, e.body FROM entry AS e
    WHERE e.program_id = r.program_id AND e.kind = 'measurement' AND e.record_id = m.measurement_id
        AND e.position <= r.accepted_position AND (e.until_position IS NULL OR e.until_position > r.accepted_position)
    ORDER BY e.version DESC LIMIT 1) AS l` + monthStandingSQL

type monthPictureRow struct {
	JobID   [16]byte
	PhotoID [16]byte
	Body    string
}

// Each photo of a job, as it was when the job was accepted.
const monthPicturesSQL = `
SELECT r.job_id, l.record_id AS photo_id, l.body` + monthFirstSQL + `
JOIN entry AS l ON l.program_id = r.program_id AND l.job_id = r.job_id AND l.kind = 'photo' AND l.voided_at IS NULL
    AND l.position <= r.accepted_position AND (l.until_position IS NULL OR l.until_position > r.accepted_position)` + monthStandingSQL + `
ORDER BY f.accepted_position, r.job_id, l.record_id`

type monthStateRow struct {
	State string
	Count int64
}

// Jobs that are not accepted at the position, by their state.
const monthStatesSQL = `
SELECT CASE WHEN e.voided_at IS NOT NULL THEN 'void' ELSE e.body::jsonb ->> 'state' END AS state, count(*) AS count
FROM entry AS e
WHERE e.program_id = @program_id AND e.kind = 'job' AND e.position <= @position AND (e.until_position IS NULL OR e.until_position > @position)
    AND (e.voided_at IS NOT NULL OR e.body::jsonb ->> 'state' <> 'accepted') AND (@fund = '' OR e.body::jsonb ->> 'fund_source' = @fund)
GROUP BY 1
ORDER BY 1`

// Jobs of which nobody can tell the fund: in no package while a program has several.
const monthNoFundSQL = `
SELECT (SELECT count(*) FROM job_result AS r
        WHERE r.program_id = @program_id AND r.accepted_position <= @position AND (r.until_position IS NULL OR r.until_position > @position)
            AND coalesce(r.fund_source, @first_fund) = 'no-fund')
    + (SELECT count(*) FROM entry AS e
        WHERE e.program_id = @program_id AND e.kind = 'job' AND e.position <= @position AND (e.until_position IS NULL OR e.until_position > @position)
            AND e.voided_at IS NULL AND e.body::jsonb ->> 'state' <> 'accepted' AND NOT e.body::jsonb ? 'fund_source') AS count`

// Items that were held, and not settled, when the position was recorded.
const monthHeldSQL = `
SELECT count(*) AS count FROM held
WHERE program_id = @program_id AND received_at <= @as_of AND (closed_at IS NULL OR closed_at > @as_of)`
