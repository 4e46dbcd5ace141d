package storage

import (
	"context"
	"errors"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/rules"
)

// Push is what a device or a person sends at once.
type Push struct {
	Items        []*intake.Item
	ReceivedAt   time.Time
	Hold         bool // what is not accepted is kept, with its bytes
	ValidateOnly bool // the same answer, nothing stored
	// HoldNoUnmatched leaves conflicts out of held: a PUT without If-Match is
	// answered 428 and nothing was contested.
	HoldNoUnmatched bool
	// Came are records for which held items wait: the items are taken along as if
	// the records came now.
	Came    []intake.Key
	Sign    *Sign
	History History
}

// Pushed is what became of it.
type Pushed struct {
	Head     Head // after the push; zero when nothing was accepted
	Epoch    domain.UUID
	Items    []PushedItem // in the order of Push.Items
	Jobs     []JobCounts
	HeldOpen int
}

// PushedItem is what became of one item.
type PushedItem struct {
	intake.Decision
	HeldID domain.UUID   // of what is kept
	Entry  *domain.Entry // the newest version, where the caller may see it and it matters
}

// JobCounts are the findings of one touched job.
type JobCounts struct {
	JobID domain.UUID
	rules.Counts
}

// Push judges every item by itself and accepts what can be accepted, in one
// transaction of three round trips: read under lock, write the typed rows,
// then, with the program's head locked, all that carries a position.
//
// An item that breaks a constraint poisons the statement that it shares with
// others. The transaction is then undone, each item is tried behind a
// savepoint, and the culprits are rejected before all is run again.
func (db *DB) Push(ctx context.Context, caller domain.Caller, p Push) (Pushed, error) {
	plan := planOf(p.Items)
	plan.came = p.Came
	plan.order()
	for range len(p.Items) + maxWidenings {
		var out Pushed
		err := db.in(ctx, caller.Program, writing, func(t *tx) (err error) {
			out, err = t.push(caller, &p, plan)
			return err
		})
		var wider *wideningError
		var poison *poisonError
		switch {
		case errors.As(err, &wider):
			plan.widen(wider)
		case errors.As(err, &poison):
			err := db.findPoison(ctx, caller, poison.decisions)
			if err != nil && !raceLost(err) {
				return Pushed{}, interpret(err)
			}
			plan.keep(poison.decisions)
		default:
			return out, db.afterLoss(ctx, caller, err)
		}
	}
	return Pushed{}, ErrBusy
}

// maxWidenings bounds how often a push may find that it touches more jobs.
const maxWidenings = 8

// A wideningError says that more has to be locked than was known at first:
// held items of other jobs that come along, open jobs that use a changed record.
// It is empty where another push committed what this one has to know.
type wideningError struct {
	jobs  []domain.UUID
	along []*intake.Item
}

func (*wideningError) Error() string { return "more jobs are touched than were locked" }

// A poisonError says that one of the records broke a constraint.
type poisonError struct {
	decisions []intake.Decision
	cause     error
}

func (e *poisonError) Error() string { return "a record broke a constraint: " + e.cause.Error() }

func (t *tx) push(caller domain.Caller, p *Push, plan *plan) (Pushed, error) {
	known, err := t.readPush(caller, plan, p)
	if err != nil {
		return Pushed{}, err
	}
	items := slices.Concat(known.along, p.Items) // what waited was sent earlier
	decisions, judged, err := known.decide(caller, items, t.now)
	if err != nil {
		return Pushed{}, err
	}
	accepted := acceptedOf(decisions)
	t.storeRecords(accepted)
	waits := waitsFor(decisions)
	var head *lockedHead
	if len(accepted)+len(waits) > 0 && !p.ValidateOnly {
		var came []cameRow
		if head, err = t.lockHead(func() { all(t, &came, cameSQL, known.cameArgs(plan, waits)) }); err != nil {
			return Pushed{}, poisonOr(err, accepted)
		}
		if came[0].Came {
			return Pushed{}, &wideningError{}
		}
	} else if err := t.flush(); err != nil {
		return Pushed{}, poisonOr(err, accepted)
	}
	out := Pushed{Epoch: known.epoch}
	known.recordedAt = t.now
	var heldOpen []countRow
	openArgs := named{"program_id": t.program, "contractor_id": caller.Contractor, "scoped": caller.Scoped()}
	if p.ValidateOnly {
		t.discard = true
		t.readCurrent(caller, known, decisions)
		all(t, &heldOpen, heldOpenSQL, openArgs)
		if err := t.flush(); err != nil {
			return Pushed{}, err
		}
	} else {
		if len(accepted) > 0 {
			t.appendLedger(head, accepted)
			numberEntries(judged, accepted)
			t.writeScopes(known, accepted)
			if err := t.writeResults(head, judged); err != nil {
				return Pushed{}, err
			}
			t.countLate(accepted)
			known.recordedAt = head.RecordedAt
		}
		t.readCurrent(caller, known, decisions) // as the scopes stand now
		if err := t.writeHeld(caller, p, known, decisions); err != nil {
			return Pushed{}, err
		}
		t.writeSign(caller, p)
		all(t, &heldOpen, heldOpenSQL, openArgs)
		var heads []headRow
		if head == nil { // a replay is acknowledged too: the receipt must lie behind it
			all(t, &heads, headSQL, named{"program_id": t.program})
		}
		if err := t.commit(); err != nil {
			return Pushed{}, err
		}
		if head == nil {
			out.Head = heads[0].head()
		} else {
			out.Head = head.Head
		}
		known.afterHeld()
	}
	out.HeldOpen = int(heldOpen[0].Count)
	out.Items = known.answers(caller, p, decisions)
	for _, j := range judged {
		if known.visible(caller, j.jobID) {
			out.Jobs = append(out.Jobs, JobCounts{j.jobID, j.verdict.Counts})
		}
	}
	return out, nil
}

func poisonOr(err error, accepted []intake.Decision) error {
	if poisoned(err) {
		return &poisonError{accepted, err}
	}
	return err
}

func acceptedOf(decisions []intake.Decision) []intake.Decision {
	n := 0
	for n < len(decisions) && decisions[n].Status.Accepted() {
		n++
	}
	return decisions[:n]
}

// findPoison tries each record behind a savepoint and gives the items whose
// records break a constraint their problem. Nothing of it stays. Where another
// transaction was faster the decisions may no longer stand: the push is to be run
// again from its first reading, and not this search alone.
func (db *DB) findPoison(ctx context.Context, caller domain.Caller, accepted []intake.Decision) error {
	return db.once(ctx, caller.Program, writing, func(t *tx) error {
		t.discard = true
		if err := t.flush(); err != nil {
			return err
		}
		found := false
		for i := range accepted {
			item := accepted[i].Item
			t.queue("SAVEPOINT item")
			t.storeRecords(accepted[i : i+1])
			err := t.flush()
			if err == nil {
				continue
			}
			if !poisoned(err) {
				return err
			}
			// A child of a rejected record breaks a foreign key here; in the
			// next run its parent is not accepted and it waits.
			if !foreignKeyBroken(err) {
				var problem *domain.Error
				if !errors.As(interpret(err), &problem) {
					problem = domain.InvalidFields([]domain.Fault{{Code: "unstorable", Detail: "it holds a value that cannot be stored"}}).(*domain.Error)
				}
				item.Problem, found = problem, true
			}
			if err := t.rollbackTo("item"); err != nil {
				return err
			}
		}
		if !found {
			return errRaceLost // it was a passing state of another's making
		}
		return nil
	})
}
