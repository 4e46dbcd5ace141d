package month

import (
	"context"
	"ductledger/domain"
	"ductledger/storage"
	"errors"
	"time"
)

// BuildNow asks for the package of a month, builds it unless somebody else
// does, and waits for it. Built already, it is given as it is, and made is false.
func BuildNow(ctx context.Context, db *storage.DB, caller domain.Caller, m domain.Month, fund string, position int64, o Options) (p Package, made bool, err error) {
	for {
		if p, err = Ask(ctx, db, caller, m, fund, position, false); err != nil || p.Build == nil {
			return p, false, err
		}
		asked := p
		b, err := claimBuild(ctx, db, caller.Program, waiting{Month: string(m), FundSource: asked.Fund})
		if err != nil {
			return p, false, err
		}
		if b != nil {
			p, err = work(ctx, db, caller.Program, b, o)
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

// The queries of the two long tables, for a benchmark beside COPY.
const (
	JobsSQL         = monthJobsSQL
	MeasurementsSQL = monthMeasurementsSQL
)
