package month

import (
	"context"
	"fmt"
	"time"

	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/domain/month"
	"ductledger/storage"
)

// Plan is what a package of a month will be made of: where the history is
// cut, what it follows from, and which revision it becomes.
type Plan struct {
	month.Range
	Program  storage.Program
	Funds    month.Funds // of the program, at the month's end
	AsOf     time.Time   // when the position was recorded
	Link     ledger.Digest
	Epoch    domain.UUID
	Finished bool
	Before   *Package // the released package of the month before
	Revision int
	Last     *Package // the revision before
	Made     *Package // the same package, when it was built before
}

type cutRow struct {
	Position   int64
	RecordedAt time.Time
	Link       []byte
}

const monthCutSQL = `
SELECT position, recorded_at, link FROM entry WHERE program_id = @program_id AND position = @position`

func cutAt(t *storage.Tx, position int64) (cutRow, error) {
	var row *cutRow
	storage.One(t, &row, monthCutSQL, storage.Args{"program_id": t.Program, "position": position})
	if err := t.Flush(); err != nil {
		return cutRow{}, err
	}
	if row == nil {
		return cutRow{}, fmt.Errorf("the ledger has no entry at position %d", position)
	}
	return *row, nil
}

// lastOfMonth is the last position recorded before the month ended; 0 when
// nothing was recorded by then. recorded_at never decreases with position, so
// halving finds it in log2(positions) looks, without an index by time.
func lastOfMonth(t *storage.Tx, m domain.Month, zone *time.Location, head int64) (int64, error) {
	low, high := int64(0), head // low belongs to the month or an earlier one, what is above high does not
	for low < high {
		mid := low + (high-low+1)/2
		row, err := cutAt(t, mid)
		if err != nil {
			return 0, err
		}
		if domain.MonthOf(row.RecordedAt, zone) <= m {
			low = mid
		} else {
			high = mid - 1
		}
	}
	return low, nil
}

const packageLastSQL = `
SELECT` + packageColumns + `
FROM month_package AS p
WHERE p.program_id = @program_id AND p.month = @month AND p.fund_source = @fund
ORDER BY p.revision DESC
LIMIT 1`

const packageReleasedSQL = `
SELECT` + packageColumns + `
FROM month_package AS p
WHERE p.program_id = @program_id AND p.month = @month AND p.fund_source = @fund AND p.state = 'released'`

const packageMadeSQL = `
SELECT` + packageColumns + `
FROM month_package AS p
WHERE p.program_id = @program_id AND p.month = @month AND p.fund_source = @fund AND p.position = @position AND p.finished = @finished
    AND p.previous_position = @previous_position AND p.previous_sha256 IS NOT DISTINCT FROM @previous_sha256`

// PlanOf decides where the package of a month is cut: at the last position
// recorded before the month ended, or at a later one that is named; an
// unfinished month takes the head. It follows from the released package of the
// month before, else from where that month ended.
func PlanOf(ctx context.Context, db *storage.DB, caller domain.Caller, m domain.Month, fund string, position int64) (plan Plan, err error) {
	err = db.In(ctx, caller.Program, storage.Survey, func(t *storage.Tx) error {
		plan, err = planMonth(t, m, fund, position, false)
		return err
	})
	return plan, err
}

// fundsAt are the program's funds at a month's end.
func fundsAt(t *storage.Tx, m domain.Month) (month.Funds, error) {
	var sets []*domain.RuleSet
	t.QueueRuleSets(&sets, storage.Newest)
	if err := t.Flush(); err != nil {
		return month.Funds{}, err
	}
	return month.FundsOf(sets, m), nil
}

// planMonth plans anew; unfinished keeps what was asked for while the month was
// still going on.
func planMonth(t *storage.Tx, m domain.Month, fund string, position int64, unfinished bool) (Plan, error) {
	plan := Plan{Range: month.Range{Month: m}}
	before, after, err := neighbors(m)
	if err != nil {
		return plan, err
	}
	if plan.Program, err = t.Settings(); err != nil {
		return plan, err
	}
	if plan.Zone, err = plan.Program.Zone(); err != nil {
		return plan, err
	}
	if plan.Funds, err = fundsAt(t, m); err != nil {
		return plan, err
	}
	if plan.Fund = fund; fund != month.WithoutFund { // of these there is no package, only a part of a statement
		if plan.Fund, err = plan.Funds.Package(fund); err != nil {
			return plan, err
		}
	}
	today := domain.MonthOf(t.Now, plan.Zone)
	if m > today {
		return plan, domain.At("/month", domain.Invalid, "the month %s has not begun", m)
	}
	var head *storage.Head
	var last, released, next, whole *packageRow
	t.QueueHead(&head)
	storage.One(t, &last, packageLastSQL, storage.Args{"program_id": t.Program, "month": string(m), "fund": plan.Fund})
	storage.One(t, &released, packageReleasedSQL, storage.Args{"program_id": t.Program, "month": string(before), "fund": plan.Fund})
	storage.One(t, &next, packageReleasedSQL, storage.Args{"program_id": t.Program, "month": string(after), "fund": plan.Fund})
	if plan.Fund != "" && plan.Fund == plan.Funds.First { // it was the only one until then
		storage.One(t, &whole, packageReleasedSQL, storage.Args{"program_id": t.Program, "month": string(before), "fund": ""})
	}
	if err := t.Flush(); err != nil {
		return plan, err
	}
	if released == nil {
		released = whole
	}
	plan.Epoch, plan.Finished, plan.Revision = head.Epoch, m < today && !unfinished, 1
	if plan.Before, err = packOf(released); err != nil {
		return plan, err
	}
	if plan.Last, err = packOf(last); err != nil {
		return plan, err
	}
	if plan.Last != nil {
		plan.Revision = plan.Last.Revision + 1
	}
	if err := cutMonth(t, &plan, before, position, head.Position); err != nil {
		return plan, err
	}
	if next != nil && next.PreviousPosition != plan.Position {
		return plan, domain.Errorf(domain.NotReconciled,
			"the released package of %s follows from position %d of this month and would no longer do so; what is corrected now stands in the package of a later month", after, next.PreviousPosition)
	}
	var made *packageRow
	var previous []byte
	if released != nil {
		previous = released.SHA256
	}
	storage.One(t, &made, packageMadeSQL, storage.Args{"program_id": t.Program, "month": string(m), "fund": plan.Fund, "position": plan.Position, "finished": plan.Finished,
		"previous_position": plan.Previous, "previous_sha256": previous})
	if err := t.Flush(); err != nil {
		return plan, err
	}
	plan.Made, err = packOf(made)
	return plan, err
}

// cutMonth finds the positions between which the package lies.
func cutMonth(t *storage.Tx, plan *Plan, before domain.Month, position, head int64) (err error) {
	if plan.Position, err = lastOfMonth(t, plan.Month, plan.Zone, head); err != nil {
		return err
	}
	if plan.Before != nil {
		plan.Previous = plan.Before.Position
	} else if plan.Previous, err = lastOfMonth(t, before, plan.Zone, plan.Position); err != nil {
		return err
	}
	least := plan.Position
	if !plan.Finished {
		least = max(plan.Previous, 1)
	}
	if position != 0 {
		if position < least || position > head {
			return domain.InvalidFields([]domain.Fault{{Pointer: "/position", Code: "out_of_range",
				Detail: fmt.Sprintf("positions from %d (where the month ended, or the package before was cut) to %d (the newest) are possible", least, head)}})
		}
		plan.Position = position
	}
	if plan.Position == 0 {
		return domain.Errorf(domain.NotFound, "the program has no history before the end of %s", plan.Month)
	}
	if plan.Position < plan.Previous {
		return domain.Errorf(domain.NotReconciled, "the package of %s was cut at position %d, after the end of %s (position %d): name a later position",
			before, plan.Previous, plan.Month, plan.Position)
	}
	cut, err := cutAt(t, plan.Position)
	plan.AsOf, plan.Link = cut.RecordedAt, ledger.Digest(cut.Link)
	return err
}

func packOf(row *packageRow) (*Package, error) {
	if row == nil {
		return nil, nil
	}
	p, err := row.pack()
	return &p, err
}

// neighbors are the months before and after.
func neighbors(m domain.Month) (before, after domain.Month, err error) {
	first, err := time.Parse("2006-01", string(m))
	if err != nil {
		return "", "", domain.At("/month", domain.Invalid, "%.20q is not a month such as 2026-10", string(m))
	}
	return domain.MonthOf(first.AddDate(0, -1, 0), time.UTC), domain.MonthOf(first.AddDate(0, 1, 0), time.UTC), nil
}
