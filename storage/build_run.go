package storage

import (
	"context"
	"errors"
	"sync"
	"time"

	"ductledger/domain"
)

// BuildAsked builds the packages that are asked for, one at a time, until ctx
// ends; those of one program where o names it. Any number of instances may run it: each build is of one of them, and
// another takes it over when that one is no longer heard.
func (db *DB) BuildAsked(ctx context.Context, o MonthOptions) {
	tick := time.NewTicker(buildLook)
	defer tick.Stop()
	for {
		if err := db.buildWaiting(ctx, o); err != nil && ctx.Err() == nil {
			db.log.Warn("packages that were asked for could not be looked for", "error", err.Error())
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		case <-db.asked:
		}
	}
}

func (db *DB) buildWaiting(ctx context.Context, o MonthOptions) error {
	positions, err := db.Positions(ctx)
	if err != nil {
		return err
	}
	for program := range positions {
		if !o.Program.IsZero() && program != o.Program {
			continue
		}
		months, err := db.waitingBuilds(ctx, program)
		if err != nil {
			return err
		}
		for _, m := range months {
			b, err := db.claimBuild(ctx, program, m)
			if err != nil {
				return err
			}
			if b == nil {
				continue
			}
			db.log.Info("building a package", "program_id", program.String(), "package", b.audited(), "try", b.Tries)
			if _, err := db.work(ctx, program, b, o); err != nil && ctx.Err() == nil {
				db.log.Error("a package was not built", "program_id", program.String(), "package", b.audited(), "try", b.Tries, "error", err.Error())
			}
		}
	}
	return nil
}

// work builds what was claimed and settles the claim, whatever comes of it.
func (db *DB) work(ctx context.Context, program domain.UUID, b *Build, o MonthOptions) (p Package, err error) {
	h := &hold{db: db, program: program, build: b, stage: b.Stage}
	tell := o.Report
	o.Report = func(stage string, done, total int64) {
		h.report(stage, done, total)
		if tell != nil {
			tell(stage, done, total)
		}
	}
	if b.Tries > buildTries {
		err = domain.Errorf(domain.Internal, "it was begun %d times and never came to an end", buildTries)
		return p, errors.Join(err, h.fail(ctx, domain.Errorf(domain.Internal, "the build was begun %d times and its instance ended every time", buildTries)))
	}
	working, cancel := context.WithCancelCause(ctx)
	var beating sync.WaitGroup
	beating.Go(func() { h.keep(working, cancel) })
	p, err = db.makePackage(working, h, o)
	var lost *lostBuild
	if err != nil && errors.As(context.Cause(working), &lost) {
		err = lost
	}
	cancel(nil)
	beating.Wait()
	if err == nil || errors.As(err, &lost) {
		return p, err
	}
	// What is said now is said also when the work was to end.
	settling, end := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer end()
	var known *domain.Error
	switch {
	case ctx.Err() != nil:
		return p, errors.Join(err, h.release(settling, true))
	case errors.As(err, &known) && known.RetryAfter == 0 && known.Code != domain.StorageFull:
		return p, errors.Join(err, h.fail(settling, known)) // it would be the same every time
	case b.Tries < buildTries:
		return p, errors.Join(err, h.release(settling, false))
	case known == nil:
		known = domain.Errorf(domain.Internal, "the service failed; its log says why")
	}
	return p, errors.Join(err, h.fail(settling, known))
}
