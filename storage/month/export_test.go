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
		p, mine, err := build(ctx, db, caller.Program, waiting{Month: string(m), FundSource: asked.Fund}, o)
		if mine || err != nil && !errors.Is(err, storage.ErrLockLost) {
			return p, err == nil, err
		}
		select {
		case <-ctx.Done():
			return asked, false, ctx.Err()
		case <-time.After(buildTold / 4):
		}
	}
}

// The queries of the two long tables, for a benchmark beside COPY.
const (
	JobsSQL         = monthJobsSQL
	MeasurementsSQL = monthMeasurementsSQL
)

// Asked wakes those who build.
const Asked = asked
