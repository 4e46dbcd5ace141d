package month

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
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
		h.end(t)
		return nil
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

// keepPackage stores a revision with its file, part after part, unless another
// instance has the build by then.
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
			return &lostBuild{}
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
		return h.beat(t) // last, since it locks the row that others look at
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

// BuildAsked builds the packages that are asked for, one at a time, until ctx
// ends; those of one program where o names it. Any number of instances may run it: each build is of one of them, and
// another takes it over when that one is no longer heard.
func BuildAsked(ctx context.Context, db *storage.DB, o Options) {
	tick := time.NewTicker(buildLook)
	defer tick.Stop()
	for {
		if err := buildWaiting(ctx, db, o); err != nil && ctx.Err() == nil {
			db.Log().Warn("packages that were asked for could not be looked for", "error", err.Error())
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		case <-db.Signal(asked):
		}
	}
}

func buildWaiting(ctx context.Context, db *storage.DB, o Options) error {
	positions, err := db.Positions(ctx)
	if err != nil {
		return err
	}
	for program := range positions {
		if !o.Program.IsZero() && program != o.Program {
			continue
		}
		builds, err := waitingBuilds(ctx, db, program)
		if err != nil {
			return err
		}
		for _, waits := range builds {
			b, err := claimBuild(ctx, db, program, waits)
			if err != nil {
				return err
			}
			if b == nil {
				continue
			}
			db.Log().Info("building a package", "program_id", program.String(), "package", b.audited(), "try", b.Tries)
			if _, err := work(ctx, db, program, b, o); err != nil && ctx.Err() == nil {
				db.Log().Error("a package was not built", "program_id", program.String(), "package", b.audited(), "try", b.Tries, "error", err.Error())
			}
		}
	}
	return nil
}

// work builds what was claimed and settles the claim, whatever comes of it.
func work(ctx context.Context, db *storage.DB, program domain.UUID, b *Build, o Options) (p Package, err error) {
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
	p, err = makePackage(working, db, h, o)
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

// A build belongs to the instance that claimed it for as long as that says
// that it is alive. The clocks of two instances may differ: then both may
// build, and one of them finds its claim gone before it stores anything.
const (
	buildLease = time.Minute
	buildBeat  = 2 * time.Second // how often the one who builds says how far it is
	buildLook  = 5 * time.Second // how often an instance looks for builds that wait
	buildTries = 3               // a build that ends its instance every time must not go on for ever
	buildPause = 10 * time.Second
)

// A lostBuild says that another instance has the build, or finished it.
type lostBuild struct{}

func (*lostBuild) Error() string { return "another instance builds this package" }

const buildWaitingSQL = `
SELECT b.month, b.fund_source FROM month_build AS b
WHERE b.program_id = @program_id AND b.state = 'building' AND b.claimed_until <= @at
ORDER BY b.asked_at, b.month, b.fund_source`

// waiting is a build that nobody works on.
type waiting struct{ Month, FundSource string }

func waitingBuilds(ctx context.Context, db *storage.DB, program domain.UUID) (rows []waiting, err error) {
	err = db.In(ctx, program, storage.Reading, func(t *storage.Tx) error {
		storage.All(t, &rows, buildWaitingSQL, storage.Args{"program_id": t.Program, "at": t.Now})
		return t.Flush()
	})
	return rows, err
}

const buildClaimSQL = `
UPDATE month_build AS b
SET claim = @claim, claimed_until = @until, tries_count = b.tries_count + 1, stage = @stage, done_count = 0, total_count = 0, started_at = @at, updated_at = @at
WHERE b.program_id = @program_id AND b.month = @month AND b.fund_source = @fund AND b.state = 'building' AND b.claimed_until <= @at
RETURNING` + buildColumns

// claimBuild takes a build that nobody works on; nil when there is none.
func claimBuild(ctx context.Context, db *storage.DB, program domain.UUID, w waiting) (b *Build, err error) {
	claim, err := newClaim()
	if err != nil {
		return nil, err
	}
	err = db.In(ctx, program, storage.Writing, func(t *storage.Tx) error {
		var row *buildRow
		storage.One(t, &row, buildClaimSQL, storage.Args{"program_id": t.Program, "month": w.Month, "fund": w.FundSource, "claim": claim, "stage": StageHistory,
			"at": t.Now, "until": t.Now.Add(buildLease)})
		if err := t.Flush(); err != nil || row == nil {
			return err
		}
		b, err = row.build()
		return err
	})
	return b, err
}

// hold keeps a build's claim while it is worked on, and tells how far it is.
type hold struct {
	db      *storage.DB
	program domain.UUID
	build   *Build

	mu          sync.Mutex
	stage       string
	done, total int64
}

func (h *hold) report(stage string, done, total int64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.stage, h.done, h.total = stage, done, total
}

const buildBeatSQL = `
UPDATE month_build AS b SET stage = @stage, done_count = @done, total_count = @total, updated_at = @at, claimed_until = @until
WHERE b.program_id = @program_id AND b.month = @month AND b.fund_source = @fund AND b.claim = @claim AND b.state = 'building'`

// beat says that the build is alive; a lostBuild when it is another's.
func (h *hold) beat(t *storage.Tx) error {
	h.mu.Lock()
	args := storage.Args{"program_id": t.Program, "month": string(h.build.Month), "fund": h.build.Fund, "claim": h.build.claim, "stage": h.stage, "done": h.done, "total": h.total,
		"at": t.Now, "until": t.Now.Add(buildLease)}
	h.mu.Unlock()
	var n int64
	t.Queue(buildBeatSQL, args).Exec(storage.Affected(&n))
	if err := t.Flush(); err != nil {
		return err
	}
	if n == 0 {
		return &lostBuild{}
	}
	return nil
}

// keep beats until ctx ends, and cancels the work when the claim is lost. A
// database that is away for a while only delays it.
func (h *hold) keep(ctx context.Context, cancel context.CancelCauseFunc) {
	tick := time.NewTicker(buildBeat)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		var lost *lostBuild
		if err := h.db.In(ctx, h.program, storage.Writing, h.beat); errors.As(err, &lost) {
			cancel(lost)
		}
	}
}

const buildEndSQL = `
DELETE FROM month_build AS b WHERE b.program_id = @program_id AND b.month = @month AND b.fund_source = @fund AND b.claim = @claim`

// end forgets the build: its package stands.
func (h *hold) end(t *storage.Tx) {
	t.Queue(buildEndSQL, storage.Args{"program_id": t.Program, "month": string(h.build.Month), "fund": h.build.Fund, "claim": h.build.claim})
}

const buildReleaseSQL = `
UPDATE month_build AS b SET claim = NULL, claimed_until = @until, tries_count = b.tries_count - @back, stage = @stage, updated_at = @at
WHERE b.program_id = @program_id AND b.month = @month AND b.fund_source = @fund AND b.claim = @claim AND b.state = 'building'`

// release lets another instance have the build, after a pause when it failed.
// A build that was only interrupted has not used up a try.
func (h *hold) release(ctx context.Context, interrupted bool) error {
	pause, back := buildPause, 0
	if interrupted {
		pause, back = 0, 1
	}
	return h.db.In(ctx, h.program, storage.Writing, func(t *storage.Tx) error {
		t.Queue(buildReleaseSQL, storage.Args{"program_id": t.Program, "month": string(h.build.Month), "fund": h.build.Fund, "claim": h.build.claim, "stage": StageWaiting,
			"at": t.Now, "until": t.Now.Add(pause), "back": back})
		return nil
	})
}

const buildFailSQL = `
UPDATE month_build AS b SET state = 'failed', failure = @failure, claim = NULL, updated_at = @at
WHERE b.program_id = @program_id AND b.month = @month AND b.fund_source = @fund AND b.claim = @claim AND b.state = 'building'`

// fail ends the build for good, with the reason for whoever asks.
func (h *hold) fail(ctx context.Context, why *domain.Error) error {
	text, err := json.Marshal(failure{why.Code, why.Detail, why.Faults})
	if err != nil {
		return fmt.Errorf("write why the build of %s failed: %w", h.build.Month, err)
	}
	return h.db.In(ctx, h.program, storage.Writing, func(t *storage.Tx) error {
		var n int64
		t.Queue(buildFailSQL, storage.Args{"program_id": t.Program, "month": string(h.build.Month), "fund": h.build.Fund, "claim": h.build.claim, "failure": string(text), "at": t.Now}).Exec(storage.Affected(&n))
		if err := t.Flush(); err != nil || n == 0 {
			return err
		}
		return t.Audit(h.build.caller(h.program), "package_build_failed", domain.UUID{}, fmt.Sprintf("%s: %s", h.build.audited(), why.Code))
	})
}
