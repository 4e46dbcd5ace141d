package storage

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"ductledger/domain"
	"ductledger/domain/bag"
	"ductledger/domain/month"

	"github.com/go-json-experiment/json"
)

// buildTries is how often a build is begun again that another one overtook.
const buildTries = 3

// BuildPackage makes the package of a month, reads back what was stored and
// verifies it with nothing but the file. Built already at that position, it is
// given as it is, and made is false. position 0 is where the month ended.
//
// The file grows in a temporary file of the machine and enters the database in
// one transaction when it is whole: a build that dies leaves no revision and
// nothing half, and the next one starts again.
func (db *DB) BuildPackage(ctx context.Context, caller domain.Caller, m domain.Month, position int64, o MonthOptions) (p Package, made bool, err error) {
	for range buildTries {
		plan, err := db.PlanMonth(ctx, caller, m, position)
		if err != nil {
			return p, false, err
		}
		if plan.Made != nil {
			p, err = db.adoptPackage(ctx, caller, plan.Made)
		} else {
			p, made, err = db.makePackage(ctx, caller, &plan, o)
		}
		var lost *lostBuild
		if errors.As(err, &lost) {
			made = false
			continue
		}
		if err == nil && p.State == PackageDraft && p.Finished {
			p, err = db.verifyPackage(ctx, caller, p)
		}
		return p, made, err
	}
	return p, false, &domain.Error{Code: domain.InProgress, Detail: "others are building packages of this month", RetryAfter: unavailable}
}

// TryPackage is BuildPackage without keeping anything.
func (db *DB) TryPackage(ctx context.Context, caller domain.Caller, m domain.Month, position int64, o MonthOptions) (p Package, made bool, err error) {
	plan, err := db.PlanMonth(ctx, caller, m, position)
	if err != nil {
		return p, false, err
	}
	if plan.Made != nil {
		return *plan.Made, false, nil
	}
	written, sums, err := db.WriteMonth(ctx, caller.Program, &plan, io.Discard, o)
	if err != nil {
		return p, false, err
	}
	return plan.pack(caller, written, sums), true, nil
}

func (db *DB) makePackage(ctx context.Context, caller domain.Caller, plan *MonthPlan, o MonthOptions) (p Package, made bool, err error) {
	file, err := os.CreateTemp("", "ductledger-package-*")
	if err != nil {
		return p, false, err
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
	written, sums, err := db.WriteMonth(ctx, caller.Program, plan, file, o)
	if err != nil {
		return p, false, fmt.Errorf("build the package of %s: %w", plan.Month, err)
	}
	if _, err := file.Seek(0, io.SeekStart); err != nil {
		return p, false, err
	}
	p = plan.pack(caller, written, sums)
	return p, true, db.keepPackage(ctx, caller, &p, file)
}

// pack is the revision that was built.
func (p *MonthPlan) pack(caller domain.Caller, w bag.Written, sums month.Sums) Package {
	head := p.head("")
	return Package{
		Month: p.Month, Revision: p.Revision, State: PackageDraft, Position: p.Position, AsOf: p.AsOf, Finished: p.Finished,
		PreviousPosition: p.Previous, PreviousSHA256: head.PreviousSHA256, SupersedesSHA256: head.SupersedesSHA256,
		FileName: head.FileName(), SHA256: w.SHA256, Bytes: w.Bytes, Cumulative: sums, BuiltBy: caller.Name,
	}
}

const packageInsertSQL = `
INSERT INTO month_package (program_id, month, revision, state, position, as_of_at, finished, previous_position, previous_sha256,
    supersedes_sha256, file_name, sha256, bytes_count, cumulative, built_at, built_by_token, built_by)
VALUES (@program_id, @month, @revision, 'draft', @position, @as_of_at, @finished, @previous_position, @previous_sha256,
    @supersedes_sha256, @file_name, @sha256, @bytes_count, @cumulative, @at, @token_id, @name)
ON CONFLICT DO NOTHING`

const packagePartInsertSQL = `
INSERT INTO month_package_part (program_id, month, revision, part, bytes) VALUES (@program_id, @month, @revision, @part, @bytes)`

// packagePart is the size of a part of a stored file, in bytes.
const packagePart = 1 << 20

// keepPackage stores a revision with its file, part after part. Of many who
// build one month at once the first wins; the others find its revision.
func (db *DB) keepPackage(ctx context.Context, caller domain.Caller, p *Package, file io.Reader) error {
	cumulative, err := json.Marshal(p.Cumulative)
	if err != nil {
		return err
	}
	return db.in(ctx, caller.Program, writing, func(t *tx) error {
		p.BuiltAt = t.now
		args := named{"program_id": t.program, "month": string(p.Month), "revision": p.Revision, "position": p.Position, "as_of_at": p.AsOf,
			"finished": p.Finished, "previous_position": p.PreviousPosition, "previous_sha256": digestArg(p.PreviousSHA256),
			"supersedes_sha256": digestArg(p.SupersedesSHA256), "file_name": p.FileName, "sha256": digestArg(p.SHA256), "bytes_count": p.Bytes,
			"cumulative": string(cumulative), "at": t.now, "token_id": caller.Token, "name": textArg(caller.Name)}
		var kept int64
		t.queue(packageInsertSQL, args.pgx()).Exec(affected(&kept))
		if err := t.flush(); err != nil {
			return err
		}
		if kept == 0 {
			return &lostBuild{}
		}
		part := make([]byte, packagePart)
		for n := 0; ; n++ {
			size, err := io.ReadFull(file, part)
			if size > 0 {
				t.queue(packagePartInsertSQL, named{"program_id": t.program, "month": string(p.Month), "revision": p.Revision, "part": n, "bytes": part[:size]}.pgx())
				if err := t.flush(); err != nil {
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
		return t.writeAudit(caller, "package_built", domain.UUID{}, p.audited())
	})
}

// A lostBuild says that another build was faster. It is not run again by the
// transaction: the plan itself has to be made anew.
type lostBuild struct{}

func (*lostBuild) Error() string { return "another build of this month was faster" }

// audited is how the audit names a package.
func (p *Package) audited() string {
	return fmt.Sprintf("%s revision %d, position %d, sha256 %s", p.Month, p.Revision, p.Position, p.SHA256)
}

func digestArg(text string) []byte {
	b, err := hex.DecodeString(text)
	if err != nil || text == "" {
		return nil
	}
	return b
}

const packageAdoptSQL = `
UPDATE month_package AS p SET built_by = @name, built_by_token = @token_id
WHERE p.program_id = @program_id AND p.month = @month AND p.revision = @revision AND p.built_by IS NULL`

// adoptPackage lets a person stand for a package that nobody did: one built by
// a token without a name could never be released.
func (db *DB) adoptPackage(ctx context.Context, caller domain.Caller, p *Package) (Package, error) {
	if p.BuiltBy != "" || strings.TrimSpace(caller.Name) == "" {
		return *p, nil
	}
	adopted := *p
	err := db.in(ctx, caller.Program, writing, func(t *tx) error {
		var n int64
		t.queue(packageAdoptSQL, named{"program_id": t.program, "month": string(p.Month), "revision": p.Revision, "name": caller.Name, "token_id": caller.Token}.pgx()).Exec(affected(&n))
		if err := t.flush(); err != nil || n == 0 {
			return err
		}
		adopted.BuiltBy = caller.Name
		return t.writeAudit(caller, "package_adopted", domain.UUID{}, p.audited())
	})
	return adopted, err
}

const packageVerifiedSQL = `
UPDATE month_package AS p SET state = 'verified'
WHERE p.program_id = @program_id AND p.month = @month AND p.revision = @revision AND p.state = 'draft'`

// verifyPackage reads the stored file as a stranger would.
func (db *DB) verifyPackage(ctx context.Context, caller domain.Caller, p Package) (Package, error) {
	report, err := bag.Verify(db.PackageFile(ctx, caller, &p), p.Bytes, bag.VerifyOptions{})
	if err != nil {
		return p, fmt.Errorf("verify package %s: %w", p.FileName, err)
	}
	if !report.Holds || report.SHA256 != p.SHA256 {
		return p, fmt.Errorf("package %s was stored and does not hold: %s", p.FileName, report.Text())
	}
	return p, db.in(ctx, caller.Program, writing, func(t *tx) error {
		p.State = PackageVerified
		t.queue(packageVerifiedSQL, named{"program_id": t.program, "month": string(p.Month), "revision": p.Revision}.pgx())
		return nil
	})
}
