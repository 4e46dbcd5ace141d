package people

import (
	"context"
	"crypto/rand"
	"net/http"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/storage"
	"ductledger/storage/people"
)

// A credential of a program or a phone, without its text, which nobody keeps.
type token struct {
	TokenID domain.UUID `json:"token_id"`
	Role    domain.Role `json:"role"`
	// Who holds it; absent of a machine's, which can decide nothing.
	PersonID     domain.UUID `json:"person_id,omitzero"`
	Name         string      `json:"name,omitzero"`
	ContractorID domain.UUID `json:"contractor_id,omitzero"`
	DeviceID     domain.UUID `json:"device_id,omitzero"`
	CreatedAt    string      `json:"created_at"`
	// Its last contact, of one that lapses without any; to a thirtieth of that time.
	SeenAt string `json:"seen_at,omitzero"`
	// When it lapses unless it is used before.
	LapsesAt  string `json:"lapses_at,omitzero"`
	RevokedAt string `json:"revoked_at,omitzero"`
}

func tokenOf(t *storage.Token) token {
	out := token{TokenID: t.ID, Role: t.Role, PersonID: t.PersonID, Name: t.Name, ContractorID: t.ContractorID, DeviceID: t.DeviceID,
		CreatedAt: ledger.Stamp(t.CreatedAt), RevokedAt: stampOf(t.RevokedAt)}
	if t.Idle > 0 {
		out.SeenAt, out.LapsesAt = ledger.Stamp(t.SeenAt), ledger.Stamp(t.SeenAt.Add(t.Idle))
	}
	return out
}

// Credentials of programs and phones, oldest first.
type tokenList struct {
	Items []token `json:"items"`
}

func (d Desk) tokens(ctx context.Context, caller domain.Caller, _ *frame.Request) (frame.Answer, error) {
	list, err := d.DB.Tokens(ctx, caller.Program)
	if err != nil {
		return frame.Answer{}, err
	}
	out := tokenList{Items: []token{}}
	for i := range list {
		out.Items = append(out.Items, tokenOf(&list[i]))
	}
	return frame.Answer{Body: out}, nil
}

func (d Desk) revoke(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err == nil {
		err = d.DB.RevokeToken(ctx, caller, id)
	}
	if err != nil {
		return frame.Answer{}, err
	}
	return frame.Answer{Status: http.StatusNoContent}, nil
}

// Whose phone is to get its token.
type codeBody struct {
	// A record of the kind device; that of a contractor's crew gets a token of the role field, one of the agency itself of
	// the role inspector.
	DeviceID domain.UUID `json:"device_id"`
	// Who carries it: everything that it sends carries their name.
	Name string `json:"name" validate:"min=1,max=120"`
}

// A code for one use.
type codeAnswer struct {
	// As it is typed or read from the picture. It is told this once; it works once.
	Code string `json:"code"`
	// It is good until then.
	LapsesAt string      `json:"lapses_at"`
	PersonID domain.UUID `json:"person_id"`
	Name     string      `json:"name"`
	DeviceID domain.UUID `json:"device_id"`
}

func (d Desk) code(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	var body codeBody
	if err := r.Decode(&body); err != nil {
		return frame.Answer{}, err
	}
	program, err := d.DB.Program(ctx, caller.Program)
	if err != nil {
		return frame.Answer{}, err
	}
	text, digest, err := NewCode(program.Code, rand.Reader)
	if err != nil {
		return frame.Answer{}, err
	}
	p, lapses, err := people.Code(ctx, d.DB, caller, body.DeviceID, body.Name, digest)
	if err != nil {
		return frame.Answer{}, err
	}
	return frame.Answer{Status: http.StatusCreated, Body: codeAnswer{text, ledger.Stamp(lapses), p.ID, p.Name, body.DeviceID}}, nil
}

// What the phone was given.
type enrollment struct {
	// Letters of either case; spaces and hyphens may be left out.
	Code string `json:"code" validate:"min=12,max=60"`
}

// The phone's own token.
type enrolled struct {
	// Kept where the phone keeps secrets. It is told this once.
	Token        string      `json:"token"`
	TokenID      domain.UUID `json:"token_id"`
	ProgramID    domain.UUID `json:"program_id"`
	Role         domain.Role `json:"role"`
	DeviceID     domain.UUID `json:"device_id"`
	ContractorID domain.UUID `json:"contractor_id,omitzero"`
	PersonID     domain.UUID `json:"person_id"`
	Name         string      `json:"name"`
	// It lapses then, unless the phone is heard before: each contact begins the time anew.
	LapsesAt string `json:"lapses_at"`
	// Days from a contact to the lapse.
	LapseDaysCount int `json:"lapse_days_count"`
}

// enroll makes a phone's token of its code.
func (d Desk) enroll(ctx context.Context, _ domain.Caller, r *frame.Request) (frame.Answer, error) {
	var body enrollment
	if err := r.Decode(&body); err != nil {
		return frame.Answer{}, err
	}
	program, code, ok := ParseCode(body.Code)
	if !ok {
		return frame.Answer{}, domain.InvalidFields([]domain.Fault{{Pointer: "/code", Code: "pattern",
			Detail: "a code is the program's and three groups of four letters or digits, such as NORTH-7K3M-9QXW-2HRT", Fix: "type it again as it stands on the page"}})
	}
	text, digest, err := frame.NewToken(program, rand.Reader)
	if err != nil {
		return frame.Answer{}, err
	}
	t, err := people.Enroll(ctx, d.DB, program, code, digest)
	if err != nil {
		return frame.Answer{}, err
	}
	return frame.Answer{Status: http.StatusCreated, Body: enrolled{Token: text, TokenID: t.ID, ProgramID: program, Role: t.Role, DeviceID: t.DeviceID,
		ContractorID: t.ContractorID, PersonID: t.PersonID, Name: t.Name, LapsesAt: ledger.Stamp(t.SeenAt.Add(t.Idle)), LapseDaysCount: int(t.Idle / (24 * time.Hour))}}, nil
}
