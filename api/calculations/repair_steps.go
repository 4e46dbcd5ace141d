package calculations

import (
	"context"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/leakage"
)

// Fan tests of one quantity by one method, in the order in which they were made.
type RepairSeries struct {
	Before  leakage.SteppedReading   `json:"before"`
	Interim []leakage.SteppedReading `json:"interim,omitzero" validate:"omitempty,max=39,dive"`
	After   leakage.SteppedReading   `json:"after"`
}

type repairStepsAnswer struct {
	Method string              `json:"method"`
	Steps  leakage.RepairSteps `json:",embed"`
	Inputs RepairSeries        `json:"inputs"`
}

// calculateRepairSteps says what the repairs between fan tests took away.
func calculateRepairSteps(_ context.Context, _ domain.Caller, r *frame.Request) (frame.Answer, error) {
	var body RepairSeries
	if err := r.Decode(&body); err != nil {
		return frame.Answer{}, err
	}
	steps, err := leakage.Steps(body.Before, body.Interim, body.After)
	if err != nil {
		return frame.Answer{}, frame.Refused(err)
	}
	return frame.Answer{Body: repairStepsAnswer{"repair_steps", steps, body}}, nil
}
