package month

import (
	"errors"
	"fmt"
	"maps"
	"slices"

	"ductledger/domain"
	"ductledger/domain/month"
	"ductledger/domain/pack"
	"ductledger/storage"
)

// packagesBack is how many packages are looked through, one after the other,
// for the jobs that make a difference.
const packagesBack = 24

// nameJobs adds to a difference between sums the jobs that make it. They are
// looked for only then: a package that reconciles costs nothing more.
func nameJobs(why error, find func(*month.Differences) error) error {
	var refused *domain.Error
	if !errors.As(why, &refused) {
		return why
	}
	var d month.Differences
	if err := find(&d); err != nil {
		return errors.Join(why, fmt.Errorf("look for the jobs that differ: %w", err))
	}
	refused.Faults = d.Faults()
	return refused
}

// sameAsBefore holds what the package before ended with against the history.
func (w *writer) sameAsBefore() error {
	before := w.plan.Before
	if before == nil || before.Fund != w.plan.Fund { // one that held all is no measure of one fund
		return nil
	}
	return nameJobs(month.Same(before.Cumulative, w.previous, before.FileName), func(d *month.Differences) error {
		written, err := writtenSums(w.t, before)
		if err != nil {
			return err
		}
		if written != before.Cumulative {
			d.Whole(fmt.Sprintf("the sums that are kept beside %s are not those of its reconciliation.csv", before.FileName))
		}
		whole := w.previous.Minus(written)
		for p, n := before, 0; p != nil && n < packagesBack && d.Rest(whole) != (month.Sums{}); n++ {
			if err := w.compareFile(p, d); err != nil {
				return err
			}
			if p, err = packageBefore(w.t, p); err != nil {
				return err
			}
		}
		if d.Rest(whole) != (month.Sums{}) {
			d.Whole("the jobs that are shown in the packages before do not explain all of the difference")
		}
		return nil
	})
}

// writtenSums are what the file of a package says that stands.
func writtenSums(t *storage.Tx, p *Package) (month.Sums, error) {
	cumulative := map[string]string{}
	err := pack.Read(packageFile(t, p), p.Bytes, month.ReconciliationTable, []string{"measure", "cumulative"}, func(cells []string) error {
		cumulative[cells[0]] = cells[1]
		return nil
	})
	if err != nil {
		return month.Sums{}, err
	}
	return month.ReportedSums(cumulative)
}

// compareFile compares the jobs that a package shows with their history at its
// position.
func (w *writer) compareFile(p *Package, d *month.Differences) error {
	shown := map[domain.UUID]month.Sums{}
	err := pack.Read(packageFile(w.t, p), p.Bytes, month.JobsTable, month.ReportedColumns(), func(cells []string) error {
		id, sums, err := month.ReportedJob(cells)
		shown[id] = sums
		return err
	})
	if err != nil {
		return err
	}
	err = w.eachHistory(monthHistorySQL, func(h *month.History) error {
		packaged, is := shown[h.JobID]
		if is || h.Month == p.Month {
			d.Job(h.JobID, packaged, h.SumsAt(p.Position))
			delete(shown, h.JobID)
		}
		return nil
	})
	onlyShown(shown, d)
	return err
}

// onlyShown names the jobs of a package that have no history.
func onlyShown(shown map[domain.UUID]month.Sums, d *month.Differences) {
	for _, id := range slices.SortedFunc(maps.Keys(shown), domain.UUID.Compare) {
		d.Job(id, shown[id], month.Sums{})
	}
}

const packageBySHA256SQL = `
SELECT` + packageColumns + `
FROM month_package AS p
WHERE p.program_id = @program_id AND p.month = @month AND p.fund_source IN ('', @fund) AND p.sha256 = @sha256`

// packageBefore is the package that another one follows from; nil when that
// began from nothing.
func packageBefore(t *storage.Tx, p *Package) (*Package, error) {
	before, _, err := neighbors(p.Month)
	if err != nil || p.PreviousSHA256 == "" {
		return nil, err
	}
	var row *packageRow
	storage.One(t, &row, packageBySHA256SQL, storage.Args{"program_id": t.Program, "month": string(before), "fund": p.Fund, "sha256": digestArg(p.PreviousSHA256)})
	if err := t.Flush(); err != nil {
		return nil, err
	}
	return packOf(row)
}

// reconcile gives the lines of the reconciliation.
func (w *writer) reconcile() ([]pack.ReconciliationRow, error) {
	lines, err := month.Reconcile(w.previous, w.movement, w.cumulative)
	if err == nil {
		return lines, nil
	}
	return nil, nameJobs(err, func(d *month.Differences) error {
		shown := map[domain.UUID]month.Sums{}
		err := w.eachJob(monthJobsSQL, func(r *month.AcceptedJob, work *month.Work) error {
			shown[r.JobID] = work.Sums()
			return nil
		})
		if err != nil {
			return err
		}
		err = w.eachHistory(monthHistorySQL, func(h *month.History) error {
			if h.Month > w.plan.Month {
				return nil
			}
			row, is := shown[h.JobID]
			packaged, history := h.Explains(&w.plan.Range, row, is)
			d.Job(h.JobID, packaged, history)
			delete(shown, h.JobID)
			return nil
		})
		onlyShown(shown, d)
		return err
	})
}
