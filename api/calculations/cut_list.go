package calculations

import (
	"context"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/cutlist"
)

// The work of one job or of several.
type CutListWork struct {
	Jobs []cutlist.Job `json:"jobs" validate:"min=1,max=50,dive"`
	// What is not sent keeps its default.
	Parameters cutlist.Parameters `json:"parameters" validate:"omitempty"`
	Used       *cutlist.Used      `json:"used,omitzero"`
	// How far use may fall outside list and waste before it is asked about.
	Tolerance *float64 `json:"used_tolerance_ratio,omitzero" validate:"omitempty,gte=0,lte=0.99" default:"0.1"`
}

// Each job, and the sum.
type cutListAnswer struct {
	Load cutlist.Load `json:",embed"`
	// What was used, set beside the list.
	Used   []cutlist.AgainstList `json:"used,omitzero"`
	Inputs cutListInputs         `json:"inputs"`
}

type cutListInputs struct {
	JobsCount  int                `json:"jobs_count"`
	Parameters cutlist.Parameters `json:"parameters"`
	Used       *cutlist.Used      `json:"used,omitzero"`
	Tolerance  *float64           `json:"used_tolerance_ratio,omitzero"`
}

// calculateCutList says what to cut for one job or for a day's jobs.
func calculateCutList(_ context.Context, _ domain.Caller, r *frame.Request) (frame.Answer, error) {
	body := CutListWork{Parameters: cutlist.DefaultParameters()}
	if err := r.Decode(&body); err != nil {
		return frame.Answer{}, err
	}
	load, err := cutlist.ForJobs(body.Jobs, body.Parameters)
	if err != nil {
		return frame.Answer{}, frame.Refused(err)
	}
	out := cutListAnswer{Load: load, Inputs: cutListInputs{len(body.Jobs), body.Parameters, body.Used, nil}}
	if body.Used != nil {
		tolerance := cutlist.DefaultUsedTolerance
		if body.Tolerance != nil {
			tolerance = *body.Tolerance
		}
		out.Inputs.Tolerance = &tolerance
		if out.Used, err = cutlist.CompareUsed(load.Totals, load.WithWaste, *body.Used, tolerance); err != nil {
			return frame.Answer{}, frame.Refused(err)
		}
	}
	return frame.Answer{Body: out}, nil
}
