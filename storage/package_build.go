package storage

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"

	"ductledger/domain"
	"ductledger/domain/month"
	"ductledger/domain/pack"

	"github.com/go-json-experiment/json"
)

// makePackage builds what is claimed, reads back what was stored and verifies
// it with nothing but the file.
//
// The file grows in a temporary file of the machine and enters the database in
// one transaction when it is whole: a build that dies leaves nothing half. The
// next begins again from the first row: at one position the same bytes come
// out, so nothing half written has to be kept, found again and trusted.
func (db *DB) makePackage(ctx context.Context, h *hold, o MonthOptions) (p Package, err error) {
	var plan MonthPlan
	err = db.In(ctx, h.program, Survey, func(t *Tx) error {
		plan, err = t.planMonth(h.build.Month, h.build.Position, !h.build.Finished)
		return err
	})
	switch {
	case err != nil:
		return p, err
	case plan.Made != nil:
		p = *plan.Made
	case plan.Revision != h.build.Revision:
		return p, domain.Errorf(domain.NotReconciled, "revision %d of %s came in between: ask for the package again", plan.Revision-1, plan.Month)
	default:
		if p, err = db.storePackage(ctx, h, &plan, o); err != nil {
			return p, err
		}
	}
	if p.State == PackageDraft && p.Finished {
		o.Report(StageVerifying, 0, p.Bytes)
		if err := db.verifyPackage(ctx, h, &p); err != nil {
			return p, err
		}
		p.State = PackageVerified
	}
	return p, db.In(ctx, h.program, Writing, func(t *Tx) error {
		if p.State == PackageVerified {
			t.Queue(packageVerifiedSQL, Args{"program_id": t.Program, "month": string(p.Month), "revision": p.Revision})
		}
		h.end(t)
		return nil
	})
}

func (db *DB) storePackage(ctx context.Context, h *hold, plan *MonthPlan, o MonthOptions) (p Package, err error) {
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
	written, sums, err := db.WriteMonth(ctx, h.program, plan, file, o)
	if err != nil {
		return p, fmt.Errorf("build the package of %s: %w", plan.Month, err)
	}
	p = plan.pack(h.build, written, sums)
	return p, db.keepPackage(ctx, h, &p, file, o)
}

// pack is the revision that was built.
func (p *MonthPlan) pack(b *Build, w pack.Written, sums month.Sums) Package {
	head := p.head("")
	return Package{
		Month: p.Month, Revision: p.Revision, State: PackageDraft, Position: p.Position, AsOf: p.AsOf, Finished: p.Finished,
		PreviousPosition: p.Previous, PreviousSHA256: head.PreviousSHA256, SupersedesSHA256: head.SupersedesSHA256,
		FileName: head.FileName(), SHA256: w.SHA256, Bytes: w.Bytes, Cumulative: sums, BuiltBy: b.AskedBy, BuiltByPerson: b.AskedByPerson,
	}
}

const packageInsertSQL = `
INSERT INTO month_package (program_id, month, revision, state, position, as_of_at, finished, previous_position, previous_sha256,
    supersedes_sha256, file_name, sha256, bytes_count, cumulative, built_at, built_by_token, built_by_person_id, built_by)
VALUES (@program_id, @month, @revision, 'draft', @position, @as_of_at, @finished, @previous_position, @previous_sha256,
    @supersedes_sha256, @file_name, @sha256, @bytes_count, @cumulative, @at, @token_id, @person_id, @name)
ON CONFLICT DO NOTHING`

const packagePartInsertSQL = `
INSERT INTO month_package_part (program_id, month, revision, part, bytes) VALUES (@program_id, @month, @revision, @part, @bytes)`

// packagePart is the size of a part of a stored file, in bytes.
const packagePart = 1 << 20

// keepPackage stores a revision with its file, part after part, unless another
// instance has the build by then.
func (db *DB) keepPackage(ctx context.Context, h *hold, p *Package, file io.ReadSeeker, o MonthOptions) error {
	cumulative, err := json.Marshal(p.Cumulative)
	if err != nil {
		return err
	}
	caller := h.build.caller(h.program)
	return db.In(ctx, h.program, Writing, func(t *Tx) error {
		p.BuiltAt = t.Now
		args := Args{"program_id": t.Program, "month": string(p.Month), "revision": p.Revision, "position": p.Position, "as_of_at": p.AsOf,
			"finished": p.Finished, "previous_position": p.PreviousPosition, "previous_sha256": digestArg(p.PreviousSHA256),
			"supersedes_sha256": digestArg(p.SupersedesSHA256), "file_name": p.FileName, "sha256": digestArg(p.SHA256), "bytes_count": p.Bytes,
			"cumulative": string(cumulative), "at": t.Now, "token_id": caller.Token, "person_id": caller.Person, "name": OrNull(caller.Name)}
		var kept int64
		t.Queue(packageInsertSQL, args).Exec(Affected(&kept))
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
				t.Queue(packagePartInsertSQL, Args{"program_id": t.Program, "month": string(p.Month), "revision": p.Revision, "part": n, "bytes": part[:size]})
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
UPDATE month_package AS p SET built_by = @name, built_by_token = @token_id, built_by_person_id = @person_id
WHERE p.program_id = @program_id AND p.month = @month AND p.revision = @revision AND p.built_by_person_id IS NULL`

// adoptPackage lets a person stand for a package that nobody did: one built by
// a token without a name could never be released.
func (t *Tx) adoptPackage(caller domain.Caller, p *Package) (Package, error) {
	if !p.BuiltByPerson.IsZero() || caller.Person.IsZero() {
		return *p, nil
	}
	var n int64
	t.Queue(packageAdoptSQL, Args{"program_id": t.Program, "month": string(p.Month), "revision": p.Revision, "name": caller.Name, "token_id": caller.Token,
		"person_id": caller.Person}).Exec(Affected(&n))
	if err := t.Flush(); err != nil || n == 0 {
		return *p, err
	}
	adopted := *p
	adopted.BuiltBy, adopted.BuiltByPerson = caller.Name, caller.Person
	return adopted, t.Audit(caller, "package_adopted", domain.UUID{}, p.audited())
}

const packageVerifiedSQL = `
UPDATE month_package AS p SET state = 'verified'
WHERE p.program_id = @program_id AND p.month = @month AND p.revision = @revision AND p.state = 'draft'`

// verifyPackage reads the stored file as a stranger would.
func (db *DB) verifyPackage(ctx context.Context, h *hold, p *Package) error {
	report, err := pack.Verify(db.PackageFile(ctx, h.build.caller(h.program), p), p.Bytes, pack.VerifyOptions{})
	if err != nil {
		return fmt.Errorf("verify package %s: %w", p.FileName, err)
	}
	if !report.Holds || report.SHA256 != p.SHA256 {
		return fmt.Errorf("package %s was stored and does not hold: %s", p.FileName, report.Text())
	}
	return nil
}
