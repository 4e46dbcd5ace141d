package api

import (
	"context"
	"fmt"
	"net/http"

	"ductledger/api/frame"
	"ductledger/api/strict"
	"ductledger/api/wire"
	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/storage"

	"github.com/go-json-experiment/json/jsontext"
)

// kindHandlers are the five handlers that all kinds share.
type kindHandlers struct {
	*Server
	row  domain.KindRow
	name string // in the contract
}

// get answers the newest version of one record.
func (k kindHandlers) get(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err != nil {
		return frame.Answer{}, err
	}
	seen, err := k.db.Record(ctx, caller, k.row.Kind, id)
	if err != nil {
		return frame.Answer{}, err
	}
	heard, err := k.lastSeenOf(ctx, caller, k.row.Kind, []storage.Seen{seen})
	if err != nil {
		return frame.Answer{}, err
	}
	return k.entryAnswer(caller, http.StatusOK, &seen.Entry, beside{resident: seen.Resident, heard: heard[id]}), nil
}

// put is a batch of one.
func (k kindHandlers) put(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err != nil {
		return frame.Answer{}, err
	}
	base, matched, err := r.IfMatch()
	if err != nil {
		return frame.Answer{}, err
	}
	record := strict.Record{Raw: r.Body, Value: k.row.New()}
	faults, err := strict.Read(r.Body, record.Value)
	if err != nil {
		return frame.Answer{}, err
	}
	item := &intake.Item{Kind: k.row.Kind, ID: id, BaseVersion: base, Raw: envelope(k.row.Kind, id, base, "record", r.Body),
		TokenID: caller.Token, PersonID: caller.Person, DeviceID: caller.Device, ReceivedAt: r.ReceivedAt}
	if len(faults.List) > 0 {
		item = refusedItem(item, faults)
	} else {
		item = k.withRecord(item, record, "")
	}
	return k.pushOne(ctx, caller, r, item, matched)
}

// void marks the record as one that no longer counts.
func (k kindHandlers) void(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err != nil {
		return frame.Answer{}, err
	}
	var body wire.Reason
	if err := r.Decode(&body); err != nil {
		return frame.Answer{}, err
	}
	base, matched, err := r.IfMatch()
	if err != nil {
		return frame.Answer{}, err
	}
	if _, err := k.db.Record(ctx, caller, k.row.Kind, id); err != nil {
		return frame.Answer{}, err
	}
	item := &intake.Item{Kind: k.row.Kind, ID: id, BaseVersion: base,
		Raw: envelope(k.row.Kind, id, base, "void", r.Body), TokenID: caller.Token, PersonID: caller.Person, DeviceID: caller.Device, ReceivedAt: r.ReceivedAt}
	item.TakeVoid(body.Reason)
	return k.pushOne(ctx, caller, r, item, matched)
}

// pushOne sends one item and answers by what became of it. A device's item
// that ends in 412 or 422 is held, as in a batch.
func (k kindHandlers) pushOne(ctx context.Context, caller domain.Caller, r *frame.Request, item *intake.Item, matched bool) (frame.Answer, error) {
	validate := r.ValidateOnly()
	pushed, err := k.db.Push(ctx, caller, storage.Push{Items: []*intake.Item{item}, ReceivedAt: r.ReceivedAt, ValidateOnly: validate,
		Hold: caller.Role == domain.Field || caller.Role == domain.Inspector, HoldNoUnmatched: !matched})
	if err != nil {
		return frame.Answer{}, err
	}
	p := &pushed.Items[0]
	told := beside{notes: notesOf(p)}
	switch p.Status {
	case intake.Created:
		a := k.entryAnswer(caller, http.StatusCreated, p.Entry, told)
		a.Header.Set("Location", "/v1/"+k.row.Plural+"/"+item.ID.String())
		return a, nil
	case intake.Updated:
		return k.entryAnswer(caller, http.StatusOK, p.Entry, told), nil
	case intake.Replayed:
		a := k.entryAnswer(caller, http.StatusOK, p.Entry, told)
		a.Header.Set("Idempotent-Replay", "true")
		return a, nil
	}
	problem := *p.Problem
	problem.Also = map[string]any{}
	if !p.HeldID.IsZero() {
		problem.Also["held_id"] = p.HeldID
	}
	if p.Status == intake.Conflict {
		if p.Entry != nil {
			problem.Also["current"] = k.entryJSON(caller, p.Entry, beside{})
		}
		if !matched {
			problem.Code, problem.Detail = domain.MatchRequired, "the record exists: a change of it needs If-Match with its version"
		}
	}
	return frame.Answer{}, &problem
}

// entryAnswer is an entry with its version as ETag.
func (k kindHandlers) entryAnswer(caller domain.Caller, status int, e *domain.Entry, more beside) frame.Answer {
	return frame.Answer{Status: status, Header: http.Header{"Etag": {frame.ETag(e.Version)}}, Body: k.entryJSON(caller, e, more)}
}

// list answers one page of the newest versions in the order of their ids.
func (k kindHandlers) list(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	f := storage.Filter{State: r.Query.Get("state"), Void: r.Query.Get("void") == "include", Limit: r.Limit()}
	for name, into := range map[string]*domain.UUID{"job_id": &f.JobID, "home_id": &f.HomeID, "contractor_id": &f.ContractorID} {
		if text := r.Query.Get(name); text != "" {
			id, err := domain.ParseUUID(text)
			if err != nil {
				return frame.Answer{}, domain.At("/"+name, domain.BadQuery, "%s: %v", name, err)
			}
			*into = id
		}
	}
	page := frame.PageOf(caller, fmt.Sprint(k.row.Kind, f.JobID, f.HomeID, f.ContractorID, f.State, f.Void))
	if after := r.Query.Get("after"); after != "" {
		id, err := page.Read(after)
		if err != nil {
			return frame.Answer{}, err
		}
		f.After = id
	}
	f.Limit++ // one more tells whether there is a next page
	seen, err := k.db.List(ctx, caller, k.row.Kind, f)
	if err != nil {
		return frame.Answer{}, err
	}
	heard, err := k.lastSeenOf(ctx, caller, k.row.Kind, seen)
	if err != nil {
		return frame.Answer{}, err
	}
	out := wire.List{Items: []jsontext.Value{}}
	for i := range seen {
		if i == f.Limit-1 {
			out.Next = page.Write(seen[i-1].Entry.ID)
			break
		}
		out.Items = append(out.Items, k.entryJSON(caller, &seen[i].Entry, beside{resident: seen[i].Resident, heard: heard[seen[i].Entry.ID]}))
	}
	return frame.Answer{Body: out}, nil
}

// versions answers one page of the history, oldest first.
func (k kindHandlers) versions(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err != nil {
		return frame.Answer{}, err
	}
	page := frame.PageOf(caller, fmt.Sprint("versions", k.row.Kind, id))
	after := int64(0)
	if text := r.Query.Get("after"); text != "" {
		if err := page.ReadNumbers(text, &after); err != nil {
			return frame.Answer{}, err
		}
	}
	limit := r.Limit()
	entries, err := k.db.Versions(ctx, caller, k.row.Kind, id, after, limit+1)
	if err != nil {
		return frame.Answer{}, err
	}
	out := wire.List{Items: []jsontext.Value{}}
	for i := range entries {
		if i == limit {
			out.Next = page.WriteNumbers(entries[i-1].Version)
			break
		}
		out.Items = append(out.Items, k.entryJSON(caller, &entries[i], beside{}))
	}
	return frame.Answer{Body: out}, nil
}
