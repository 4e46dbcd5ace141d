package storage

import (
	"context"
	"fmt"

	"ductledger/domain"

	"github.com/google/uuid"
)

const buildLockSQL = buildRowSQL + `
FOR NO KEY UPDATE`

// A build that failed makes room for the next.
const buildInsertSQL = `
INSERT INTO month_build AS b (program_id, month, revision, position, as_of_at, finished, state, stage, done_count, total_count, tries_count,
    asked_at, asked_by_token, asked_by_person_id, asked_by, started_at, updated_at, claim, claimed_until)
VALUES (@program_id, @month, @revision, @position, @as_of_at, @finished, 'building', @stage, 0, 0, 0, @at, @token_id, @person_id, @name, NULL, @at, NULL, @at)
ON CONFLICT (program_id, month) DO UPDATE
SET revision = EXCLUDED.revision, position = EXCLUDED.position, as_of_at = EXCLUDED.as_of_at, finished = EXCLUDED.finished, state = EXCLUDED.state,
    stage = EXCLUDED.stage, done_count = 0, total_count = 0, tries_count = EXCLUDED.tries_count, asked_at = EXCLUDED.asked_at,
    asked_by_token = EXCLUDED.asked_by_token, asked_by_person_id = EXCLUDED.asked_by_person_id, asked_by = EXCLUDED.asked_by, started_at = EXCLUDED.started_at, updated_at = EXCLUDED.updated_at,
    claim = EXCLUDED.claim, claimed_until = EXCLUDED.claimed_until, failure = NULL
WHERE b.state = 'failed'
RETURNING` + buildColumns

const buildAdoptSQL = `
UPDATE month_build AS b SET asked_by = @name, asked_by_token = @token_id, asked_by_person_id = @person_id
WHERE b.program_id = @program_id AND b.month = @month AND b.asked_by_person_id IS NULL`

// AskPackage asks for the package of a month, cut at position, or where the
// month ended for 0. What stands already is given as it is; otherwise the
// package says how far its build is, and whoever runs BuildAsked builds it.
func (db *DB) AskPackage(ctx context.Context, caller domain.Caller, m domain.Month, position int64, validateOnly bool) (p Package, err error) {
	err = db.In(ctx, caller.Program, Writing, func(t *Tx) error {
		t.discard = validateOnly
		p, err = t.ask(caller, m, position)
		return err
	})
	if err == nil && p.Build != nil && !validateOnly {
		select {
		case db.asked <- struct{}{}:
		default: // told already
		}
	}
	return p, err
}

// ask finds or makes the month's build.
func (t *Tx) ask(caller domain.Caller, m domain.Month, position int64) (Package, error) {
	plan, err := t.planMonth(m, position, false)
	if err != nil {
		return Package{}, err
	}
	var row *buildRow
	One(t, &row, buildLockSQL, Args{"program_id": t.Program, "month": string(m)})
	if err := t.Flush(); err != nil {
		return Package{}, err
	}
	if row != nil && row.Failure == nil {
		return t.join(caller, row, &plan, position)
	}
	revision := plan.Revision
	if plan.Made != nil {
		if plan.Made.State != PackageDraft || !plan.Made.Finished {
			return t.adoptPackage(caller, plan.Made)
		}
		revision = plan.Made.Revision // stored, and its build was forgotten before it was verified
	}
	args := Args{"program_id": t.Program, "month": string(m), "revision": revision, "position": plan.Position, "as_of_at": plan.AsOf, "finished": plan.Finished,
		"stage": StageWaiting, "at": t.Now, "token_id": caller.Token,
		"person_id": caller.Person, "name": OrNull(caller.Name)}
	row = nil
	One(t, &row, buildInsertSQL, args)
	if err := t.Flush(); err != nil {
		return Package{}, err
	}
	if row == nil {
		return Package{}, ErrRaceLost
	}
	b, err := row.build()
	if err != nil {
		return Package{}, err
	}
	return b.Package(), t.Audit(caller, "package_asked", domain.UUID{}, b.audited())
}

// join takes a build that is under way for one's own, when it is of the same.
func (t *Tx) join(caller domain.Caller, row *buildRow, plan *MonthPlan, position int64) (Package, error) {
	newest := position == 0 && !plan.Finished && !row.Finished // the head moves on; nobody asked for a certain one
	if row.Position != plan.Position && !newest {
		return Package{}, &domain.Error{Code: domain.InProgress, RetryAfter: buildLook,
			Detail: fmt.Sprintf("revision %d of %s is being built at position %d; a month has one build at a time", row.Revision, plan.Month, row.Position)}
	}
	if row.AskedByPersonID == nil && !caller.Person.IsZero() {
		t.Queue(buildAdoptSQL, Args{"program_id": t.Program, "month": row.Month, "name": caller.Name, "token_id": caller.Token, "person_id": caller.Person})
		row.AskedBy, row.AskedByPersonID = &caller.Name, idArg(caller.Person)
	}
	b, err := row.build()
	if err != nil {
		return Package{}, err
	}
	return b.Package(), nil
}

// audited is how the audit names a build.
func (b *Build) audited() string {
	return fmt.Sprintf("%s revision %d, position %d", b.Month, b.Revision, b.Position)
}

func newClaim() (domain.UUID, error) {
	id, err := uuid.NewRandom()
	return domain.UUID(id), err
}
