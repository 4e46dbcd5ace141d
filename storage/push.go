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
	Report  *DeviceReport
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
// transaction of three round trips: read under lock; lock the program's head;
// then all that carries a position, with the commit. What is wrong with an item
// is found before any statement writes.
func (db *DB) Push(ctx context.Context, caller domain.Caller, p Push) (Pushed, error) {
	plan := planOf(p.Items)
	plan.came = p.Came
	plan.order()
	for range len(p.Items) + maxWidenings {
		var out Pushed
		err := db.In(ctx, caller.Program, Writing, func(t *Tx) (err error) {
			out, err = t.push(caller, &p, plan)
			return err
		})
		var wider *wideningError
		if !errors.As(err, &wider) {
			return out, db.afterLoss(ctx, caller, err)
		}
		plan.widen(wider)
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

func (t *Tx) push(caller domain.Caller, p *Push, plan *plan) (Pushed, error) {
	known, err := t.readPush(caller, plan, p)
	if err != nil {
		return Pushed{}, err
	}
	items := slices.Concat(known.along, p.Items) // what waited was sent earlier
	decisions, judged, err := known.decide(caller, items, t.Now)
	if err != nil {
		return Pushed{}, err
	}
	accepted, waits := acceptedOf(decisions), waitsFor(decisions)
	var head *lockedHead
	if len(accepted)+len(waits) > 0 && !p.ValidateOnly {
		var came []cameRow
		t.readLeads(judged)
		if head, err = t.lockHead(func() { All(t, &came, cameSQL, known.cameArgs(plan, waits)) }); err != nil {
			return Pushed{}, err
		}
		if came[0].Came {
			return Pushed{}, &wideningError{}
		}
	}
	out := Pushed{Epoch: known.epoch}
	known.recordedAt = t.Now
	var heldOpen []countRow
	if p.ValidateOnly {
		t.discard = true
		t.readNumbers(known, accepted)
		t.readCurrent(caller, known, decisions)
		t.countHeldOpen(&heldOpen, caller)
		if err := t.Flush(); err != nil {
			return Pushed{}, err
		}
	} else {
		if len(accepted) > 0 {
			known.recordedAt = head.RecordedAt
			t.appendEntries(head, accepted, func(key intake.Key) int64 { return known.store.Heads[key].Position })
			numberEntries(judged, accepted)
			changes := known.changesOf(accepted)
			t.writeJobs(known, changes)
			t.writeScopes(known, changes, accepted)
			t.writeDevices(accepted, head.RecordedAt)
			t.readNumbers(known, accepted)
			if err := t.writePictures(accepted); err != nil {
				return Pushed{}, err
			}
			if err := t.writeWords(accepted); err != nil {
				return Pushed{}, err
			}
			if err := t.writeResults(head, judged); err != nil {
				return Pushed{}, err
			}
		}
		t.readCurrent(caller, known, decisions) // as the scopes stand now
		if err := t.writeHeld(caller, p, known, decisions); err != nil {
			return Pushed{}, err
		}
		t.writeReport(caller, p)
		t.countHeldOpen(&heldOpen, caller)
		var heads []headRow
		if head == nil { // a replay is acknowledged too: the receipt must lie behind it
			All(t, &heads, headSQL, Args{"program_id": t.Program})
		}
		if err := t.Commit(); err != nil {
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

func acceptedOf(decisions []intake.Decision) []intake.Decision {
	n := 0
	for n < len(decisions) && decisions[n].Status.Accepted() {
		n++
	}
	return decisions[:n]
}
