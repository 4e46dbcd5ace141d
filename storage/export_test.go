package storage

import (
	"context"
	"errors"
	"time"

	"ductledger/domain"

	"github.com/jackc/pgx/v5/pgconn"
)

// BuildPackage asks for the package of a month, builds it unless somebody else
// does, and waits for it. Built already, it is given as it is, and made is false.
func (db *DB) BuildPackage(ctx context.Context, caller domain.Caller, m domain.Month, position int64, o MonthOptions) (p Package, made bool, err error) {
	for {
		if p, err = db.AskPackage(ctx, caller, m, position, false); err != nil || p.Build == nil {
			return p, false, err
		}
		asked := p
		b, err := db.claimBuild(ctx, caller.Program, m)
		if err != nil {
			return p, false, err
		}
		if b != nil {
			p, err = db.work(ctx, caller.Program, b, o)
			var lost *lostBuild
			if !errors.As(err, &lost) {
				return p, err == nil, err
			}
		}
		select {
		case <-ctx.Done():
			return asked, false, ctx.Err()
		case <-time.After(buildBeat / 4):
		}
	}
}

// ConstraintProblem lets the test of the catalog ask what a broken
// constraint is answered with; HasFault whether it has words of its own.
var ConstraintProblem = constraintProblem

func HasFault(constraint string) bool { _, ok := constraintFaults[constraint]; return ok }

func FaultConstraints() (names []string) {
	for name := range constraintFaults {
		names = append(names, name)
	}
	return names
}

// Violation is an error of Postgres about a constraint.
func Violation(code, table, constraint string) *pgconn.PgError {
	return &pgconn.PgError{Code: code, TableName: table, ConstraintName: constraint}
}

// The queries of the two long tables, for a benchmark beside COPY.
const (
	MonthJobsSQL         = monthJobsSQL
	MonthMeasurementsSQL = monthMeasurementsSQL
)
