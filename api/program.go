package api

import (
	"context"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/storage/upkeep"
)

// A program, and when its backup was last proved.
type programAnswer struct {
	Code     string `json:"code"`
	Name     string `json:"name"`
	TimeZone string `json:"time_zone"`
	// Its data are invented.
	Demo      bool   `json:"demo"`
	CreatedAt string `json:"created_at"`
	// When a backup was last restored beside and proved; absent: never. A backup that was never restored is not known to be one.
	BackupTriedAt string `json:"backup_tried_at,omitzero"`
	// What of it is to be done: none, or `try_backup` where it was never tried, or longer ago than `backup_try_within_days`.
	ToDo []string `json:"to_do" validate:"max=1,dive,oneof=try_backup"`
	// How long a trial holds.
	BackupTryWithinDays int `json:"backup_try_within_days" validate:"gte=1"`
}

// program answers how the caller's program is served.
func (s *Server) program(ctx context.Context, caller domain.Caller, _ *frame.Request) (frame.Answer, error) {
	p, err := s.db.Program(ctx, caller.Program)
	if err != nil {
		return frame.Answer{}, err
	}
	at, err := upkeep.RestoreTriedAt(ctx, s.db, caller.Program)
	if err != nil {
		return frame.Answer{}, err
	}
	out := programAnswer{Code: p.Code, Name: p.Name, TimeZone: p.TimeZone, Demo: p.Demo, CreatedAt: ledger.Stamp(p.CreatedAt), ToDo: []string{},
		BackupTryWithinDays: int(upkeep.RestoreWithin / (24 * time.Hour))}
	if at != nil {
		out.BackupTriedAt = ledger.Stamp(*at)
	}
	if at == nil || s.now().Sub(*at) > upkeep.RestoreWithin {
		out.ToDo = append(out.ToDo, "try_backup")
	}
	return frame.Answer{Body: out}, nil
}

// programOperations are what the contract says of the operations of this file.
func programOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"getProgram": {Tag: "Program", Summary: "Read the program, and when its backup was last tried",
			Description: "A backup is tried by `ductledger restore --verify`, which restores it beside the database that serves and proves it; only then it is known to be one.",
			Gives:       []frame.Gives{{Status: 200, What: "The program.", Body: programAnswer{}}}},
	}
}
