package storage

import (
	"context"
	"strings"
	"time"

	"ductledger/domain"

	"github.com/google/uuid"
)

// Token is a credential as it is listed: without its text, which nobody keeps.
type Token struct {
	ID           domain.UUID
	Role         domain.Role
	PersonID     domain.UUID // who holds it; zero: a machine, which can decide nothing
	Name         string      // of the person
	ContractorID domain.UUID
	DeviceID     domain.UUID
	Fund         string // whose packages alone a funder reads; empty: all
	Session      bool   // kept by a browser in a cookie
	CreatedAt    time.Time
	SeenAt       time.Time     // last, to a part of Idle
	Idle         time.Duration // it lapses so long after it was seen last; zero: never
	EndsAt       *time.Time
	RevokedAt    *time.Time
}

type tokenRow struct {
	TokenID      [16]byte
	Role         string
	PersonID     *[16]byte
	Name         *string
	ContractorID *[16]byte
	DeviceID     *[16]byte
	FundSource   *string
	Session      bool
	CreatedAt    time.Time
	SeenAt       time.Time
	IdleS        *int64
	EndsAt       *time.Time
	RevokedAt    *time.Time
}

const tokenColumns = `
    t.token_id, t.role, t.person_id, p.name, t.contractor_id, t.device_id, t.fund_source, t.session, t.created_at, t.seen_at, t.idle_s, t.ends_at, t.revoked_at`

func (r *tokenRow) token() Token {
	t := Token{ID: r.TokenID, Role: domain.Role(r.Role), PersonID: IDOf(r.PersonID), ContractorID: IDOf(r.ContractorID), DeviceID: IDOf(r.DeviceID),
		Session: r.Session, CreatedAt: r.CreatedAt, SeenAt: r.SeenAt, EndsAt: r.EndsAt, RevokedAt: r.RevokedAt}
	if r.Name != nil {
		t.Name = *r.Name
	}
	if r.FundSource != nil {
		t.Fund = *r.FundSource
	}
	if r.IdleS != nil {
		t.Idle = time.Duration(*r.IdleS) * time.Second
	}
	return t
}

// LapsedAt tells whether the credential has lapsed by itself.
func (t *Token) LapsedAt(now time.Time) bool {
	return t.EndsAt != nil && !now.Before(*t.EndsAt) || t.Idle > 0 && !now.Before(t.SeenAt.Add(t.Idle))
}

// seenPart is the part of a credential's idle time by which seen_at may lag:
// noting every request would write a row for each read.
const seenPart = 30

// staleAt tells whether its being seen is to be noted.
func (t *Token) staleAt(now time.Time) bool {
	return t.Idle > 0 && now.Sub(t.SeenAt) >= t.Idle/seenPart
}

// NameKey is what two spellings of one name have in common: a name that differs
// in case or spaces only is the same person's.
func NameKey(name string) string { return strings.ToLower(strings.Join(strings.Fields(name), " ")) }

// Two who name a person at once find one row.
const personNamedSQL = `
INSERT INTO person AS p (program_id, person_id, name, name_key, role, contractor_id, created_at)
VALUES (@program_id, @person_id, @name, @name_key, @role, @contractor_id, @at)
ON CONFLICT ON CONSTRAINT person_name_once DO UPDATE SET role = p.role
RETURNING p.person_id, p.name, p.contractor_id, p.ended_at, p.person_id = @person_id AS made`

// PersonNamed finds the person of that name, or makes one with the role and
// the contractor.
func (t *Tx) PersonNamed(name string, role domain.Role, contractor domain.UUID) (id domain.UUID, made bool, err error) {
	fresh, err := uuid.NewV7()
	if err != nil {
		return id, false, err
	}
	type namedRow struct {
		PersonID     [16]byte
		Name         string
		ContractorID *[16]byte
		EndedAt      *time.Time
		Made         bool
	}
	var rows []namedRow
	name = strings.Join(strings.Fields(name), " ")
	All(t, &rows, personNamedSQL, Args{"program_id": t.Program, "person_id": domain.UUID(fresh), "name": name, "name_key": NameKey(name),
		"role": string(role), "contractor_id": contractor, "at": t.Now})
	if err := t.Flush(); err != nil {
		return id, false, err
	}
	switch p := rows[0]; {
	case p.EndedAt != nil:
		return id, false, domain.Errorf(domain.StateNotAllowed, "%s has ended; another person needs another name", p.Name)
	case IDOf(p.ContractorID) != contractor:
		return id, false, domain.Errorf(domain.StateNotAllowed, "%s belongs to another contractor, or to the agency; two people of one name need something that tells them apart", p.Name)
	default:
		return p.PersonID, p.Made, nil
	}
}

const tokenInsertSQL = `
INSERT INTO token (program_id, digest, token_id, person_id, session, role, contractor_id, device_id, fund_source, created_at, seen_at, idle_s, ends_at)
VALUES (@program_id, @digest, @token_id, @person_id, @session, @role, @contractor_id, @device_id, @fund_source, @at, @at, @idle_s, @ends_at)`

// AddToken queues a credential under the digest of its text.
func (t *Tx) AddToken(digest [32]byte, token *Token) error {
	made, err := uuid.NewV7()
	if err != nil {
		return err
	}
	token.ID, token.CreatedAt, token.SeenAt = domain.UUID(made), t.Now, t.Now
	var idle *int64
	if token.Idle > 0 {
		idle = new(int64(token.Idle / time.Second))
	}
	t.Queue(tokenInsertSQL, Args{"program_id": t.Program, "digest": digest[:], "token_id": token.ID, "person_id": token.PersonID, "session": token.Session,
		"role": string(token.Role), "contractor_id": token.ContractorID, "device_id": token.DeviceID, "fund_source": OrNull(token.Fund), "at": t.Now, "idle_s": idle, "ends_at": token.EndsAt})
	return nil
}

// CreateToken stores a credential by the digest of its text and says so in
// the audit. One with a name is the person's of that name, who is made where
// there is none.
func (db *DB) CreateToken(ctx context.Context, program domain.UUID, digest [32]byte, token Token) (domain.UUID, error) {
	err := db.In(ctx, program, Writing, func(t *Tx) error {
		if NameKey(token.Name) != "" {
			id, made, err := t.PersonNamed(token.Name, token.Role, token.ContractorID)
			if err != nil {
				return err
			}
			token.PersonID = id
			if made {
				if err := t.Audit(domain.Caller{}, "person_added", id, string(token.Role)); err != nil {
					return err
				}
			}
		}
		if err := t.AddToken(digest, &token); err != nil {
			return err
		}
		return t.Audit(domain.Caller{}, "token_created", token.ID, string(token.Role))
	})
	return token.ID, err
}

const tokenRevokeSQL = `
UPDATE token SET revoked_at = @at WHERE program_id = @program_id AND token_id = @token_id AND revoked_at IS NULL`

// RevokeToken ends a credential for the very next request.
func (db *DB) RevokeToken(ctx context.Context, caller domain.Caller, id domain.UUID) error {
	return db.In(ctx, caller.Program, Writing, func(t *Tx) error {
		var ended int64
		t.Queue(tokenRevokeSQL, Args{"program_id": t.Program, "token_id": id, "at": t.Now}).Exec(Affected(&ended))
		if err := t.Flush(); err != nil {
			return err
		}
		if ended == 0 {
			return domain.Errorf(domain.NotFound, "there is no such token, or it is revoked already")
		}
		return t.Audit(caller, "token_revoked", id, "")
	})
}

const tokensSQL = `
SELECT` + tokenColumns + `
FROM token AS t
LEFT JOIN person AS p ON p.program_id = t.program_id AND p.person_id = t.person_id
WHERE t.program_id = @program_id AND NOT t.session ORDER BY t.created_at, t.token_id`

// Tokens lists a program's credentials but sessions, oldest first.
func (db *DB) Tokens(ctx context.Context, program domain.UUID) (list []Token, err error) {
	var rows []tokenRow
	err = db.In(ctx, program, Reading, func(t *Tx) error {
		All(t, &rows, tokensSQL, Args{"program_id": program})
		return nil
	})
	for i := range rows {
		list = append(list, rows[i].token())
	}
	return list, err
}

type callerRow struct {
	tokenRow
	FundOfPerson *string // of a session: what the person's own token is bound to
	DeviceState  *string
	AppSchema    int32
}

const tokenCallerSQL = `
SELECT` + tokenColumns + `,
    (SELECT min(x.fund_source) FROM token AS x WHERE t.session AND x.program_id = t.program_id AND x.person_id = t.person_id AND x.revoked_at IS NULL) AS fund_of_person,
    d.state AS device_state, coalesce(d.schema_revision, 1) AS app_schema
FROM token AS t
LEFT JOIN person AS p ON p.program_id = t.program_id AND p.person_id = t.person_id
LEFT JOIN device AS d ON d.program_id = t.program_id AND d.id = t.device_id
WHERE t.program_id = @program_id AND t.digest = @digest AND t.session = @session`

const tokenSeenSQL = `
UPDATE token SET seen_at = greatest(seen_at, @at) WHERE program_id = @program_id AND token_id = @token_id`

// Authenticate tells who holds the token. An unknown and a revoked one are
// answered alike; the token of a lost device says so, for its app has to act.
func (db *DB) Authenticate(ctx context.Context, digest [32]byte, program domain.UUID) (domain.Caller, error) {
	return db.authenticate(ctx, digest, program, false)
}

// AuthenticateSession tells whose session a browser's cookie is.
func (db *DB) AuthenticateSession(ctx context.Context, digest [32]byte, program domain.UUID) (domain.Caller, error) {
	return db.authenticate(ctx, digest, program, true)
}

func (db *DB) authenticate(ctx context.Context, digest [32]byte, program domain.UUID, session bool) (domain.Caller, error) {
	var row *callerRow
	var now time.Time
	err := db.In(ctx, program, Reading, func(t *Tx) error {
		now = t.Now
		One(t, &row, tokenCallerSQL, Args{"program_id": program, "digest": digest[:], "session": session})
		return nil
	})
	if err != nil {
		return domain.Caller{}, err
	}
	unknown := domain.Errorf(domain.Unauthorized, "the token is not known")
	if row == nil || row.RevokedAt != nil {
		return domain.Caller{}, unknown
	}
	token := row.token()
	if row.FundOfPerson != nil {
		token.Fund = *row.FundOfPerson
	}
	switch {
	case token.LapsedAt(now):
		return domain.Caller{}, unknown
	case row.DeviceState != nil && *row.DeviceState == string(domain.DeviceIsRevoked):
		return domain.Caller{}, domain.Errorf(domain.DeviceRevoked, "the device is revoked: delete contacts and all that was acknowledged, keep unsent work sealed")
	}
	if token.staleAt(now) {
		err := db.In(ctx, program, Writing, func(t *Tx) error {
			t.Queue(tokenSeenSQL, Args{"program_id": t.Program, "token_id": token.ID, "at": now})
			return nil
		})
		if err != nil {
			return domain.Caller{}, err
		}
	}
	return domain.Caller{
		Program: program, Token: token.ID, Person: token.PersonID, Role: token.Role, Name: token.Name, Contractor: token.ContractorID, Device: token.DeviceID, Fund: token.Fund,
		DeviceClosing: row.DeviceState != nil && *row.DeviceState == string(domain.DeviceIsClosing),
		AppSchema:     int(row.AppSchema),
	}, nil
}
