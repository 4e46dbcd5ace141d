package storage

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"ductledger/domain"
	"ductledger/domain/bag"
	"ductledger/domain/month"
	"ductledger/domain/stat"

	"github.com/go-json-experiment/json"
)

// firm is one contractor's row while its jobs are written.
type firm struct {
	name string
	jobs int64
	sums month.Sums
}

// eachJob calls use with the jobs that the package shows, and their pay; sql
// is the query for all of them or for some.
func (r *monthReader) eachJob(sql string, use func(*monthJobRow, *month.Work) error) error {
	return each(r.t, sql, r.args, func(row *monthJobRow) (err error) {
		work := month.Work{
			Figures: month.Figures{
				ContractorID: row.ContractorID, Outcome: domain.Outcome(textOf(row.Outcome)), PayBasis: domain.PayBasis(row.PayBasis), HomeClass: row.Class,
				FundSource: textOf(row.FundSource), Method: domain.Method(textOf(row.Method)), Undecided: row.Undecided, BeforeTenths: row.BeforeTenths, AfterTenths: row.AfterTenths, Returned: row.ReturnedCount, Excluded: row.Excluded,
			},
			Sections: sectionsOf(row.Class), Crossovers: row.CrossoversCount, Inspected: row.Inspected,
		}
		if work.Pay, err = month.PayOf(r.sets[idOf(row.RuleSetID)], &work); err != nil {
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
	err := each(w.t, monthContractorsSQL, w.args, func(r *monthContractorRow) error {
		jobs[r.ContractorID] = r.Count
		return nil
	})
	w.hides = month.Suppress(jobs, int64(*w.inForce.SuppressBelowCount))
	w.excluded[month.ExcludedContractors] = w.hides.Count()
	return err
}

func (w *monthWriter) jobs() error {
	rows, err := w.t.count(monthJobsCountSQL, w.args)
	if err != nil {
		return err
	}
	s, err := w.table(month.JobsTable, rows)
	if err != nil {
		return err
	}
	err = w.eachJob(monthJobsSQL, func(r *monthJobRow, work *month.Work) error {
		countedAs := "new"
		if domain.Month(r.AcceptedMonth) == w.plan.Month {
			w.movement.New = w.movement.New.Plus(work.Sums())
			w.spending.TakeNew(work)
		} else {
			countedAs = "late"
		}
		f := w.firms[r.ContractorID]
		if f == nil {
			f = &firm{}
			w.firms[r.ContractorID] = f
		}
		f.jobs++
		f.sums = f.sums.Plus(work.Sums())
		reason := work.NoReduction()
		if reason != "" {
			w.excluded[month.ExcludedNoReduction+reason]++
		}
		s.Text(month.JobRef(r.JobID)).Text(month.HomeRef(r.HomeID)).Text(w.hides.Ref(r.ContractorID)).Text(countedAs).Text(r.AcceptedMonth)
		s.Text(string(domain.DateOf(r.AcceptedAt, w.plan.Zone))).Time(r.AcceptedAt).Int(r.AcceptedCount).Int(r.JobVersion).Text(textOf(r.Outcome))
		s.Text(r.PayBasis).Text(textOf(r.FundSource)).Text(r.Class)
		number(s, r.FloorAreaFt2)
		s.Text(textOf(r.Method))
		work.LeakageCells(s)
		s.Bool(r.Extrapolated).Text(reason).Int(r.CheckCount).Int(r.NoteCount).Int(r.ReturnedCount)
		s.Int(work.Pay.PayableCents).Int(work.Pay.HeldBackCents).Text(month.RuleSetRef(idOf(r.RuleSetID))).Text(r.MethodVersion)
		return w.end(s)
	})
	if err != nil {
		return err
	}
	return s.Close()
}

// number writes a value to 0.1, half to even: readings come in such steps.
func number(s *bag.Sheet, v *float64) {
	if v == nil {
		s.Unknown()
		return
	}
	tenths, err := stat.Units(*v, 1)
	if err != nil {
		s.Text(strconv.FormatFloat(*v, 'g', -1, 64)) // the column refuses it, with its place
		return
	}
	s.Scaled(tenths)
}

func (w *monthWriter) measurements() error {
	rows, err := w.t.count(monthReadingsCountSQL, w.args)
	if err != nil {
		return err
	}
	s, err := w.table(month.MeasurementsTable, rows)
	if err != nil {
		return err
	}
	known := map[string]bool{}
	for _, code := range month.Codes() {
		known[code.List+"/"+code.Code] = true
	}
	err = each(w.t, monthMeasurementsSQL, w.args, func(r *monthMeasurementRow) error {
		record, err := domain.Decode(domain.MeasurementKind, []byte(r.Body))
		if err != nil {
			return fmt.Errorf("measurement %s: %w", domain.UUID(r.MeasurementID), err)
		}
		m := record.(*domain.Measurement)
		reason := textOf(r.LeftOut)
		if reason != "" && !known["left_out_reason/"+reason] {
			reason = "not_used"
		}
		for i := range m.Readings {
			line := &m.Readings[i]
			s.Text(month.MeasurementRef(r.MeasurementID)).Int(int64(i + 1)).Text(month.JobRef(r.JobID)).Text(string(m.Method)).Text(string(m.Stage))
			s.Text(m.TakenAt.Format(time.RFC3339Nano)).Bool(r.LeftOut == nil).Text(reason).Bool(r.Void)
			for _, v := range []*float64{line.PressurePa, line.FlowCFM, line.FanPressurePa, m.HousePressurePa, line.WholeCFM, line.MaskedCFM, line.HouseToDuctPa, line.PanPa} {
				number(s, v)
			}
			if err := w.end(s); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return s.Close()
}

func (w *monthWriter) contractors() error {
	var names []nameRow
	all(w.t, &names, contractorNamesSQL, w.args)
	if err := w.t.flush(); err != nil {
		return err
	}
	for _, n := range names {
		if f := w.firms[n.RecordID]; f != nil {
			var record domain.Contractor
			if err := json.Unmarshal([]byte(n.Body), &record); err != nil {
				return fmt.Errorf("contractor %s: %w", domain.UUID(n.RecordID), err)
			}
			f.name = record.Name
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
	rows := int64(len(ids))
	if hidden.jobs > 0 {
		rows++
	}
	s, err := w.table(month.ContractorsTable, rows)
	if err != nil {
		return err
	}
	for _, id := range ids {
		f := w.firms[id]
		s.Text(month.ContractorRef(id)).Text(f.name)
		if w.hides.Hides(id) {
			month.SuppressedCells(s)
		} else {
			s.Int(f.jobs)
			f.sums.ContractorCells(s)
			s.Unknown()
		}
		if err := w.end(s); err != nil {
			return err
		}
	}
	if hidden.jobs > 0 {
		month.SuppressedSumCells(s, hidden.jobs, &hidden.sums)
		if err := w.end(s); err != nil {
			return err
		}
	}
	return s.Close()
}

func (w *monthWriter) payments() error {
	rows := int64(0)
	w.begins(month.PaymentsTable, 0)
	err := w.eachJob(monthJobsSQL, func(_ *monthJobRow, work *month.Work) error { rows += int64(len(work.Pay.Lines)); return nil })
	if err != nil {
		return err
	}
	s, err := w.table(month.PaymentsTable, rows)
	if err != nil {
		return err
	}
	err = w.eachJob(monthJobsSQL, func(r *monthJobRow, work *month.Work) error {
		for i := range work.Pay.Lines {
			line := &work.Pay.Lines[i]
			s.Text(month.JobRef(r.JobID)).Int(int64(i + 1)).Text(w.hides.Ref(r.ContractorID))
			line.Cells(s)
			if err := w.end(s); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return s.Close()
}

// costs writes what the jobs cost by fund and category, and the average cost of
// a home beside its ceiling.
func (w *monthWriter) costs() error {
	rows := w.spending.Rows()
	s, err := w.table(month.CostsTable, int64(len(rows)))
	if err != nil {
		return err
	}
	var ceiling *int64
	if w.inForce != nil {
		ceiling = w.inForce.CostCeilingCents
	}
	for i := range rows {
		rows[i].Cells(s, ceiling)
		if err := w.end(s); err != nil {
			return err
		}
	}
	return s.Close()
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
	err = each(w.t, monthStatesSQL, w.args, func(r *monthStateRow) error {
		w.excluded[month.ExcludedJob+r.State] = r.Count
		return nil
	})
	if err != nil {
		return err
	}
	if w.excluded[month.ExcludedHeld], err = w.t.count(monthHeldSQL, w.args); err != nil {
		return err
	}
	s, err := w.table(month.ReconciliationTable, int64(len(lines)+len(w.excluded)))
	if err != nil {
		return err
	}
	for _, line := range lines {
		if err := s.Row(line.Cells()...); err != nil {
			return err
		}
	}
	for _, reason := range slices.Sorted(maps.Keys(w.excluded)) {
		if err := s.Row(bag.ExcludedCells(reason, w.excluded[reason])...); err != nil {
			return err
		}
	}
	return s.Close()
}

func (w *monthWriter) codes() error {
	codes := month.Codes()
	s, err := w.table(month.CodesTable, int64(len(codes)))
	if err != nil {
		return err
	}
	for _, c := range codes {
		if err := s.Row(c.List, c.Code, c.Meaning); err != nil {
			return err
		}
	}
	return s.Close()
}

func (w *monthWriter) ledger() error {
	p := w.plan
	rows := [][2]string{
		{"epoch", p.Epoch.String()}, {"position", strconv.FormatInt(p.Position, 10)}, {"head_link", "x" + p.Link.String()},
		{"previous_position", strconv.FormatInt(p.Previous, 10)}, {"time_zone", p.Program.TimeZone},
	}
	s, err := w.table(month.LedgerTable, int64(len(rows)))
	if err != nil {
		return err
	}
	for _, row := range rows {
		if err := s.Row(row[0], row[1]); err != nil {
			return err
		}
	}
	return s.Close()
}
