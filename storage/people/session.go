package people

import (
	"context"
	"time"

	"ductledger/domain"
	"ductledger/storage"
)

// A session ends by itself after so long without a request, and after so long
// in all: a day's work. [mem] OWASP ASVS 5.0, 7.3.
const (
	SessionIdle = 30 * time.Minute
	SessionMost = 12 * time.Hour
)

const personSignInSQL = `
SELECT person_id, name, password FROM person
WHERE program_id = @program_id AND name_key = @name_key AND ended_at IS NULL`

const personStillSQL = `
SELECT person_id, name, role, contractor_id FROM person
WHERE program_id = @program_id AND person_id = @person_id AND ended_at IS NULL AND (@password::text IS NULL OR password = @password)
FOR KEY SHARE`

// SignIn begins a session under the digest of its new text, for whoever knows
// the person's password. before is the digest of a session that the browser
// has already, which ends: a session is never taken over. A wrong name and a
// wrong password are answered alike, as late.
func SignIn(ctx context.Context, db *storage.DB, program domain.UUID, name, password string, digest [32]byte, before *[32]byte) error {
	type signInRow struct {
		PersonID [16]byte
		Name     string
		Password *string
	}
	var row *signInRow
	err := db.In(ctx, program, storage.Reading, func(t *storage.Tx) error {
		storage.One(t, &row, personSignInSQL, storage.Args{"program_id": t.Program, "name_key": storage.NameKey(name)})
		return nil
	})
	if err != nil {
		return err
	}
	if row == nil {
		row = new(signInRow)
	}
	fits, err := passwordFits(ctx, row.Password, password)
	if err != nil {
		return err
	}
	if !fits {
		return domain.Errorf(domain.Unauthorized, "program, name and password do not belong together")
	}
	return db.In(ctx, program, storage.Writing, func(t *storage.Tx) error {
		return begin(t, row.PersonID, row.Password, digest, before, "signed_in")
	})
}

// begin queues a new session of a person whose password is still the same.
func begin(t *storage.Tx, person domain.UUID, password *string, digest [32]byte, before *[32]byte, action string) error {
	type stillRow struct {
		PersonID     [16]byte
		Name         string
		Role         string
		ContractorID *[16]byte
	}
	var row *stillRow
	storage.One(t, &row, personStillSQL, storage.Args{"program_id": t.Program, "person_id": person, "password": password})
	if err := t.Flush(); err != nil {
		return err
	}
	if row == nil {
		return domain.Errorf(domain.Unauthorized, "program, name and password do not belong together")
	}
	if before != nil {
		t.Queue(sessionEndSQL, storage.Args{"program_id": t.Program, "digest": before[:], "at": t.Now})
	}
	ends := t.Now.Add(SessionMost)
	token := &storage.Token{Role: domain.Role(row.Role), PersonID: person, Session: true, Idle: SessionIdle, EndsAt: &ends}
	if row.ContractorID != nil {
		token.ContractorID = *row.ContractorID
	}
	if err := t.AddToken(digest, token); err != nil {
		return err
	}
	return t.Audit(domain.Caller{Program: t.Program, Token: token.ID, Person: person}, action, person, "")
}

const personPasswordSQL = `
UPDATE person SET password = @password, password_at = @at, account = NULL WHERE program_id = @program_id AND person_id = @person_id AND ended_at IS NULL`

// Enter uses a link up and begins a session. One for a password stores the
// chosen one and ends every other session of the person.
func Enter(ctx context.Context, db *storage.DB, program domain.UUID, link [32]byte, password string, digest [32]byte, before *[32]byte) error {
	p, purpose, err := Look(ctx, db, program, link)
	if err != nil {
		return err
	}
	var encoded *string
	if purpose == ChoosePassword {
		if err := checkPassword(password, p.Name); err != nil {
			return err
		}
		text, err := hashPassword(ctx, password)
		if err != nil {
			return err
		}
		encoded = &text
	}
	return db.In(ctx, program, storage.Writing, func(t *storage.Tx) error {
		row, err := use(t, link, purpose)
		if err != nil {
			return err
		}
		if purpose == ChoosePassword {
			signOutAll(t, row.PersonID)
			t.Queue(personPasswordSQL, storage.Args{"program_id": t.Program, "person_id": domain.UUID(row.PersonID), "password": encoded, "at": t.Now})
		}
		return begin(t, row.PersonID, nil, digest, before, map[Purpose]string{ChoosePassword: "password_chosen", SignInOnce: "signed_in_by_link"}[purpose])
	})
}

const personOwnSQL = `
SELECT name, password FROM person WHERE program_id = @program_id AND person_id = @person_id AND ended_at IS NULL`

// ChangePassword gives whoever knows the caller's password another one. Every
// session of the person ends, and one begins under the digest of its new text.
func ChangePassword(ctx context.Context, db *storage.DB, caller domain.Caller, current, next string, digest [32]byte) error {
	type ownRow struct {
		Name     string
		Password *string
	}
	var row *ownRow
	err := db.In(ctx, caller.Program, storage.Reading, func(t *storage.Tx) error {
		storage.One(t, &row, personOwnSQL, storage.Args{"program_id": t.Program, "person_id": caller.Person})
		return nil
	})
	if err != nil {
		return err
	}
	if row == nil {
		row = new(ownRow)
	}
	fits, err := passwordFits(ctx, row.Password, current)
	if err != nil {
		return err
	}
	if !fits {
		return domain.InvalidFields([]domain.Fault{{Pointer: "/current", Code: "wrong_password", Detail: "this is not your password", Fix: "type the one that you sign in with now"}})
	}
	if err := checkPassword(next, row.Name); err != nil {
		return err
	}
	encoded, err := hashPassword(ctx, next)
	if err != nil {
		return err
	}
	return db.In(ctx, caller.Program, storage.Writing, func(t *storage.Tx) error {
		signOutAll(t, caller.Person)
		if err := begin(t, caller.Person, row.Password, digest, nil, "password_changed"); err != nil {
			return err
		}
		t.Queue(personPasswordSQL, storage.Args{"program_id": t.Program, "person_id": caller.Person, "password": encoded, "at": t.Now})
		return nil
	})
}

const sessionEndSQL = `
UPDATE token SET revoked_at = @at WHERE program_id = @program_id AND digest = @digest AND session AND revoked_at IS NULL`

const sessionsEndSQL = `
UPDATE token SET revoked_at = @at WHERE program_id = @program_id AND person_id = @person_id AND session AND revoked_at IS NULL`

const credentialsEndSQL = `
UPDATE token SET revoked_at = @at WHERE program_id = @program_id AND person_id = @person_id AND revoked_at IS NULL`

const linksEndSQL = `
UPDATE one_use SET used_at = @at WHERE program_id = @program_id AND person_id = @person_id AND used_at IS NULL`

// SignOut ends one session.
func SignOut(ctx context.Context, db *storage.DB, caller domain.Caller) error {
	return db.In(ctx, caller.Program, storage.Writing, func(t *storage.Tx) error {
		t.Queue(tokenEndSQL, storage.Args{"program_id": t.Program, "token_id": caller.Token, "at": t.Now})
		return t.Audit(caller, "signed_out", caller.Person, "")
	})
}

const tokenEndSQL = `
UPDATE token SET revoked_at = @at WHERE program_id = @program_id AND token_id = @token_id AND session AND revoked_at IS NULL`

// SignOutEverywhere ends every session of a person.
func SignOutEverywhere(ctx context.Context, db *storage.DB, caller domain.Caller, person domain.UUID) error {
	return db.In(ctx, caller.Program, storage.Writing, func(t *storage.Tx) error {
		if _, err := get(t, person); err != nil {
			return err
		}
		signOutAll(t, person)
		return t.Audit(caller, "signed_out_everywhere", person, "")
	})
}

func signOutAll(t *storage.Tx, person domain.UUID) {
	t.Queue(sessionsEndSQL, storage.Args{"program_id": t.Program, "person_id": person, "at": t.Now})
}

func revokeAll(t *storage.Tx, person domain.UUID) {
	args := storage.Args{"program_id": t.Program, "person_id": person, "at": t.Now}
	t.Queue(credentialsEndSQL, args)
	t.Queue(linksEndSQL, args)
}
