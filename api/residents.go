package api

import (
	"context"
	"net/http"

	"ductledger/api/frame"
	"ductledger/api/wire"
	"ductledger/domain"
	"ductledger/storage"
)

// The home's new version, and how many texts about it remain in which a name may stand.
type erasedResident struct {
	wire.Entry
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
	return frame.Answer{Status: http.StatusOK, Header: http.Header{"Etag": {etag(seen.Entry.Version)}},
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
				{Status: 200, What: "A new version was stored or, with Idempotent-Replay, the same was there already.", Body: wire.Entry{}, Headers: []string{"ETag", "Idempotent-Replay"}, ByRole: map[domain.Role]any{domain.ContractorRole: wire.ContractorEntry{}}},
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
