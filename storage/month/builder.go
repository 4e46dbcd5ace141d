package month

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"time"

	"ductledger/domain"
	"ductledger/domain/month"
	"ductledger/domain/pack"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
)

// makePackage builds what is claimed, reads back what was stored and verifies
// it with nothing but the file.
//
// The file grows in a temporary file of the machine and enters the database in
// one transaction when it is whole: a build that dies leaves nothing half. The
// next begins again from the first row: at one position the same bytes come
// out, so nothing half written has to be kept, found again and trusted.
func makePackage(ctx context.Context, db *storage.DB, h *hold, o Options) (p Package, err error) {
	var plan Plan
	err = db.In(ctx, h.program, storage.Survey, func(t *storage.Tx) error {
		plan, err = planMonth(t, h.build.Month, h.build.Fund, h.build.Position, !h.build.Finished)
		return err
	})
	switch {
	case err != nil:
		return p, err
	case plan.Made != nil:
		p = *plan.Made
	case plan.Revision != h.build.Revision:
		return p, domain.Errorf(domain.NotReconciled, "%s came in between: ask for the package again", named(plan.Month, plan.Fund, plan.Revision-1))
	default:
		if p, err = storePackage(ctx, db, h, &plan, o); err != nil {
			return p, err
		}
	}
	if p.State == PackageDraft && p.Finished {
		o.Report(StageVerifying, 0, p.Bytes)
		if err := verifyPackage(ctx, db, h, &p); err != nil {
			return p, err
		}
		p.State = PackageVerified
	}
	return p, db.In(ctx, h.program, storage.Writing, func(t *storage.Tx) error {
		if p.State == PackageVerified {
			t.Queue(packageVerifiedSQL, storage.Args{"program_id": t.Program, "month": string(p.Month), "fund": p.Fund, "revision": p.Revision})
		}
		return h.change(t, buildEndSQL, nil)
	})
}

func storePackage(ctx context.Context, db *storage.DB, h *hold, plan *Plan, o Options) (p Package, err error) {
	file, err := os.CreateTemp("", "ductledger-package-*")
	if err != nil {
		return p, err
	}
	// Gone from its folder at once, where the system lets an open file go: a
	// killed build leaves nothing lying about.
	gone := os.Remove(file.Name()) == nil
	defer func() {
		err = errors.Join(err, file.Close())
		if !gone {
			err = errors.Join(err, os.Remove(file.Name()))
		}
	}()
	written, sums, err := Write(ctx, db, h.program, plan, file, o)
	if err != nil {
		return p, fmt.Errorf("build the package of %s: %w", plan.Month, err)
	}
	p = plan.pack(h.build, written, sums)
	return p, keepPackage(ctx, db, h, &p, file, o)
}

// pack is the revision that was built.
func (p *Plan) pack(b *Build, w pack.Written, sums month.Sums) Package {
	head := p.head("")
	return Package{
		Month: p.Month, Fund: p.Fund, OnlyFund: p.Funds.Only(), Revision: p.Revision, State: PackageDraft, Position: p.Position, AsOf: p.AsOf, Finished: p.Finished,
		PreviousPosition: p.Previous, PreviousSHA256: head.PreviousSHA256, SupersedesSHA256: head.SupersedesSHA256,
		FileName: head.FileName(), SHA256: w.SHA256, Bytes: w.Bytes, Cumulative: sums, BuiltBy: b.AskedBy, BuiltByPerson: b.AskedByPerson,
	}
}

const packageInsertSQL = `
INSERT INTO month_package (program_id, month, fund_source, only_fund, revision, state, position, as_of_at, finished, previous_position, previous_sha256,
    supersedes_sha256, file_name, sha256, bytes_count, cumulative, built_at, built_by_token, built_by_person_id, built_by)
VALUES (@program_id, @month, @fund, @only_fund, @revision, 'draft', @position, @as_of_at, @finished, @previous_position, @previous_sha256,
    @supersedes_sha256, @file_name, @sha256, @bytes_count, @cumulative, @at, @token_id, @person_id, @name)
ON CONFLICT DO NOTHING`

const packagePartInsertSQL = `
INSERT INTO month_package_part (program_id, month, fund_source, revision, part, bytes) VALUES (@program_id, @month, @fund, @revision, @part, @bytes)`

// packagePart is the size of a part of a stored file, in bytes.
const packagePart = 1 << 20

// keepPackage stores a revision with its file, part after part, unless the
// build is another instance's by then.
func keepPackage(ctx context.Context, db *storage.DB, h *hold, p *Package, file io.ReadSeeker, o Options) error {
	cumulative, err := json.Marshal(p.Cumulative)
	if err != nil {
		return err
	}
	caller := h.build.caller(h.program)
	return db.In(ctx, h.program, storage.Writing, func(t *storage.Tx) error {
		p.BuiltAt = t.Now
		args := storage.Args{"program_id": t.Program, "month": string(p.Month), "fund": p.Fund, "only_fund": storage.OrNull(p.OnlyFund), "revision": p.Revision, "position": p.Position, "as_of_at": p.AsOf,
			"finished": p.Finished, "previous_position": p.PreviousPosition, "previous_sha256": digestArg(p.PreviousSHA256),
			"supersedes_sha256": digestArg(p.SupersedesSHA256), "file_name": p.FileName, "sha256": digestArg(p.SHA256), "bytes_count": p.Bytes,
			"cumulative": string(cumulative), "at": t.Now, "token_id": caller.Token, "person_id": caller.Person, "name": storage.OrNull(caller.Name)}
		var kept int64
		t.Queue(packageInsertSQL, args).Exec(storage.Affected(&kept))
		if err := t.Flush(); err != nil {
			return err
		}
		if kept == 0 {
			return storage.ErrLockLost
		}
		if _, err := file.Seek(0, io.SeekStart); err != nil { // also when the transaction is run again
			return err
		}
		part := make([]byte, packagePart)
		for n := 0; ; n++ {
			o.Report(StageStoring, int64(n)*packagePart, p.Bytes)
			size, err := io.ReadFull(file, part)
			if size > 0 {
				t.Queue(packagePartInsertSQL, storage.Args{"program_id": t.Program, "month": string(p.Month), "fund": p.Fund, "revision": p.Revision, "part": n, "bytes": part[:size]})
				if err := t.Flush(); err != nil {
					return err
				}
			}
			if err == io.EOF || err == io.ErrUnexpectedEOF {
				break
			}
			if err != nil {
				return err
			}
		}
		if err := t.Audit(caller, "package_built", domain.UUID{}, p.audited()); err != nil {
			return err
		}
		// Last, since it locks the row that others look at.
		return h.change(t, buildProgressSQL, storage.Args{"stage": StageStoring, "done": p.Bytes, "total": p.Bytes})
	})
}

// audited is how the audit names a package.
func (p *Package) audited() string {
	return fmt.Sprintf("%s, position %d, sha256 %s", named(p.Month, p.Fund, p.Revision), p.Position, p.SHA256)
}

func digestArg(text string) []byte {
	b, err := hex.DecodeString(text)
	if err != nil || text == "" {
		return nil
	}
	return b
}

const packageAdoptSQL = `
UPDATE month_package AS p SET built_by = @name, built_by_token = @token_id, built_by_person_id = @person_id
WHERE p.program_id = @program_id AND p.month = @month AND p.fund_source = @fund AND p.revision = @revision AND p.built_by_person_id IS NULL`

// adoptPackage lets a person stand for a package that nobody did: one built by
// a token without a name could never be released.
func adoptPackage(t *storage.Tx, caller domain.Caller, p *Package) (Package, error) {
	if !p.BuiltByPerson.IsZero() || caller.Person.IsZero() {
		return *p, nil
	}
	var n int64
	t.Queue(packageAdoptSQL, storage.Args{"program_id": t.Program, "month": string(p.Month), "fund": p.Fund, "revision": p.Revision, "name": caller.Name, "token_id": caller.Token,
		"person_id": caller.Person}).Exec(storage.Affected(&n))
	if err := t.Flush(); err != nil || n == 0 {
		return *p, err
	}
	adopted := *p
	adopted.BuiltBy, adopted.BuiltByPerson = caller.Name, caller.Person
	return adopted, t.Audit(caller, "package_adopted", domain.UUID{}, p.audited())
}

const packageVerifiedSQL = `
UPDATE month_package AS p SET state = 'verified'
WHERE p.program_id = @program_id AND p.month = @month AND p.fund_source = @fund AND p.revision = @revision AND p.state = 'draft'`

// verifyPackage reads the stored file as a stranger would.
func verifyPackage(ctx context.Context, db *storage.DB, h *hold, p *Package) error {
	report, err := pack.Verify(OpenFile(ctx, db, h.build.caller(h.program), p), p.Bytes, pack.VerifyOptions{})
	if err != nil {
		return fmt.Errorf("verify package %s: %w", p.FileName, err)
	}
	if !report.Holds || report.SHA256 != p.SHA256 {
		return fmt.Errorf("package %s was stored and does not hold: %s", p.FileName, report.Text())
	}
	return nil
}

// asked names the signal that somebody asked this instance for a package.
const asked = "package asked"

const (
	buildLook  = 5 * time.Second  // how often an instance looks for builds that wait
	buildPause = 10 * time.Second // after a try that failed
	buildTries = 3                // a build that ends its instance every time must not go on for ever
	buildTold  = 2 * time.Second  // how often the progress within a stage is written down
)

// BuildAsked builds the packages that are asked for, one at a time, until ctx
// ends; those of one program where o names it. Any number of instances may run
// it: who builds holds the build's row in month_build_lock, and another takes
// it over when that session ended before the build did.
func BuildAsked(ctx context.Context, db *storage.DB, o Options) {
	for {
		wait, woken := buildLook, db.Signal(asked)
		if err := buildWaiting(ctx, db, o); err != nil && ctx.Err() == nil {
			db.Log().Error("a package was not built", "error", err.Error())
			wait, woken = buildPause, nil
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(wait):
		case <-woken:
		}
	}
}

const buildWaitingSQL = `
SELECT b.month, b.fund_source FROM month_build AS b
WHERE b.program_id = @program_id AND b.state = 'building'
ORDER BY b.asked_at, b.month, b.fund_source`

type waiting struct{ Month, FundSource string }

// buildWaiting tries each build once; what went wrong with one keeps no other.
func buildWaiting(ctx context.Context, db *storage.DB, o Options) error {
	positions, err := db.Positions(ctx)
	if err != nil {
		return err
	}
	var failed error
	for program := range positions {
		if !o.Program.IsZero() && program != o.Program {
			continue
		}
		var list []waiting
		err := db.In(ctx, program, storage.Reading, func(t *storage.Tx) error {
			storage.All(t, &list, buildWaitingSQL, storage.Args{"program_id": t.Program})
			return t.Flush()
		})
		if err != nil {
			return err
		}
		for _, w := range list {
			if _, _, err := build(ctx, db, program, w, o); err != nil {
				failed = errors.Join(failed, fmt.Errorf("program %s, %s: %w", program, named(domain.Month(w.Month), w.FundSource, 0), err))
			}
		}
	}
	return failed
}

// A hold is a build while this instance has its lock.
type hold struct {
	db      *storage.DB
	program domain.UUID
	build   *Build

	stage string
	told  time.Time
}

const buildHoldSQL = `
SELECT k.month FROM month_build_lock AS k
WHERE k.program_id = @program_id AND k.month = @month AND k.fund_source = @fund
FOR UPDATE SKIP LOCKED`

const buildBeginSQL = `
UPDATE month_build AS b
SET tries_count = b.tries_count + 1, stage = @stage, done_count = 0, total_count = 0, started_at = @at, updated_at = @at
WHERE b.program_id = @program_id AND b.month = @month AND b.fund_source = @fund AND b.state = 'building'
RETURNING` + buildColumns

// build builds what was asked for under its lock; mine is false where another
// instance holds it, or was faster.
func build(ctx context.Context, db *storage.DB, program domain.UUID, w waiting, o Options) (p Package, mine bool, err error) {
	args := storage.Args{"program_id": program, "month": w.Month, "fund": w.FundSource, "stage": StageHistory}
	lock, err := db.Lock(ctx, program, buildHoldSQL, args)
	if err != nil || lock == nil {
		return p, false, err
	}
	defer lock.Release()
	var row *buildRow
	err = db.In(ctx, program, storage.Writing, func(t *storage.Tx) error {
		args["at"] = t.Now
		storage.One(t, &row, buildBeginSQL, args)
		return t.Flush()
	})
	if err != nil || row == nil {
		return p, false, err
	}
	b, err := row.build()
	if err != nil {
		return p, false, err
	}
	db.Log().Info("building a package", "program_id", program.String(), "package", b.audited(), "try", b.Tries)
	h := &hold{db: db, program: program, build: b}
	p, err = h.work(ctx, lock, o)
	return p, !errors.Is(err, storage.ErrLockLost), err
}

// work builds, and says what becomes of a build that did not come to its end.
func (h *hold) work(ctx context.Context, lock *storage.Lock, o Options) (p Package, err error) {
	if h.build.Tries > buildTries {
		err = domain.Errorf(domain.Internal, "it was begun %d times and never came to an end", buildTries)
		return p, errors.Join(err, h.fail(ctx, domain.Errorf(domain.Internal, "the build was begun %d times and its instance ended every time", buildTries)))
	}
	tell := o.Report
	o.Report = func(stage string, done, total int64) {
		h.report(lock.Held, stage, done, total)
		if tell != nil {
			tell(stage, done, total)
		}
	}
	p, err = makePackage(lock.Held, h.db, h, o)
	if err == nil {
		return p, nil
	}
	if ctx.Err() == nil && lock.Held.Err() != nil || errors.Is(err, storage.ErrLockLost) {
		return p, fmt.Errorf("%w: another instance builds it (%w)", storage.ErrLockLost, err)
	}
	// What is said now is said also when the work was to end.
	settling, end := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer end()
	var known *domain.Error
	switch {
	case ctx.Err() != nil: // only interrupted: no try is used up
		return p, errors.Join(err, h.giveBack(settling, 1))
	case errors.As(err, &known) && known.RetryAfter == 0 && known.Code != domain.StorageFull:
		return p, errors.Join(err, h.fail(settling, known)) // it would be the same every time
	case h.build.Tries < buildTries:
		return p, errors.Join(err, h.giveBack(settling, 0))
	case known == nil:
		known = domain.Errorf(domain.Internal, "the service failed; its log says why")
	}
	return p, errors.Join(err, h.fail(settling, known))
}

// change changes the row of the build, in its try: when it is another's by now,
// the lock was lost without notice.
func (h *hold) change(t *storage.Tx, sql string, more storage.Args) error {
	args := storage.Args{"program_id": t.Program, "month": string(h.build.Month), "fund": h.build.Fund, "try": h.build.Tries, "at": t.Now}
	maps.Copy(args, more)
	var n int64
	t.Queue(sql, args).Exec(storage.Affected(&n))
	if err := t.Flush(); err != nil {
		return err
	}
	if n == 0 {
		return storage.ErrLockLost
	}
	return nil
}

const buildProgressSQL = `
UPDATE month_build AS b SET stage = @stage, done_count = @done, total_count = @total, updated_at = @at
WHERE b.program_id = @program_id AND b.month = @month AND b.fund_source = @fund AND b.tries_count = @try AND b.state = 'building'`

// report writes down how far the build is: each stage as it begins, then now
// and then. That it could not is no reason to end the work.
func (h *hold) report(ctx context.Context, stage string, done, total int64) {
	if stage == h.stage && time.Since(h.told) < buildTold {
		return
	}
	h.stage, h.told = stage, time.Now()
	err := h.db.In(ctx, h.program, storage.Writing, func(t *storage.Tx) error {
		return h.change(t, buildProgressSQL, storage.Args{"stage": stage, "done": done, "total": total})
	})
	if err != nil && ctx.Err() == nil {
		h.db.Log().Warn("the progress of a package could not be written down", "package", h.build.audited(), "error", err.Error())
	}
}

// The package stands.
const buildEndSQL = `
DELETE FROM month_build AS b WHERE b.program_id = @program_id AND b.month = @month AND b.fund_source = @fund AND b.tries_count = @try`

const buildGiveBackSQL = `
UPDATE month_build AS b SET tries_count = b.tries_count - @back, stage = @stage, done_count = 0, total_count = 0, updated_at = @at
WHERE b.program_id = @program_id AND b.month = @month AND b.fund_source = @fund AND b.tries_count = @try AND b.state = 'building'`

// giveBack lets the build wait for its next try.
func (h *hold) giveBack(ctx context.Context, back int) error {
	return h.db.In(ctx, h.program, storage.Writing, func(t *storage.Tx) error {
		return h.change(t, buildGiveBackSQL, storage.Args{"stage": StageWaiting, "back": back})
	})
}

const buildFailSQL = `
UPDATE month_build AS b SET state = 'failed', failure = @failure, updated_at = @at
WHERE b.program_id = @program_id AND b.month = @month AND b.fund_source = @fund AND b.tries_count = @try AND b.state = 'building'`

// fail ends the build for good, with the reason for whoever asks.
func (h *hold) fail(ctx context.Context, why *domain.Error) error {
	text, err := json.Marshal(failure{why.Code, why.Detail, why.Faults})
	if err != nil {
		return fmt.Errorf("write why the build of %s failed: %w", h.build.Month, err)
	}
	return h.db.In(ctx, h.program, storage.Writing, func(t *storage.Tx) error {
		if err := h.change(t, buildFailSQL, storage.Args{"failure": string(text)}); err != nil {
			return err
		}
		return t.Audit(h.build.caller(h.program), "package_build_failed", domain.UUID{}, fmt.Sprintf("%s: %s", h.build.audited(), why.Code))
	})
}
