package api

import (
	"context"
	"net/http"

	"ductledger/api/frame"
	"ductledger/api/strict"
	"ductledger/api/wire"
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
	BaseVersion int64 `json:"base_version" validate:"gte=0"`
	// Why it was not accepted.
	Code       domain.Code    `json:"code"`
	Problem    jsontext.Value `json:"problem,omitzero" schema:"Problem"`
	DeviceID   *domain.UUID   `json:"device_id,omitzero"`
	ReceivedAt string         `json:"received_at"`
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
	a := heldAnswer{HeldID: h.ID, State: h.State, Kind: h.Kind, BaseVersion: h.BaseVersion, Code: domain.Code(h.Code), ReceivedAt: h.ReceivedAt, ClosedByVersion: h.ClosedByVersion,
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
			return frame.Answer{}, domain.At("/job_id", domain.BadQuery, "job_id: %v", err)
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
		return frame.Answer{}, domain.At("/state", domain.StateNotAllowed, "the item is %s already", held.State)
	}
	sent := wire.Item{Raw: held.Bytes}
	if sent.Faults, err = strict.Read(held.Bytes, &sent); err != nil {
		return frame.Answer{}, onlyDismissed("/bytes", "bad_json", "what was kept is not one JSON value")
	}
	item := s.newItem(&sent, currentSchema)
	row, known := domain.RowOf(item.Kind)
	if !known {
		return frame.Answer{}, onlyDismissed("/kind", "unknown_kind", "what was kept names no kind of record")
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

// onlyDismissed refuses a held item that cannot be read, by the member of it that
// is at fault.
func onlyDismissed(pointer, code, detail string) error {
	return &domain.Error{Code: domain.Invalid, Detail: detail + "; it can only be dismissed",
		Faults: []domain.Fault{{Pointer: pointer, Code: code, Detail: detail, Fix: "dismiss the item; its bytes are kept"}}}
}

// dismissHeld closes an item without accepting it; its bytes stay.
func (s *Server) dismissHeld(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err != nil {
		return frame.Answer{}, err
	}
	if err := r.Decode(&nothing{}); err != nil {
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

type heldQuery struct {
	frame.PageQuery
	jobQuery
	// Only items in this state.
	State string `json:"state,omitzero" validate:"omitempty,oneof=open waiting applied closed dismissed"`
}

// heldOperations are what the contract says of the operations of this file.
func heldOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"listHeld": {
			Tag: "Held items", Summary: "List what was not accepted",
			Description: "Open and waiting items by default, with their original bytes. A crew sees its contractor's.",
			Query:       heldQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "A page of held items.", Body: heldList{}},
			},
		},
		"applyHeld": {
			Tag: "Held items", Summary: "Accept a held item as a new version",
			Description: "The version is attributed to the device that sent it, with `applied_by` beside it. Answers the new entry.",
			Query:       validateQuery{},
			Takes:       applyHeldBody{},
			Gives: []frame.Gives{
				{Status: 200, What: "A new version was stored or, with Idempotent-Replay, the same was there already.", Body: wire.Entry{}, Headers: []string{"ETag", "Idempotent-Replay"}},
			},
			Also: []int{409, 412, 507},
		},
		"dismissHeld": {
			Tag: "Held items", Summary: "Dismiss a held item",
			Description: "Its bytes stay. Answers the held item.",
			Query:       validateQuery{},
			Takes:       nothing{}, Optional: true,
			Gives: []frame.Gives{
				{Status: 200, What: "The held item.", Body: heldAnswer{}},
			},
			Also: []int{409},
		},
	}
}
