package api

import (
	"context"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/storage/search"
)

// What is looked for. It stands in the body, since addresses are kept in logs and histories.
type searchBody struct {
	// Words, or their beginnings: of a street, a resident's name, a park or a contractor's name; a telephone number; a
	// job's number. Each word must fit; marks, capitals and punctuation do not matter.
	Words string `json:"words" validate:"min=1,max=200" text:"free"`
	// At most so many of each list.
	Limit int `json:"limit,omitzero" validate:"omitempty,gte=1,lte=100" default:"20"`
}

// What was found.
type searchAnswer struct {
	AsOfAt string `json:"as_of_at"`
	// By street.
	Homes []searchHome `json:"homes"`
	// By number.
	Jobs []searchJob `json:"jobs"`
	// By name.
	Contractors []searchContractor `json:"contractors"`
	// There is, or may be, more than what is listed; a further word narrows it.
	More bool `json:"more"`
}

// A home with its resident, as the office reads it.
type searchHome struct {
	HomeID domain.UUID `json:"home_id"`
	Name   string      `json:"name,omitzero" text:"free"`
	Phone  string      `json:"phone,omitzero" text:"free"`
	Street string      `json:"street,omitzero" text:"free"`
	Park   string      `json:"park,omitzero" text:"free"`
	// Its jobs, the voided ones not counted.
	JobsCount int `json:"jobs_count" validate:"gte=0"`
}

// A job that was meant by its number, or by its home and contractor.
type searchJob struct {
	JobID          domain.UUID     `json:"job_id"`
	Number         int64           `json:"number"`
	State          domain.JobState `json:"state"`
	HomeID         domain.UUID     `json:"home_id"`
	Street         string          `json:"street,omitzero" text:"free"`
	Park           string          `json:"park,omitzero" text:"free"`
	ContractorID   domain.UUID     `json:"contractor_id"`
	ContractorName string          `json:"contractor_name"`
}

// A contractor by its name.
type searchContractor struct {
	ContractorID domain.UUID `json:"contractor_id"`
	Name         string      `json:"name"`
}

// defaultFound is as many of each list as somebody reads at once.
const defaultFound = 20

// search finds homes, jobs and contractors.
func (s *Server) search(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	var body searchBody
	if err := r.Decode(&body); err != nil {
		return frame.Answer{}, err
	}
	out, err := s.find(ctx, caller, body)
	return frame.Answer{Body: out}, err
}

func (s *Server) find(ctx context.Context, caller domain.Caller, body searchBody) (searchAnswer, error) {
	if body.Limit == 0 {
		body.Limit = defaultFound
	}
	found, err := search.Find(ctx, s.db, caller, body.Words, body.Limit)
	if err != nil {
		return searchAnswer{}, err
	}
	out := searchAnswer{AsOfAt: ledger.Stamp(s.now()), Homes: []searchHome{}, Jobs: []searchJob{}, Contractors: []searchContractor{}, More: found.More}
	for _, h := range found.Homes {
		out.Homes = append(out.Homes, searchHome(h))
	}
	for _, j := range found.Jobs {
		out.Jobs = append(out.Jobs, searchJob(j))
	}
	for _, c := range found.Contractors {
		out.Contractors = append(out.Contractors, searchContractor(c))
	}
	return out, nil
}

func searchOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"search": {
			Tag: "Homes and jobs", Summary: "Find homes, jobs and contractors",
			Description: "By the beginnings of words: street, resident's name, telephone number and park of a home, a job's number, a " +
				"contractor's name. A job is found where each word fits its number, its home or its contractor's name. Voided records " +
				"and erased residents are not found. What is looked for stands in the body and in no log.",
			Takes: searchBody{}, Example: searchBody{Words: "14 cedar"},
			Gives: []frame.Gives{
				{Status: 200, What: "What was found.", Body: searchAnswer{}},
			},
		},
	}
}
