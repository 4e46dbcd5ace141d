package storage

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
)

// firm is one contractor's row while its jobs are written.
type firm struct {
	name string
	jobs int64
	sums month.Sums
}

// eachJob calls use with the jobs that the package shows, and their pay; sql
// is the query for all of them or for some.
func (r *monthReader) eachJob(sql string, use func(*month.AcceptedJob, *month.Work) error) error {
	return Each(r.t, sql, r.args, func(row *month.AcceptedJob) (err error) {
		work := month.Work{
			Figures: month.Figures{
				ContractorID: row.ContractorID, Outcome: domain.Outcome(OrZero(row.Outcome)), PayBasis: domain.PayBasis(row.PayBasis), HomeClass: row.Class,
				FundSource: OrZero(row.FundSource), Method: domain.Method(OrZero(row.Method)), Undecided: row.Undecided, BeforeTenths: row.BeforeTenths, AfterTenths: row.AfterTenths, Returned: row.ReturnedCount, Excluded: row.Excluded,
			},
			Sections: sectionsOf(row.Class), Crossovers: row.CrossoversCount, WorkShown: row.WorkShown, TripShown: row.TripShown, Inspected: row.Inspected,
		}
		if work.Pay, err = month.PayOf(r.sets[IDOf(row.RuleSetID)], &work); err != nil {
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
func (w *monthWriter) suppression() error {
	if w.inForce == nil || w.inForce.SuppressBelowCount == nil {
		return nil
	}
	jobs := map[domain.UUID]int64{}
	err := Each(w.t, monthContractorsSQL, w.args, func(r *monthContractorRow) error {
		jobs[r.ContractorID] = r.Count
		return nil
	})
	w.hides = month.Suppress(jobs, int64(*w.inForce.SuppressBelowCount))
	w.excluded[month.ExcludedContractors] = w.hides.Count()
	return err
}

// writeTable writes the rows of a table that each calls its argument with.
func writeTable[R any](w *monthWriter, table pack.TableOf[R], each func(row func(*R) error) error) error {
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
func writeRows[R any](w *monthWriter, table pack.TableOf[R], rows []R) error {
	return writeTable(w, table, func(row func(*R) error) error {
		for i := range rows {
			if err := row(&rows[i]); err != nil {
				return err
			}
		}
		return nil
	})
}

func (w *monthWriter) jobs() error {
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

func (w *monthWriter) measurements() error {
	return writeTable(w, month.Measurements(), func(row func(*month.ReadingRow) error) error {
		return Each(w.t, monthMeasurementsSQL, w.args, func(r *monthMeasurementRow) error {
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

func (w *monthWriter) contractors() error {
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

func (w *monthWriter) payments() error {
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
func (w *monthWriter) costs() error { return writeRows(w, month.CostsBy(), w.costRows()) }

func (w *monthWriter) costRows() []month.CostRow {
	if w.inForce == nil {
		return w.spending.Rows(nil)
	}
	return w.spending.Rows(w.inForce.CostCeilingCents)
}

func (w *monthWriter) reconciliation() error {
	lines, err := w.reconcile()
	if err != nil {
		return err
	}
	costs, err := w.spending.Reconcile()
	if err != nil {
		return err
	}
	lines = append(lines, costs...)
	err = Each(w.t, monthStatesSQL, w.args, func(r *monthStateRow) error {
		w.excluded[month.ExcludedJob+r.State] = r.Count
		return nil
	})
	if err != nil {
		return err
	}
	if w.excluded[month.ExcludedHeld], err = w.t.count(monthHeldSQL, w.args); err != nil {
		return err
	}
	for _, reason := range slices.Sorted(maps.Keys(w.excluded)) {
		lines = append(lines, pack.ExcludedRow(reason, w.excluded[reason]))
	}
	return writeRows(w, pack.Reconciliation(), lines)
}

func (w *monthWriter) codes() error { return writeRows(w, month.CodesUsed(), month.Codes()) }

func (w *monthWriter) ledger() error {
	p := w.plan
	return writeRows(w, month.LedgerAt(), []month.LedgerFact{
		{Name: "epoch", Value: p.Epoch.String()}, {Name: "position", Value: strconv.FormatInt(p.Position, 10)}, {Name: "head_link", Value: "x" + p.Link.String()},
		{Name: "previous_position", Value: strconv.FormatInt(p.Previous, 10)}, {Name: "time_zone", Value: p.Program.TimeZone},
	})
}
