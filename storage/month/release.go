package month

import (
	"context"

	"ductledger/domain"
	"ductledger/storage"
)

const packageLockSQL = `
SELECT` + packageColumns + `
FROM month_package AS p
WHERE p.program_id = @program_id AND p.month IN (@before, @month, @after) AND p.fund_source = @fund
ORDER BY p.month, p.revision
FOR NO KEY UPDATE`

const packageSupersedeSQL = `
UPDATE month_package AS p SET state = 'superseded'
WHERE p.program_id = @program_id AND p.month = @month AND p.fund_source = @fund AND p.revision < @revision AND p.state <> 'superseded'`

const packageReleaseSQL = `
UPDATE month_package AS p SET state = 'released', released_at = @at, released_by = @name, released_by_token = @token_id,
    released_by_person_id = @person_id
WHERE p.program_id = @program_id AND p.month = @month AND p.fund_source = @fund AND p.revision = @revision`

// Release hands a package to the funder: the newest revision of its
// month, verified, by another person than the one who built it. What was in
// force before is superseded; its file stays. Released already, it is given as
// it is, and released is false.
func Release(ctx context.Context, db *storage.DB, caller domain.Caller, m domain.Month, fund string, revision int, validateOnly bool) (p Package, released bool, err error) {
	before, after, err := neighbors(m)
	if err != nil {
		return p, false, err
	}
	err = db.In(ctx, caller.Program, storage.Writing, func(t *storage.Tx) error {
		if validateOnly {
			t.Discard()
		}
		args := storage.Args{"program_id": t.Program, "before": string(before), "month": string(m), "after": string(after), "fund": fund, "revision": revision,
			"at": t.Now, "name": storage.OrNull(caller.Name), "token_id": caller.Token, "person_id": caller.Person}
		var rows []packageRow
		storage.All(t, &rows, packageLockSQL, args)
		if err := t.Flush(); err != nil {
			return err
		}
		list, err := packagesOf(rows)
		if err != nil {
			return err
		}
		if p, err = releasable(caller, list, m, revision); err != nil || p.State == PackageReleased {
			return err
		}
		t.Queue(packageSupersedeSQL, args)
		t.Queue(packageReleaseSQL, args)
		at := t.Now
		p.State, p.ReleasedAt, p.ReleasedBy, p.ReleasedByPerson, released = PackageReleased, &at, caller.Name, caller.Person, true
		if err := t.Audit(caller, "package_released", domain.UUID{}, p.audited()); err != nil {
			return err
		}
		return t.Flush()
	})
	return p, released, err
}

// releasable finds the revision among those of its month and the two beside
// it, and says what keeps it from being released.
func releasable(caller domain.Caller, list []Package, m domain.Month, revision int) (p Package, err error) {
	newest, found := 0, false
	for i := range list {
		if list[i].Month == m {
			newest = list[i].Revision
			if newest == revision {
				p, found = list[i], true
			}
		}
	}
	switch {
	case !found:
		return p, domain.Errorf(domain.NotFound, "there is no such package")
	case p.State == PackageReleased:
		return p, nil
	case revision != newest:
		return p, domain.Errorf(domain.StateNotAllowed, "revision %d of %s is newer; only the newest is released", newest, m)
	case !p.Finished:
		return p, domain.Errorf(domain.UnfinishedPeriod, "%s had not ended when the package was built; build it again", m)
	case p.State != PackageVerified:
		return p, domain.Errorf(domain.StateNotAllowed, "the stored file has not been verified yet: build the package again at position %d", p.Position)
	case caller.Person.IsZero() || p.BuiltByPerson.IsZero() || caller.Person == p.BuiltByPerson: // whoever is not named cannot be told from anybody
		return p, domain.Errorf(domain.SamePerson, "a package is released by another person than the one who built it; both sign in, or hold tokens that name them")
	}
	for i := range list {
		o := &list[i]
		switch {
		case o.State != PackageReleased || o.Month == m:
		case o.Month < m && (o.Position != p.PreviousPosition || o.SHA256 != p.PreviousSHA256):
			return p, domain.Errorf(domain.NotReconciled, "the package of %s was released since, as %s: build this one again", o.Month, o.FileName)
		case o.Month > m && o.PreviousPosition != p.Position:
			return p, domain.Errorf(domain.NotReconciled, "the released package of %s follows from position %d, not from %d", o.Month, o.PreviousPosition, p.Position)
		}
	}
	return p, nil
}
