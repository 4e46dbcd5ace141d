package storage

import (
	"context"
	"errors"
	"time"

	"ductledger/domain"
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

// BuiltStatements are those made from the fields of a struct, by name.
func BuiltStatements() map[string]string {
	return map[string]string{"resultInsertSQL": resultInsertSQL, "resultUpdateSQL": resultUpdateSQL, "resultReadSQL": resultReadSQL, "recomputeRowsSQL": recomputeRowsSQL}
}

// The queries of the two long tables, for a benchmark beside COPY.
const (
	MonthJobsSQL         = monthJobsSQL
	MonthMeasurementsSQL = monthMeasurementsSQL
)

// FlushStatistics has the one connection of a database tell what it has read.
func FlushStatistics(ctx context.Context, db *DB) error {
	_, err := db.pool.Exec(ctx, "SELECT pg_stat_force_next_flush()")
	return err
}
