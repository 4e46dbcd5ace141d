package storage

import (
	"context"
	"time"

	"ductledger/domain"

	"github.com/google/uuid"
)

// Token is a credential as it is listed: without its text, which nobody keeps.
type Token struct {
	ID           domain.UUID
	Role         domain.Role
	Name         string
	ContractorID domain.UUID
	DeviceID     domain.UUID
	CreatedAt    time.Time
	RevokedAt    *time.Time
}

type tokenRow struct {
	TokenID      [16]byte
	Role         string
	Name         *string
	ContractorID *[16]byte
	DeviceID     *[16]byte
	CreatedAt    time.Time
	RevokedAt    *time.Time
}

func (r *tokenRow) token() Token {
	t := Token{ID: r.TokenID, Role: domain.Role(r.Role), ContractorID: IDOf(r.ContractorID), DeviceID: IDOf(r.DeviceID), CreatedAt: r.CreatedAt, RevokedAt: r.RevokedAt}
	if r.Name != nil {
		t.Name = *r.Name
	}
	return t
}

const tokenInsertSQL = `
INSERT INTO token (program_id, digest, token_id, role, name, contractor_id, device_id, created_at)
VALUES (@program_id, @digest, @token_id, @role, @name, @contractor_id, @device_id, @created_at)`

// CreateToken stores a credential by the digest of its text and says so in
// the audit.
func (db *DB) CreateToken(ctx context.Context, program domain.UUID, digest [32]byte, token Token) (domain.UUID, error) {
	made, err := uuid.NewV7()
	if err != nil {
		return domain.UUID{}, err
	}
	id := domain.UUID(made)
	return id, db.In(ctx, program, Writing, func(t *Tx) error {
		t.Queue(tokenInsertSQL, Args{"program_id": program, "digest": digest[:], "token_id": id, "role": string(token.Role),
			"name": OrNull(token.Name), "contractor_id": token.ContractorID, "device_id": token.DeviceID, "created_at": t.Now})
		return t.Audit(domain.Caller{}, "token_created", id, string(token.Role))
	})
}

const tokenRevokeSQL = `
UPDATE token SET revoked_at = @at WHERE program_id = @program_id AND token_id = @token_id AND revoked_at IS NULL`

// RevokeToken ends a credential for the very next request.
func (db *DB) RevokeToken(ctx context.Context, program, id domain.UUID) error {
	return db.In(ctx, program, Writing, func(t *Tx) error {
		var ended int64
		t.Queue(tokenRevokeSQL, Args{"program_id": program, "token_id": id, "at": t.Now}).Exec(Affected(&ended))
		if err := t.Flush(); err != nil {
			return err
		}
		if ended == 0 {
			return domain.Errorf(domain.NotFound, "there is no such token, or it is revoked already")
		}
		return t.Audit(domain.Caller{}, "token_revoked", id, "")
	})
}

const tokensSQL = `
SELECT token_id, role, name, contractor_id, device_id, created_at, revoked_at
FROM token WHERE program_id = @program_id ORDER BY created_at, token_id`

// Tokens lists a program's credentials, oldest first.
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
	DeviceState *string
	AppSchema   int32
}

const tokenCallerSQL = `
SELECT t.token_id, t.role, t.name, t.contractor_id, t.device_id, t.created_at, t.revoked_at, d.state AS device_state,
    coalesce(d.schema_revision, 1) AS app_schema
FROM token AS t
LEFT JOIN device AS d ON d.program_id = t.program_id AND d.id = t.device_id
WHERE t.program_id = @program_id AND t.digest = @digest`

// Authenticate tells who holds the token. An unknown and a revoked one are
// answered alike; the token of a lost device says so, for its app has to act.
func (db *DB) Authenticate(ctx context.Context, digest [32]byte, program domain.UUID) (domain.Caller, error) {
	var row *callerRow
	err := db.In(ctx, program, Reading, func(t *Tx) error {
		One(t, &row, tokenCallerSQL, Args{"program_id": program, "digest": digest[:]})
		return nil
	})
	switch {
	case err != nil:
		return domain.Caller{}, err
	case row == nil || row.RevokedAt != nil:
		return domain.Caller{}, domain.Errorf(domain.Unauthorized, "the token is not known")
	case row.DeviceState != nil && *row.DeviceState == string(domain.DeviceIsRevoked):
		return domain.Caller{}, domain.Errorf(domain.DeviceRevoked, "the device is revoked: delete contacts and all that was acknowledged, keep unsent work sealed")
	}
	token := row.token()
	return domain.Caller{
		Program: program, Token: token.ID, Role: token.Role, Name: token.Name, Contractor: token.ContractorID, Device: token.DeviceID,
		DeviceClosing: row.DeviceState != nil && *row.DeviceState == string(domain.DeviceIsClosing),
		AppSchema:     int(row.AppSchema),
	}, nil
}
