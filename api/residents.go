package api

import (
	"context"
	"net/http"

	"ductledger/api/frame"
	"ductledger/api/wire"
	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/storage"

	"github.com/go-json-experiment/json/jsontext"
)

// The home's new version, and how many texts about it remain in which a name may stand.
type erasedResident struct {
	Kind string `json:"kind" validate:"oneof=home"`
	wire.EntryFacts
	Record jsontext.Value `json:"record" schema:"Home"`
	// Free texts about the home and its jobs.
	TextsCount int `json:"texts_count"`
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
	if err := r.Decode(&nothing{}); err != nil {
		return frame.Answer{}, err
	}
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
	more := beside{resident: seen.Resident}
	if who == nil { // a name may stand in what people wrote
		remain, err := s.db.HomeTexts(ctx, caller, id)
		if err != nil {
			return frame.Answer{}, err
		}
		more.texts = new(len(remain))
	}
	return frame.Answer{Status: http.StatusOK, Header: http.Header{"Etag": {frame.ETag(seen.Entry.Version)}},
		Body: s.entryJSON(caller, &seen.Entry, more)}, nil
}

// residentsOperations are what the contract says of the operations of this file.
func residentsOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"putResident": {
			Tag: "Homes and jobs", Summary: "Keep who lives in a home",
			Description: "Overwrites name, phone and street as a whole, and makes a new version of the home with the same `record` and the " +
				"next `resident_revision`, so that devices learn of it.",
			Query: validateQuery{},
			Takes: storage.Resident{},
			Gives: []frame.Gives{
				{Status: 200, What: "A new version was stored or, with Idempotent-Replay, the same was there already.", Body: wire.Entry{}, Headers: []string{"ETag", "Idempotent-Replay"}, Of: domain.HomeKind},
			},
			Also: []int{507},
		},
		"eraseResident": {
			Tag: "Homes and jobs", Summary: "Erase who lives in a home",
			Description: "Name, phone and street are gone for good; the ledger, which never held them, still verifies. The home gets a new " +
				"version, so that devices delete their copy. A name may also stand in what people wrote about the home and its jobs: " +
				"`texts_count` says how many such texts remain, and `GET /v1/homes/{id}/texts` lists them for a person to clear.",
			Query: validateQuery{},
			Takes: nothing{}, Optional: true,
			Gives: []frame.Gives{
				{Status: 200, What: "A new version was stored.", Body: erasedResident{}, Headers: []string{"ETag", "Idempotent-Replay"}},
			},
			Also: []int{507},
		},
	}
}

// What people wrote about a home and its jobs, oldest first.
type textsAnswer struct {
	HomeID domain.UUID  `json:"home_id"`
	Items  []textAnswer `json:"items"`
}

// A free text as it was written.
type textAnswer struct {
	Kind domain.Kind `json:"kind"`
	ID   domain.UUID `json:"id"`
	// Absent of the home itself.
	JobID domain.UUID `json:"job_id,omitzero"`
	// In which version it stands; absent of an item that was held.
	Version int64 `json:"version,omitzero" validate:"omitempty,gte=1"`
	// Of the held item in which it stands.
	HeldID     domain.UUID `json:"held_id,omitzero"`
	RecordedAt string      `json:"recorded_at"`
	// Where in the record, as a JSON Pointer; `/void/reason` is why it was voided.
	Pointer string `json:"pointer"`
	Text    string `json:"text"`
}

// The records whose texts are erased, in all their versions.
type eraseTextsBody struct {
	Items []domain.Subject `json:"items" validate:"min=1,max=500,unique,dive"`
}

func textsOf(home domain.UUID, list []storage.WrittenText) textsAnswer {
	out := textsAnswer{HomeID: home, Items: []textAnswer{}}
	for i := range list {
		l := &list[i]
		out.Items = append(out.Items, textAnswer{Kind: l.Kind, ID: l.ID, JobID: l.JobID, Version: l.Version, HeldID: l.HeldID,
			RecordedAt: ledger.Stamp(l.RecordedAt), Pointer: l.Pointer, Text: l.Text.Text})
	}
	return out
}

// noStore keeps what people wrote out of every cache.
func noStore() http.Header { return http.Header{"Cache-Control": {"no-store"}} }

// homeTexts lists every free text about a home.
func (s *Server) homeTexts(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err != nil {
		return frame.Answer{}, err
	}
	list, err := s.db.HomeTexts(ctx, caller, id)
	return frame.Answer{Header: noStore(), Body: textsOf(id, list)}, err
}

// eraseTexts erases the free texts of records about a home, for ever.
func (s *Server) eraseTexts(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err != nil {
		return frame.Answer{}, err
	}
	var ask eraseTextsBody
	if err := r.Decode(&ask); err != nil {
		return frame.Answer{}, err
	}
	remain, err := s.db.EraseTexts(ctx, caller, id, ask.Items, r.ValidateOnly())
	return frame.Answer{Header: noStore(), Body: textsOf(id, remain)}, err
}

// textsOperations are what the contract says of the operations of this file.
func textsOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"textsOfHome": {
			Tag: "Homes and jobs", Summary: "List what people wrote about a home and its jobs",
			Description: "Every free text of the home, of its jobs and of their records, in all versions, and of items that were held: a " +
				"resident's name may stand in any of them. What was erased is not listed.",
			Gives: []frame.Gives{{Status: 200, What: "The texts, oldest first, those of held items last.", Body: textsAnswer{}}},
		},
		"eraseTexts": {
			Tag: "Homes and jobs", Summary: "Erase what people wrote in records about a home",
			Description: "The texts of the named records are gone for good, in all versions and in held items. The ledger keeps their " +
				"salted digests alone and still verifies; figures and verdicts stay. Phones keep their copy as long as they keep the job.",
			Query: validateQuery{},
			Takes: eraseTextsBody{},
			Gives: []frame.Gives{{Status: 200, What: "The texts that remain.", Body: textsAnswer{}}},
			Also:  []int{507},
		},
	}
}
