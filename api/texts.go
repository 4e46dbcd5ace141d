package api

import (
	"context"
	"net/http"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/storage"
)

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
