package people

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"net/http"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/storage"
	"ductledger/storage/people"
)

// Somebody who works with the program: whoever decides something is one.
type person struct {
	PersonID domain.UUID `json:"person_id"`
	// One name is one person: names differ in more than case and spaces.
	Name string      `json:"name"`
	Role domain.Role `json:"role"`
	// Of the roles field and contractor.
	ContractorID domain.UUID `json:"contractor_id,omitzero"`
	// listed (holds tokens, if any), invited (has a link that is still good), active (chose a password, or uses the account of the agency) or ended.
	State     people.State `json:"state"`
	CreatedAt string       `json:"created_at"`
	EndedAt   string       `json:"ended_at,omitzero"`
	// Last, by any browser, phone or program, to some minutes.
	SeenAt string `json:"seen_at,omitzero"`
	// Browsers where they are signed in.
	SessionsCount int64 `json:"sessions_count"`
	// Tokens of programs and phones that are good.
	TokensCount int64 `json:"tokens_count"`
}

func personOf(p *people.Person) person {
	return person{PersonID: p.ID, Name: p.Name, Role: p.Role, ContractorID: p.ContractorID, State: p.State, CreatedAt: ledger.Stamp(p.CreatedAt),
		EndedAt: stampOf(p.EndedAt), SeenAt: stampOf(p.SeenAt), SessionsCount: p.Sessions, TokensCount: p.Tokens}
}

func stampOf(t *time.Time) string {
	if t == nil {
		return ""
	}
	return ledger.Stamp(*t)
}

// A page of people in the order of their names.
type personList struct {
	Items []person `json:"items"`
	Next  string   `json:"next,omitzero"`
}

// Who is to be a person of the program.
type addBody struct {
	// As the office knows them; nobody else may have it.
	Name string `json:"name" validate:"min=1,max=120"`
	roleBody
}

type roleBody struct {
	Role domain.Role `json:"role"`
	// Of the roles field and contractor, and of no other.
	ContractorID domain.UUID `json:"contractor_id,omitzero"`
}

// A person, and the link by which they choose their password.
type added struct {
	Person person `json:"person"`
	link
}

// A link for one use.
type link struct {
	// Behind the service's address. It is told this once; it works once.
	Link string `json:"link,omitzero"`
	// It is good until then.
	LapsesAt string `json:"lapses_at,omitzero"`
}

func (d Desk) list(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	after := ""
	if text := r.Query.Get("after"); text != "" {
		b, err := base64.RawURLEncoding.DecodeString(text)
		if err != nil {
			return frame.Answer{}, frame.CursorInvalid()
		}
		after = string(b)
	}
	limit := r.Limit()
	list, err := people.List(ctx, d.DB, caller, after, limit+1)
	if err != nil {
		return frame.Answer{}, err
	}
	out := personList{Items: []person{}}
	for i := range list {
		if i == limit {
			out.Next = base64.RawURLEncoding.EncodeToString([]byte(storage.NameKey(list[i-1].Name)))
			break
		}
		out.Items = append(out.Items, personOf(&list[i]))
	}
	return frame.Answer{Body: out}, nil
}

func (d Desk) get(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err != nil {
		return frame.Answer{}, err
	}
	return d.answer(ctx, caller, id)
}

// answer is the person as they stand.
func (d Desk) answer(ctx context.Context, caller domain.Caller, id domain.UUID) (frame.Answer, error) {
	p, err := people.Get(ctx, d.DB, caller, id)
	if err != nil {
		return frame.Answer{}, err
	}
	return frame.Answer{Body: personOf(&p)}, nil
}

// add makes a person, and a link for whoever signs in with a password.
func (d Desk) add(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	var body addBody
	if err := r.Decode(&body); err != nil {
		return frame.Answer{}, err
	}
	p, err := people.Add(ctx, d.DB, caller, body.Name, body.Role, body.ContractorID)
	if err != nil {
		return frame.Answer{}, err
	}
	out := added{Person: personOf(&p)}
	if p.Role != domain.Field {
		if out.link, err = d.makeLink(ctx, caller, p.ID, people.InvitationTime); err != nil {
			return frame.Answer{}, err
		}
		out.Person.State = people.Invited
	}
	return frame.Answer{Status: http.StatusCreated, Header: http.Header{"Location": {"/v1/people/" + p.ID.String()}}, Body: out}, nil
}

func (d Desk) makeLink(ctx context.Context, caller domain.Caller, id domain.UUID, good time.Duration) (link, error) {
	text, digest, err := frame.NewSecret(frame.LinkPrefix, caller.Program, rand.Reader)
	if err != nil {
		return link{}, err
	}
	lapses, err := people.Link(ctx, d.DB, caller, id, people.ChoosePassword, digest, good)
	if err != nil {
		return link{}, err
	}
	return link{"/staff/join/" + text, ledger.Stamp(lapses)}, nil
}

// link makes a link for who lost their password, or an invitation anew.
func (d Desk) link(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err != nil {
		return frame.Answer{}, err
	}
	p, err := people.Get(ctx, d.DB, caller, id)
	if err != nil {
		return frame.Answer{}, err
	}
	good := people.LostTime
	if p.State != people.Active {
		good = people.InvitationTime
	}
	out, err := d.makeLink(ctx, caller, id, good)
	return frame.Answer{Status: http.StatusCreated, Body: out}, err
}

func (d Desk) setRole(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	var body roleBody
	id, err := r.ID()
	if err == nil {
		err = r.Decode(&body)
	}
	if err == nil {
		err = people.SetRole(ctx, d.DB, caller, id, body.Role, body.ContractorID)
	}
	if err != nil {
		return frame.Answer{}, err
	}
	return d.answer(ctx, caller, id)
}

func (d Desk) signOut(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	return d.do(ctx, caller, r, people.SignOutEverywhere)
}

func (d Desk) end(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	return d.do(ctx, caller, r, people.End)
}

func (d Desk) do(ctx context.Context, caller domain.Caller, r *frame.Request, what func(context.Context, *storage.DB, domain.Caller, domain.UUID) error) (frame.Answer, error) {
	id, err := r.ID()
	if err == nil {
		err = what(ctx, d.DB, caller, id)
	}
	if err != nil {
		return frame.Answer{}, err
	}
	return d.answer(ctx, caller, id)
}
