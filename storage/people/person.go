package people

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"ductledger/domain"
	"ductledger/storage"
)

// Person is somebody who works with the program.
type Person struct {
	ID           domain.UUID
	Name         string
	Role         domain.Role
	ContractorID domain.UUID // of the roles field and contractor
	State        State
	CreatedAt    time.Time
	EndedAt      *time.Time
	SeenAt       *time.Time // last, by any of their credentials
	Sessions     int64      // browsers where they are signed in
	Tokens       int64      // of programs and phones
}

// State is how far a person has come.
type State string

// The states.
const (
	Listed  State = "listed"  // holds tokens, if any, and has no way to sign in
	Invited State = "invited" // has a link that is still good
	Active  State = "active"  // chose a password, or uses the account of the agency
	Ended   State = "ended"
)

type personRow struct {
	PersonID     [16]byte
	Name         string
	Role         string
	ContractorID *[16]byte
	ComesIn      bool
	CreatedAt    time.Time
	EndedAt      *time.Time
	SeenAt       *time.Time
	Sessions     int64
	Tokens       int64
	Invited      bool
}

func (r *personRow) person() Person {
	p := Person{ID: r.PersonID, Name: r.Name, Role: domain.Role(r.Role), CreatedAt: r.CreatedAt, EndedAt: r.EndedAt, SeenAt: r.SeenAt,
		Sessions: r.Sessions, Tokens: r.Tokens}
	if r.ContractorID != nil {
		p.ContractorID = *r.ContractorID
	}
	switch {
	case r.EndedAt != nil:
		p.State = Ended
	case r.ComesIn:
		p.State = Active
	case r.Invited:
		p.State = Invited
	default:
		p.State = Listed
	}
	return p
}

const personColumns = `
    p.person_id, p.name, p.role, p.contractor_id, (p.password IS NOT NULL OR p.account IS NOT NULL) AS comes_in, p.created_at, p.ended_at,
    held.seen_at, held.sessions, held.tokens,
    EXISTS (SELECT FROM one_use AS u WHERE u.program_id = p.program_id AND u.person_id = p.person_id AND u.used_at IS NULL
        AND u.purpose = 'password' AND u.lapses_at > @at) AS invited`

const personHeld = `
CROSS JOIN LATERAL (SELECT max(t.seen_at) AS seen_at, count(*) FILTER (WHERE t.session) AS sessions, count(*) FILTER (WHERE NOT t.session) AS tokens
    FROM token AS t WHERE t.program_id = p.program_id AND t.person_id = p.person_id AND t.revoked_at IS NULL
        AND (t.ends_at IS NULL OR t.ends_at > @at) AND (t.idle_s IS NULL OR t.seen_at + make_interval(secs => t.idle_s) > @at) OFFSET 0) AS held`

const peopleSQL = `
SELECT` + personColumns + `
FROM person AS p` + personHeld + `
WHERE p.program_id = @program_id AND p.name_key > @after
ORDER BY p.name_key
LIMIT @limit`

// List gives people in the order of their names, from behind a name on.
func List(ctx context.Context, db *storage.DB, caller domain.Caller, after string, limit int) (list []Person, err error) {
	var rows []personRow
	err = db.In(ctx, caller.Program, storage.Reading, func(t *storage.Tx) error {
		storage.All(t, &rows, peopleSQL, storage.Args{"program_id": t.Program, "after": storage.NameKey(after), "limit": limit, "at": t.Now})
		return nil
	})
	for i := range rows {
		list = append(list, rows[i].person())
	}
	return list, err
}

const personSQL = `
SELECT` + personColumns + `
FROM person AS p` + personHeld + `
WHERE p.program_id = @program_id AND p.person_id = @person_id`

// Get reads one person.
func Get(ctx context.Context, db *storage.DB, caller domain.Caller, id domain.UUID) (p Person, err error) {
	err = db.In(ctx, caller.Program, storage.Reading, func(t *storage.Tx) error {
		p, err = get(t, id)
		return err
	})
	return p, err
}

func get(t *storage.Tx, id domain.UUID) (Person, error) {
	var row *personRow
	storage.One(t, &row, personSQL, storage.Args{"program_id": t.Program, "person_id": id, "at": t.Now})
	if err := t.Flush(); err != nil {
		return Person{}, err
	}
	if row == nil {
		return Person{}, domain.Errorf(domain.NotFound, "there is no such person")
	}
	return row.person(), nil
}

const personLockSQL = `
SELECT person_id, role FROM person WHERE program_id = @program_id AND person_id = @person_id AND ended_at IS NULL FOR NO KEY UPDATE`

const contractorThereSQL = `
SELECT record_id FROM entry
WHERE program_id = @program_id AND kind = 'contractor' AND record_id = @contractor_id AND until_position IS NULL AND voided_at IS NULL`

// Add makes a person. Who has the name already is refused: two people are told
// apart by their names.
func Add(ctx context.Context, db *storage.DB, caller domain.Caller, name string, role domain.Role, contractor domain.UUID) (p Person, err error) {
	if err := checkNew(name, role, contractor); err != nil {
		return p, err
	}
	err = db.In(ctx, caller.Program, storage.Writing, func(t *storage.Tx) error {
		if !contractor.IsZero() {
			var there []struct{ RecordID [16]byte }
			storage.All(t, &there, contractorThereSQL, storage.Args{"program_id": t.Program, "contractor_id": contractor})
			if err := t.Flush(); err != nil {
				return err
			}
			if len(there) == 0 {
				return invalid("/contractor_id", "parent_missing", "there is no such contractor", "choose one of the program's")
			}
		}
		id, made, err := t.PersonNamed(name, role, contractor)
		if err != nil {
			return err
		}
		if !made {
			return invalid("/name", "not_unique", fmt.Sprintf("there is a person named %s already", strings.Join(strings.Fields(name), " ")), "add what tells the two apart, or make a new link for the one there is")
		}
		if p, err = get(t, id); err != nil {
			return err
		}
		return t.Audit(caller, "person_added", id, string(role))
	})
	return p, err
}

func checkNew(name string, role domain.Role, contractor domain.UUID) error {
	var faults []domain.Fault
	if n := utf8.RuneCountInString(strings.TrimSpace(name)); n < 1 || n > 120 {
		faults = append(faults, domain.Fault{Pointer: "/name", Code: "length", Detail: fmt.Sprintf("a name has 1 to 120 characters, this has %d", n), Fix: "write the name by which the office knows the person"})
	}
	if !slices.Contains(domain.Roles, role) {
		faults = append(faults, domain.Fault{Pointer: "/role", Code: "enum", Detail: "a role is one of field, contractor, inspector, staff, funder, admin", Fix: "choose one of them"})
	} else if bound := role == domain.Field || role == domain.ContractorRole; bound == contractor.IsZero() {
		faults = append(faults, domain.Fault{Pointer: "/contractor_id", Code: "required", Detail: "a contractor is named for the roles field and contractor, and for no other", Fix: "name the contractor, or leave it out"})
	}
	if len(faults) > 0 {
		return domain.InvalidFields(faults)
	}
	return nil
}

func invalid(pointer, code, detail, fix string) error {
	return domain.InvalidFields([]domain.Fault{{Pointer: pointer, Code: code, Detail: detail, Fix: fix}})
}

// Two admins who end each other at once must not both succeed: their rows are
// locked in one order.
const adminsLockSQL = `
SELECT person_id FROM person WHERE program_id = @program_id AND role = 'admin' AND ended_at IS NULL AND (password IS NOT NULL OR account IS NOT NULL)
ORDER BY person_id FOR NO KEY UPDATE`

const personEndSQL = `
UPDATE person SET ended_at = @at, account = NULL WHERE program_id = @program_id AND person_id = @person_id AND ended_at IS NULL`

const personRoleSQL = `
UPDATE person SET role = @role, contractor_id = @contractor_id WHERE program_id = @program_id AND person_id = @person_id AND ended_at IS NULL`

// End lets a person in no more: sessions, tokens and links end with the very
// next request. What they did keeps their name.
func End(ctx context.Context, db *storage.DB, caller domain.Caller, id domain.UUID) error {
	return change(ctx, db, caller, id, "person_ended", "", func(t *storage.Tx) {
		t.Queue(personEndSQL, storage.Args{"program_id": t.Program, "person_id": id, "at": t.Now})
		revokeAll(t, id)
	})
}

// SetRole gives a person another role; sessions end, since they have the old
// one. Tokens keep what they were made with.
func SetRole(ctx context.Context, db *storage.DB, caller domain.Caller, id domain.UUID, role domain.Role, contractor domain.UUID) error {
	if err := checkNew("somebody", role, contractor); err != nil {
		return err
	}
	return change(ctx, db, caller, id, "person_role_changed", string(role), func(t *storage.Tx) {
		t.Queue(personRoleSQL, storage.Args{"program_id": t.Program, "person_id": id, "role": string(role), "contractor_id": contractor})
		signOutAll(t, id)
	})
}

// change alters a person who has not ended. The last admin who can sign in
// stays one: nobody could invite another.
func change(ctx context.Context, db *storage.DB, caller domain.Caller, id domain.UUID, action, detail string, queue func(t *storage.Tx)) error {
	return db.In(ctx, caller.Program, storage.Writing, func(t *storage.Tx) error {
		var admins []struct{ PersonID [16]byte }
		var rows []struct {
			PersonID [16]byte
			Role     string
		}
		args := storage.Args{"program_id": t.Program, "person_id": id}
		storage.All(t, &admins, adminsLockSQL, args)
		storage.All(t, &rows, personLockSQL, args)
		if err := t.Flush(); err != nil {
			return err
		}
		if len(rows) == 0 {
			return domain.Errorf(domain.NotFound, "there is no such person, or they have ended")
		}
		if detail != string(domain.Admin) && len(admins) == 1 && admins[0].PersonID == [16]byte(id) {
			return domain.Errorf(domain.StateNotAllowed, "this is the last admin who can sign in; invite another first")
		}
		queue(t)
		return t.Audit(caller, action, id, detail)
	})
}
