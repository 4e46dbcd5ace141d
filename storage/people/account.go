package people

import (
	"context"

	"ductledger/domain"
	"ductledger/storage"
)

const personOfAccountSQL = `
SELECT person_id FROM person WHERE program_id = @program_id AND account = @account AND ended_at IS NULL`

const personAccountSQL = `
UPDATE person SET account = @account, password = NULL, password_at = NULL
WHERE program_id = @program_id AND person_id = @person_id AND ended_at IS NULL`

// personOf finds whose account it is, if anybody's.
func personOf(t *storage.Tx, account [32]byte) (id domain.UUID, found bool, err error) {
	var row *struct{ PersonID [16]byte }
	storage.One(t, &row, personOfAccountSQL, storage.Args{"program_id": t.Program, "account": account[:]})
	if err := t.Flush(); err != nil || row == nil {
		return id, false, err
	}
	return row.PersonID, true, nil
}

// SignInByAccount begins a session for the person who came in once by a link
// and chose this account of the agency's. Whom nobody invited it does not make.
func SignInByAccount(ctx context.Context, db *storage.DB, program domain.UUID, account, digest [32]byte, before *[32]byte) error {
	return db.In(ctx, program, storage.Writing, func(t *storage.Tx) error {
		person, found, err := personOf(t, account)
		if err != nil {
			return err
		}
		if !found {
			return domain.Errorf(domain.Unauthorized, "this account is nobody's in this program")
		}
		return begin(t, person, nil, digest, before, "signed_in_by_account")
	})
}

// EnterByAccount uses a link up, has its person sign in by the agency's account
// from now on, in place of a password, and begins a session.
func EnterByAccount(ctx context.Context, db *storage.DB, program domain.UUID, link, account, digest [32]byte, before *[32]byte) error {
	return db.In(ctx, program, storage.Writing, func(t *storage.Tx) error {
		row, err := use(t, link, ChoosePassword)
		if err != nil {
			return err
		}
		person, found, err := personOf(t, account)
		if err != nil {
			return err
		}
		if found && person != domain.UUID(row.PersonID) {
			return domain.Errorf(domain.StateNotAllowed, "this account is another person's in this program")
		}
		signOutAll(t, row.PersonID)
		t.Queue(personAccountSQL, storage.Args{"program_id": t.Program, "person_id": domain.UUID(row.PersonID), "account": account[:]})
		return begin(t, row.PersonID, nil, digest, before, "account_chosen")
	})
}
