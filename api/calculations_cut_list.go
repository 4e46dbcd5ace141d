package api

import (
	"context"

	"ductledger/domain"
	"ductledger/domain/cutlist"
)

type cutListBody struct {
	Jobs       []cutlist.Job      `json:"jobs"`
	Parameters cutlist.Parameters `json:"parameters"` // what is not sent keeps its default
	Used       *cutlist.Used      `json:"used,omitzero"`
	Tolerance  *float64           `json:"used_tolerance_ratio,omitzero"`
}

type cutListAnswer struct {
	Load   cutlist.Load          `json:",embed"`
	Used   []cutlist.AgainstList `json:"used,omitzero"`
	Inputs cutListInputs         `json:"inputs"`
}

type cutListInputs struct {
	JobsCount  int                `json:"jobs_count"`
	Parameters cutlist.Parameters `json:"parameters"`
	Used       *cutlist.Used      `json:"used,omitzero"`
	Tolerance  *float64           `json:"used_tolerance_ratio,omitzero"`
}

// cutList says what to cut for one job or for a day's jobs.
func (s *Server) cutList(_ context.Context, _ domain.Caller, r *request) (answer, error) {
	body := cutListBody{Parameters: cutlist.DefaultParameters()}
	if err := s.contract.decode("calculateCutList", r.Body, &body); err != nil {
		return answer{}, err
	}
	load, err := cutlist.ForJobs(body.Jobs, body.Parameters)
	if err != nil {
		return answer{}, refused(err)
	}
	out := cutListAnswer{Load: load, Inputs: cutListInputs{len(body.Jobs), body.Parameters, body.Used, nil}}
	if body.Used != nil {
		tolerance := cutlist.DefaultUsedTolerance
		if body.Tolerance != nil {
			tolerance = *body.Tolerance
		}
		out.Inputs.Tolerance = &tolerance
		if out.Used, err = cutlist.CompareUsed(load.Totals, load.WithWaste, *body.Used, tolerance); err != nil {
			return answer{}, refused(err)
		}
	}
	return answer{Body: out}, nil
}
