package storage

import (
	"fmt"
	"time"

	"ductledger/domain"

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
	claim        domain.UUID
}

type buildRow struct {
	Month           string
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
	Claim           *[16]byte
	Failure         *string
}

const buildColumns = `
    b.month, b.revision, b.position, b.as_of_at, b.finished, b.stage, b.done_count, b.total_count, b.tries_count,
    b.asked_at, b.asked_by_token, b.asked_by_person_id, b.asked_by, b.started_at, b.updated_at, b.claim, b.failure`

// failure is the reason of a failed build as it is kept.
type failure struct {
	Code   domain.Code    `json:"code"`
	Detail string         `json:"detail"`
	Errors []domain.Fault `json:"errors,omitzero"`
}

func (r *buildRow) build() (*Build, error) {
	b := &Build{
		Month: domain.Month(r.Month), Revision: int(r.Revision), Position: r.Position, AsOf: r.AsOfAt, Finished: r.Finished,
		Stage: r.Stage, Done: r.DoneCount, Total: r.TotalCount, Tries: int(r.TriesCount), AskedAt: r.AskedAt, AskedBy: OrZero(r.AskedBy), AskedByPerson: IDOf(r.AskedByPersonID),
		StartedAt: r.StartedAt, UpdatedAt: r.UpdatedAt, askedByToken: IDOf(r.AskedByToken), claim: IDOf(r.Claim),
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
	p := Package{Month: b.Month, Revision: b.Revision, State: PackageBuilding, Position: b.Position, AsOf: b.AsOf, Finished: b.Finished, Build: b}
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
WHERE b.program_id = @program_id AND b.month = @month`

// buildOf queues the reading of a month's build, for the office alone. It is
// queued before the package is read: each statement has its own snapshot, and a
// build that ended in between would show a draft that is verified by then.
func (t *Tx) buildOf(caller domain.Caller, m domain.Month, row **buildRow) {
	if caller.Role != domain.Funder {
		One(t, row, buildRowSQL, Args{"program_id": t.Program, "month": string(m)})
	}
}
