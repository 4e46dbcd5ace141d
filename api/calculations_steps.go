package api

import (
	"context"

	"ductledger/domain"
	"ductledger/domain/leakage"

	"github.com/go-json-experiment/json/jsontext"
)

// Fan tests of one quantity by one method, in the order in which they were made.
type repairStepsBody struct {
	Before  leakage.SteppedReading   `json:"before"`
	Interim []leakage.SteppedReading `json:"interim,omitzero" validate:"omitempty,max=39,dive"`
	After   leakage.SteppedReading   `json:"after"`
}

type repairStepsAnswer struct {
	Method string              `json:"method"`
	Steps  leakage.RepairSteps `json:",embed"`
	Inputs jsontext.Value      `json:"inputs"`
}

// repairSteps says what the repairs between fan tests took away.
func (s *Server) repairSteps(_ context.Context, _ domain.Caller, r *request) (answer, error) {
	var body repairStepsBody
	if err := s.contract.decode("calculateRepairSteps", r.Body, &body); err != nil {
		return answer{}, err
	}
	steps, err := leakage.Steps(body.Before, body.Interim, body.After)
	if err != nil {
		return answer{}, refused(err)
	}
	return answer{Body: repairStepsAnswer{"repair_steps", steps, r.Body}}, nil
}
