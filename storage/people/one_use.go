package people

import (
	"context"
	"time"

	"ductledger/domain"
	"ductledger/storage"

	"github.com/google/uuid"
)

// Purpose is what something for one use is good for.
type Purpose string

// The purposes.
const (
	ChoosePassword Purpose = "password"   // an invitation, or a lost password
	SignInOnce     Purpose = "sign_in"    // a demo's link
	EnrollPhone    Purpose = "enrollment" // a phone's code
)

// How long something for one use is good.
const (
	InvitationTime = 7 * 24 * time.Hour // a person on leave
	LostTime       = 24 * time.Hour     // somebody waits for it
	SetupTime      = 30 * time.Minute   // the operator opens it at once
	CodeTime       = 24 * time.Hour     // handed out in the morning, typed at noon
)

const oneUseInsertSQL = `
INSERT INTO one_use (program_id, digest, one_use_id, purpose, person_id, device_id, created_at, created_by_person_id, lapses_at)
VALUES (@program_id, @digest, @one_use_id, @purpose, @person_id, @device_id, @at, @created_by_person_id, @lapses_at)`

// One link of a person is good at a time, and one code of a device: what was
// mislaid ends with the next.
const oneUseReplaceSQL = `
UPDATE one_use SET used_at = @at
WHERE program_id = @program_id AND used_at IS NULL AND purpose = @purpose
    AND person_id = @person_id AND (@device_id::uuid IS NULL OR device_id = @device_id)`

// addOneUse queues what is for one use, in place of what the same person, or
// the same device, had before.
func addOneUse(t *storage.Tx, caller domain.Caller, digest [32]byte, purpose Purpose, person, device domain.UUID, good time.Duration) (lapses time.Time, err error) {
	id, err := uuid.NewV7()
	if err != nil {
		return lapses, err
	}
	lapses = t.Now.Add(good)
	args := storage.Args{"program_id": t.Program, "digest": digest[:], "one_use_id": domain.UUID(id), "purpose": string(purpose), "person_id": person,
		"device_id": device, "at": t.Now, "created_by_person_id": caller.Person, "lapses_at": lapses}
	t.Queue(oneUseReplaceSQL, args)
	t.Queue(oneUseInsertSQL, args)
	return lapses, nil
}

// Link stores a link for one use by which a person chooses a password or signs
// in. digest is that of its text.
func Link(ctx context.Context, db *storage.DB, caller domain.Caller, person domain.UUID, purpose Purpose, digest [32]byte, good time.Duration) (lapses time.Time, err error) {
	err = db.In(ctx, caller.Program, storage.Writing, func(t *storage.Tx) error {
		p, err := get(t, person)
		if err != nil {
			return err
		}
		switch {
		case p.State == Ended:
			return domain.Errorf(domain.StateNotAllowed, "%s has ended", p.Name)
		case p.Role == domain.Field:
			return domain.Errorf(domain.StateNotAllowed, "%s works with a phone, which gets in by a code; there are no pages for crews", p.Name)
		}
		if lapses, err = addOneUse(t, caller, digest, purpose, person, domain.UUID{}, good); err != nil {
			return err
		}
		return t.Audit(caller, "link_made", person, string(purpose))
	})
	return lapses, err
}

const oneUseSQL = `
SELECT u.purpose, u.person_id, u.device_id
FROM one_use AS u
WHERE u.program_id = @program_id AND u.digest = @digest AND u.used_at IS NULL AND u.lapses_at > @at
FOR NO KEY UPDATE`

const oneUseLookSQL = `
SELECT u.purpose, u.person_id, u.device_id
FROM one_use AS u
WHERE u.program_id = @program_id AND u.digest = @digest AND u.used_at IS NULL AND u.lapses_at > @at`

const oneUseDoneSQL = `
UPDATE one_use SET used_at = @at WHERE program_id = @program_id AND digest = @digest AND used_at IS NULL`

type oneUseRow struct {
	Purpose  string
	PersonID [16]byte
	DeviceID *[16]byte
}

// notGood answers alike for what was used, has lapsed, or never was.
func notGood() error {
	return domain.Errorf(domain.NotFound, "this is not good, or no longer: it works once, for a limited time; ask for a new one")
}

// Look tells whose link it is and what for, and changes nothing: whoever
// previews a link must not use it up.
func Look(ctx context.Context, db *storage.DB, program domain.UUID, digest [32]byte) (p Person, purpose Purpose, err error) {
	err = db.In(ctx, program, storage.Reading, func(t *storage.Tx) error {
		var row *oneUseRow
		storage.One(t, &row, oneUseLookSQL, storage.Args{"program_id": t.Program, "digest": digest[:], "at": t.Now})
		if err := t.Flush(); err != nil {
			return err
		}
		if row == nil || row.Purpose == string(EnrollPhone) {
			return notGood()
		}
		purpose = Purpose(row.Purpose)
		if p, err = get(t, row.PersonID); err == nil && p.State == Ended {
			return notGood()
		}
		return err
	})
	return p, purpose, err
}

// use ends what is for one use, and gives it; two who come at once find it good once.
func use(t *storage.Tx, digest [32]byte, purposes ...Purpose) (*oneUseRow, error) {
	var row *oneUseRow
	args := storage.Args{"program_id": t.Program, "digest": digest[:], "at": t.Now}
	storage.One(t, &row, oneUseSQL, args)
	if err := t.Flush(); err != nil {
		return nil, err
	}
	if row == nil {
		return nil, notGood()
	}
	for _, p := range purposes {
		if row.Purpose == string(p) {
			t.Queue(oneUseDoneSQL, args)
			return row, nil
		}
	}
	return nil, notGood()
}

// LinkMade is a link by which a person's password could be chosen anew.
type LinkMade struct {
	At       time.Time
	By       string // empty: the operator at the machine
	UsedAt   *time.Time
	LapsesAt time.Time
	Fresh    bool // made since the person signed in before this session
}

type linkMadeRow struct {
	At       time.Time
	By       string
	UsedAt   *time.Time
	LapsesAt time.Time
	Before   *time.Time
}

const linksMadeSQL = `
SELECT u.created_at AS at, coalesce(p.name, '') AS by, u.used_at, u.lapses_at,
    (SELECT max(x.created_at) FROM token AS x WHERE x.program_id = @program_id AND x.person_id = @person_id AND x.session AND x.token_id <> @token_id) AS before
FROM one_use AS u
LEFT JOIN person AS p ON p.program_id = u.program_id AND p.person_id = u.created_by_person_id
WHERE u.program_id = @program_id AND u.person_id = @person_id AND u.purpose = 'password' AND u.created_by_person_id IS DISTINCT FROM @person_id
ORDER BY u.created_at DESC
LIMIT 10`

// LinksMade are the newest links that others made for the caller's password: who
// makes one could sign in as the person, so the person is told.
func LinksMade(ctx context.Context, db *storage.DB, caller domain.Caller) (list []LinkMade, err error) {
	var rows []linkMadeRow
	err = db.In(ctx, caller.Program, storage.Reading, func(t *storage.Tx) error {
		storage.All(t, &rows, linksMadeSQL, storage.Args{"program_id": t.Program, "person_id": caller.Person, "token_id": caller.Token})
		return nil
	})
	for _, r := range rows {
		list = append(list, LinkMade{r.At, r.By, r.UsedAt, r.LapsesAt, r.Before != nil && r.At.After(*r.Before)})
	}
	return list, err
}
