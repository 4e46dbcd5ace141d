package api

import (
	"context"
	"net/http"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// heldAnswer is an item that was not accepted, with what was sent.
type heldAnswer struct {
	HeldID domain.UUID `json:"held_id"`
	// open, waiting, applied, closed or dismissed.
	State string       `json:"state"`
	Kind  string       `json:"kind,omitzero"`
	ID    string       `json:"id,omitzero"`
	JobID *domain.UUID `json:"job_id,omitzero"`
	// The version that was edited; 0 for a new record.
	BaseVersion int64          `json:"base_version" validate:"gte=0"`
	Code        string         `json:"code"`
	Problem     jsontext.Value `json:"problem,omitzero" schema:"Problem"`
	DeviceID    *domain.UUID   `json:"device_id,omitzero"`
	ReceivedAt  string         `json:"received_at"`
	// What was sent.
	Record jsontext.Value `json:"record,omitzero"`
	// What was sent, of a void.
	Void jsontext.Value `json:"void,omitzero"`
	// Base64 of what was sent, where it is no JSON object.
	Bytes []byte `json:"bytes,omitzero"`
	// The version of a record, 1 and up.
	ClosedByVersion int64 `json:"closed_by_version,omitzero" validate:"gte=1"`
	// The person whose phone or hand sent it; absent of a machine's.
	PersonID domain.UUID `json:"person_id,omitzero"`
	ClosedAt string      `json:"closed_at,omitzero"`
	// The person who applied or dismissed it, or sent what settled it.
	ClosedByPersonID domain.UUID `json:"closed_by_person_id,omitzero"`
}

func heldOf(h *storage.Held, trace string) heldAnswer {
	a := heldAnswer{HeldID: h.ID, State: h.State, Kind: h.Kind, BaseVersion: h.BaseVersion, Code: h.Code, ReceivedAt: h.ReceivedAt, ClosedByVersion: h.ClosedByVersion,
		PersonID: h.PersonID, ClosedAt: h.ClosedAt, ClosedByPersonID: h.ClosedByPerson}
	if !h.RecordID.IsZero() {
		a.ID = h.RecordID.String()
	}
	if !h.JobID.IsZero() {
		a.JobID = &h.JobID
	}
	if !h.DeviceID.IsZero() {
		a.DeviceID = &h.DeviceID
	}
	var kept struct {
		Code   domain.Code    `json:"code"`
		Detail string         `json:"detail"`
		Faults []domain.Fault `json:"errors"`
		More   int            `json:"errors_more_count"`
	}
	if err := json.Unmarshal([]byte(h.Problem), &kept); err == nil {
		e := &domain.Error{Code: kept.Code, Detail: kept.Detail, Faults: kept.Faults}
		if kept.More > 0 {
			e.Also = map[string]any{frame.ErrorsMore: kept.More}
		}
		a.Problem = frame.ProblemBody(e, trace)
	}
	var sent struct {
		Record jsontext.Value `json:"record"`
		Void   jsontext.Value `json:"void"`
	}
	if err := json.Unmarshal(h.Bytes, &sent); err == nil && (sent.Record.Kind() == '{' || sent.Void.Kind() == '{') {
		a.Record, a.Void = sent.Record, sent.Void
	} else {
		a.Bytes = h.Bytes
	}
	return a
}

// A page of held items.
type heldList struct {
	Items []heldAnswer `json:"items"`
	Next  string       `json:"next,omitzero"`
}

// The version on which the held content is put.
type applyHeldBody struct {
	// The version that was edited; 0 for a new record.
	BaseVersion int64 `json:"base_version" validate:"gte=0"`
}

// An empty object; the body may be left out.
type nothing struct{}

// listHeld answers one page of what was not accepted.
func (s *Server) listHeld(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	state := r.Query.Get("state")
	var job, after domain.UUID
	if text := r.Query.Get("job_id"); text != "" {
		id, err := domain.ParseUUID(text)
		if err != nil {
			return frame.Answer{}, domain.Errorf(domain.BadQuery, "job_id: %v", err)
		}
		job = id
	}
	page := frame.PageOf(caller, "held"+state+job.String())
	if text := r.Query.Get("after"); text != "" {
		id, err := page.Read(text)
		if err != nil {
			return frame.Answer{}, err
		}
		after = id
	}
	limit := r.Limit()
	held, err := s.db.HeldItems(ctx, caller, state, job, after, limit+1)
	if err != nil {
		return frame.Answer{}, err
	}
	out := heldList{Items: []heldAnswer{}}
	for i := range held {
		if i == limit {
			out.Next = page.Write(held[i-1].ID)
			break
		}
		out.Items = append(out.Items, heldOf(&held[i], r.Trace))
	}
	return frame.Answer{Body: out}, nil
}

// applyHeld accepts what was kept as a new version, attributed to the device
// that sent it.
func (s *Server) applyHeld(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err != nil {
		return frame.Answer{}, err
	}
	var body applyHeldBody
	if err := r.Decode(&body); err != nil {
		return frame.Answer{}, err
	}
	held, err := s.db.HeldItem(ctx, caller, id)
	if err != nil {
		return frame.Answer{}, err
	}
	if held.State != "open" && held.State != "waiting" {
		return frame.Answer{}, domain.Errorf(domain.StateNotAllowed, "the item is %s already", held.State)
	}
	value, faults, err := frame.DecodeText(held.Bytes, frame.RequestJSON())
	if err != nil {
		return frame.Answer{}, domain.Errorf(domain.Invalid, "what was kept is not one JSON value; it can only be dismissed")
	}
	item := s.newItem(held.Bytes, value, faults, currentSchema)
	row, known := domain.RowOf(item.Kind)
	if !known {
		return frame.Answer{}, domain.Errorf(domain.Invalid, "what was kept names no kind of record; it can only be dismissed")
	}
	item.BaseVersion, item.Resolves = body.BaseVersion, held.ID
	item.TokenID, item.PersonID, item.DeviceID = held.TokenID, held.PersonID, held.DeviceID
	item.AppliedBy, item.AppliedByPerson, item.ReceivedAt = caller.Token, caller.Person, r.ReceivedAt
	a, err := kindHandlers{s, row, typeName(item.Kind)}.pushOne(ctx, caller, r, item, true)
	if a.Status == http.StatusCreated { // what this address makes is an answer to the item, not a resource of its own
		a.Status = http.StatusOK
		a.Header.Del("Location")
	}
	return a, err
}

// dismissHeld closes an item without accepting it; its bytes stay.
func (s *Server) dismissHeld(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err != nil {
		return frame.Answer{}, err
	}
	if err := s.db.DismissHeld(ctx, caller, id, r.ValidateOnly()); err != nil {
		return frame.Answer{}, err
	}
	held, err := s.db.HeldItem(ctx, caller, id)
	if err != nil {
		return frame.Answer{}, err
	}
	held.State = "dismissed" // also where it was only tried
	return frame.Answer{Body: heldOf(&held, r.Trace)}, nil
}

// putResident overwrites who lives in a home.
func (s *Server) putResident(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	var who storage.Resident
	if err := r.Decode(&who); err != nil {
		return frame.Answer{}, err
	}
	return s.changeResident(ctx, caller, r, &who)
}

// eraseResident removes who lives in a home, for ever.
func (s *Server) eraseResident(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	return s.changeResident(ctx, caller, r, nil)
}

func (s *Server) changeResident(ctx context.Context, caller domain.Caller, r *frame.Request, who *storage.Resident) (frame.Answer, error) {
	id, err := r.ID()
	if err != nil {
		return frame.Answer{}, err
	}
	seen, err := s.db.PutResident(ctx, caller, id, who, r.ValidateOnly())
	if err != nil {
		return frame.Answer{}, err
	}
	return frame.Answer{Status: http.StatusOK, Header: http.Header{"Etag": {etag(seen.Entry.Version)}},
		Body: s.entryJSON(caller, &seen.Entry, beside{resident: seen.Resident})}, nil
}
