package month

import (
	"context"
	"fmt"
	"time"

	"ductledger/domain"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
)

// Stages of a build besides the tables that it writes.
const (
	StageWaiting   = "waiting" // for an instance that has time
	StageHistory   = "history" // sums over all acceptances
	StageStoring   = "storing"
	StageVerifying = "verifying"
)

// Build is a package on its way: what it will be of, which never changes, and
// how far it is. Its row is gone when the stored file was verified.
type Build struct {
	Month         domain.Month
	Fund          string
	Revision      int
	Position      int64
	AsOf          time.Time
	Finished      bool
	Stage         string
	Done          int64 // rows of the stage; bytes while storing
	Total         int64 // 0: not known
	Tries         int
	AskedAt       time.Time
	AskedBy       string // empty for a machine
	AskedByPerson domain.UUID
	StartedAt     *time.Time
	UpdatedAt     time.Time
	Failure       *domain.Error // set when it failed for good

	askedByToken domain.UUID
}

type buildRow struct {
	Month           string
	FundSource      string
	Revision        int32
	Position        int64
	AsOfAt          time.Time
	Finished        bool
	Stage           string
	DoneCount       int64
	TotalCount      int64
	TriesCount      int32
	AskedAt         time.Time
	AskedByToken    *[16]byte
	AskedByPersonID *[16]byte
	AskedBy         *string
	StartedAt       *time.Time
	UpdatedAt       time.Time
	Failure         *string
}

const buildColumns = `
    b.month, b.fund_source, b.revision, b.position, b.as_of_at, b.finished, b.stage, b.done_count, b.total_count, b.tries_count,
    b.asked_at, b.asked_by_token, b.asked_by_person_id, b.asked_by, b.started_at, b.updated_at, b.failure`

// failure is the reason of a failed build as it is kept.
type failure struct {
	Code   domain.Code    `json:"code"`
	Detail string         `json:"detail"`
	Errors []domain.Fault `json:"errors,omitzero"`
}

func (r *buildRow) build() (*Build, error) {
	b := &Build{
		Month: domain.Month(r.Month), Fund: r.FundSource, Revision: int(r.Revision), Position: r.Position, AsOf: r.AsOfAt, Finished: r.Finished,
		Stage: r.Stage, Done: r.DoneCount, Total: r.TotalCount, Tries: int(r.TriesCount), AskedAt: r.AskedAt, AskedBy: storage.OrZero(r.AskedBy), AskedByPerson: storage.IDOf(r.AskedByPersonID),
		StartedAt: r.StartedAt, UpdatedAt: r.UpdatedAt, askedByToken: storage.IDOf(r.AskedByToken),
	}
	if r.Failure != nil {
		var f failure
		if err := json.Unmarshal([]byte(*r.Failure), &f); err != nil {
			return nil, fmt.Errorf("failure of the build of %s: %w", r.Month, err)
		}
		b.Failure = &domain.Error{Code: f.Code, Detail: f.Detail, Faults: f.Errors}
	}
	return b, nil
}

// Package is the build as the revision that it will become. A draft that is
// stored and not verified yet is no package for anybody.
func (b *Build) Package() Package {
	p := Package{Month: b.Month, Fund: b.Fund, Revision: b.Revision, State: PackageBuilding, Position: b.Position, AsOf: b.AsOf, Finished: b.Finished, Build: b}
	if b.Failure != nil {
		p.State = PackageFailed
	}
	return p
}

// caller is who asked, in whose name the package is built.
func (b *Build) caller(program domain.UUID) domain.Caller {
	return domain.Caller{Program: program, Role: domain.Staff, Token: b.askedByToken, Person: b.AskedByPerson, Name: b.AskedBy}
}

const buildRowSQL = `
SELECT` + buildColumns + `
FROM month_build AS b
WHERE b.program_id = @program_id AND b.month = @month AND b.fund_source = @fund`

const buildRowsSQL = `
SELECT` + buildColumns + `
FROM month_build AS b
WHERE b.program_id = @program_id AND b.month = @month
ORDER BY b.fund_source`

// buildOf queues the reading of a month's build, for the office alone. It is
// queued before the package is read: each statement has its own snapshot, and a
// build that ended in between would show a draft that is verified by then.
func buildOf(t *storage.Tx, caller domain.Caller, m domain.Month, fund string, row **buildRow) {
	if caller.Role != domain.Funder {
		storage.One(t, row, buildRowSQL, storage.Args{"program_id": t.Program, "month": string(m), "fund": fund})
	}
}

const buildLockSQL = buildRowSQL + `
FOR NO KEY UPDATE`

// A build that failed makes room for the next.
const buildInsertSQL = `
INSERT INTO month_build AS b (program_id, month, fund_source, revision, position, as_of_at, finished, state, stage, done_count, total_count, tries_count,
    asked_at, asked_by_token, asked_by_person_id, asked_by, started_at, updated_at)
VALUES (@program_id, @month, @fund, @revision, @position, @as_of_at, @finished, 'building', @stage, 0, 0, 0, @at, @token_id, @person_id, @name, NULL, @at)
ON CONFLICT (program_id, month, fund_source) DO UPDATE
SET revision = EXCLUDED.revision, position = EXCLUDED.position, as_of_at = EXCLUDED.as_of_at, finished = EXCLUDED.finished, state = EXCLUDED.state,
    stage = EXCLUDED.stage, done_count = 0, total_count = 0, tries_count = EXCLUDED.tries_count, asked_at = EXCLUDED.asked_at,
    asked_by_token = EXCLUDED.asked_by_token, asked_by_person_id = EXCLUDED.asked_by_person_id, asked_by = EXCLUDED.asked_by, started_at = EXCLUDED.started_at, updated_at = EXCLUDED.updated_at,
    failure = NULL
WHERE b.state = 'failed'
RETURNING` + buildColumns

// The row that whoever builds holds. It stays: there are a few for each month.
const buildLockInsertSQL = `
INSERT INTO month_build_lock (program_id, month, fund_source) VALUES (@program_id, @month, @fund) ON CONFLICT DO NOTHING`

const buildAdoptSQL = `
UPDATE month_build AS b SET asked_by = @name, asked_by_token = @token_id, asked_by_person_id = @person_id
WHERE b.program_id = @program_id AND b.month = @month AND b.fund_source = @fund AND b.asked_by_person_id IS NULL`

// Ask asks for the package of a month and fund, cut at position, or where the
// month ended for 0. What stands already is given as it is; otherwise the
// package says how far its build is, and whoever runs BuildAsked builds it.
func Ask(ctx context.Context, db *storage.DB, caller domain.Caller, m domain.Month, fund string, position int64, validateOnly bool) (p Package, err error) {
	err = db.In(ctx, caller.Program, storage.Writing, func(t *storage.Tx) error {
		if validateOnly {
			t.Discard()
		}
		p, err = ask(t, caller, m, fund, position)
		return err
	})
	if err == nil && p.Build != nil && !validateOnly {
		select {
		case db.Signal(asked) <- struct{}{}:
		default: // told already
		}
	}
	return p, err
}

// ask finds or makes the month's build.
func ask(t *storage.Tx, caller domain.Caller, m domain.Month, fund string, position int64) (Package, error) {
	plan, err := planMonth(t, m, fund, position, false)
	if err != nil {
		return Package{}, err
	}
	var row *buildRow
	storage.One(t, &row, buildLockSQL, storage.Args{"program_id": t.Program, "month": string(m), "fund": plan.Fund})
	if err := t.Flush(); err != nil {
		return Package{}, err
	}
	if row != nil && row.Failure == nil {
		return join(t, caller, row, &plan, position)
	}
	revision := plan.Revision
	if plan.Made != nil {
		if plan.Made.State != PackageDraft || !plan.Made.Finished {
			return adoptPackage(t, caller, plan.Made)
		}
		revision = plan.Made.Revision // stored, and its build was forgotten before it was verified
	}
	args := storage.Args{"program_id": t.Program, "month": string(m), "fund": plan.Fund, "revision": revision, "position": plan.Position, "as_of_at": plan.AsOf, "finished": plan.Finished,
		"stage": StageWaiting, "at": t.Now, "token_id": caller.Token,
		"person_id": caller.Person, "name": storage.OrNull(caller.Name)}
	row = nil
	t.Queue(buildLockInsertSQL, args)
	storage.One(t, &row, buildInsertSQL, args)
	if err := t.Flush(); err != nil {
		return Package{}, err
	}
	if row == nil {
		return Package{}, storage.ErrRaceLost
	}
	b, err := row.build()
	if err != nil {
		return Package{}, err
	}
	return b.Package(), t.Audit(caller, "package_asked", domain.UUID{}, b.audited())
}

// join takes a build that is under way for one's own, when it is of the same.
func join(t *storage.Tx, caller domain.Caller, row *buildRow, plan *Plan, position int64) (Package, error) {
	newest := position == 0 && !plan.Finished && !row.Finished // the head moves on; nobody asked for a certain one
	if row.Position != plan.Position && !newest {
		return Package{}, &domain.Error{Code: domain.InProgress, RetryAfter: buildLook,
			Detail: fmt.Sprintf("%s is being built at position %d; a month of one fund has one build at a time", named(plan.Month, row.FundSource, int(row.Revision)), row.Position)}
	}
	if row.AskedByPersonID == nil && !caller.Person.IsZero() {
		t.Queue(buildAdoptSQL, storage.Args{"program_id": t.Program, "month": row.Month, "fund": row.FundSource, "name": caller.Name, "token_id": caller.Token, "person_id": caller.Person})
		person := [16]byte(caller.Person)
		row.AskedBy, row.AskedByPersonID = &caller.Name, &person
	}
	b, err := row.build()
	if err != nil {
		return Package{}, err
	}
	return b.Package(), nil
}

// audited is how the audit names a build.
func (b *Build) audited() string {
	return fmt.Sprintf("%s, position %d", named(b.Month, b.Fund, b.Revision), b.Position)
}
