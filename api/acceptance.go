package api

import (
	"context"
	"encoding/hex"

	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/storage"
)

// acceptanceAnswer is what was frozen with a verdict. It tells no person: who
// accepted stands in the review.
type acceptanceAnswer struct {
	Number        int    `json:"number"`
	Position      int64  `json:"position"`
	AcceptedAt    string `json:"accepted_at"`
	Month         string `json:"month"`
	InputDigest   string `json:"input_digest"`
	UntilPosition int64  `json:"until_position,omitzero"`
}

func acceptanceOf(a *storage.Acceptance) *acceptanceAnswer {
	if a == nil {
		return nil
	}
	return &acceptanceAnswer{a.Serial, a.Position, ledger.Stamp(a.AcceptedAt), a.Month, hex.EncodeToString(a.InputDigest), a.Until}
}

// judgment reads a job's judgment as it stands, or the acceptance that stood
// at the position that the query names.
func (s *Server) judgment(ctx context.Context, caller domain.Caller, r *request) (domain.UUID, storage.Judgment, error) {
	id, err := pathID(r)
	if err != nil {
		return id, storage.Judgment{}, err
	}
	var j storage.Judgment
	if position := positionOf(r); position > 0 {
		j, err = s.db.JudgmentAt(ctx, caller, id, position)
	} else {
		j, err = s.db.Judgment(ctx, caller, id)
	}
	return id, j, err
}
