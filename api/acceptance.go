package api

import (
	"context"
	"encoding/hex"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/storage/judgment"
)

// What was frozen when the job was accepted. Who accepted it stands in the review.
type acceptanceAnswer struct {
	// Of the job's results; a job that was opened again has further ones.
	Number int `json:"number" validate:"gte=1"`
	// The place in the program's one order of accepted versions.
	Position   int64  `json:"position"`
	AcceptedAt string `json:"accepted_at"`
	// In the program's time zone.
	Month string `json:"month"`
	// SHA-256 over the records and facts that were judged, in hexadecimal.
	InputDigest string `json:"input_digest"`
	// Where it ended by re-opening or voiding.
	UntilPosition int64 `json:"until_position,omitzero"`
}

func acceptanceOf(a *judgment.Acceptance) *acceptanceAnswer {
	if a == nil {
		return nil
	}
	return &acceptanceAnswer{a.Serial, a.Position, ledger.Stamp(a.AcceptedAt), a.Month, hex.EncodeToString(a.InputDigest), a.Until}
}

// judgment reads a job's judgment as it stands, or the acceptance that stood
// at the position that the query names.
func (s *Server) judgment(ctx context.Context, caller domain.Caller, r *frame.Request) (domain.UUID, judgment.Judgment, error) {
	id, err := r.ID()
	if err != nil {
		return id, judgment.Judgment{}, err
	}
	var j judgment.Judgment
	if position := r.Position(); position > 0 {
		j, err = judgment.At(ctx, s.db, caller, id, position)
	} else {
		j, err = judgment.Read(ctx, s.db, caller, id)
	}
	return id, j, err
}
