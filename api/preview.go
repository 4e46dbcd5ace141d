package api

import (
	"context"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/domain/rules"
	"ductledger/storage/judgment"
)

// What a rule set would have changed in jobs accepted in a period.
type previewAnswer struct {
	RuleSetID domain.UUID `json:"rule_set_id"`
	From      domain.Date `json:"from"`
	Before    domain.Date `json:"before"`
	// Where the ledger stood.
	Position int64          `json:"position"`
	AsOfAt   string         `json:"as_of_at"`
	Totals   *previewTotals `json:"totals,omitzero"`
	// Jobs whose findings or pay would change.
	Items []previewItem `json:"items"`
	Next  string        `json:"next,omitzero"`
}

// The whole period. They stand on the first page only.
type previewTotals struct {
	// Jobs that were judged.
	Jobs int `json:"jobs_count"`
	// Jobs whose findings or pay would change.
	Changed int `json:"changed_count"`
	// What they come to by the prices that they were accepted by, nothing taken back.
	BeforeCents int64 `json:"before_payable_cents"`
	// What they would come to by this set's prices.
	AfterCents int64 `json:"after_payable_cents"`
	// Jobs that this set would not have let be accepted as they stood.
	NotAcceptable int `json:"not_acceptable_count"`
	// Every rule in the order of the work.
	Rules []previewRule `json:"rules"`
}

// One rule over all jobs of the period, its outcomes counted by subject.
type previewRule struct {
	Rule string `json:"rule"`
	// Jobs that would gain or lose a finding of this rule.
	Changed int            `json:"changed_count"`
	Before  rules.Outcomes `json:"before"`
	After   rules.Outcomes `json:"after"`
}

// A job whose findings or pay would change. A finding whose severity would change is both gone and come.
type previewItem struct {
	JobID        domain.UUID `json:"job_id"`
	ContractorID domain.UUID `json:"contractor_id"`
	// By which it was accepted.
	RuleSetID  domain.UUID     `json:"rule_set_id"`
	AcceptedAt string          `json:"accepted_at"`
	Before     previewSide     `json:"before"`
	After      previewSide     `json:"after"`
	Gone       []rules.Finding `json:"gone"`
	Come       []rules.Finding `json:"come"`
}

// A verdict in numbers.
type previewSide struct {
	rules.Counts
	// What would stop the acceptance.
	Open int `json:"open_count"`
	// What the job comes to by the set's prices, held-back share included and nothing taken back.
	PayableCents int64 `json:"payable_cents"`
}

// preview answers what a rule set would have made of jobs that were accepted
// in a period. Nothing is stored. Totals come with the first page only, since
// they cost a judgment of every job.
func (s *Server) preview(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err != nil {
		return frame.Answer{}, err
	}
	q := judgment.PreviewQuery{RuleSetID: id, From: domain.Date(r.Query.Get("from")), Before: domain.Date(r.Query.Get("before")), Limit: r.Limit()}
	page := frame.PageOf(caller, "preview"+id.String()+string(q.From)+string(q.Before))
	if text := r.Query.Get("after"); text != "" {
		if q.After, err = page.Read(text); err != nil {
			return frame.Answer{}, err
		}
	}
	p, err := judgment.ReadPreview(ctx, s.db, caller, q)
	if err != nil {
		return frame.Answer{}, err
	}
	out := previewAnswer{RuleSetID: id, From: q.From, Before: q.Before, Position: p.Position, AsOfAt: ledger.Stamp(p.AsOfAt),
		Totals: totalsOf(p.Totals), Items: []previewItem{}}
	for _, j := range p.Jobs {
		out.Items = append(out.Items, previewItem{JobID: j.JobID, ContractorID: j.ContractorID, RuleSetID: j.RuleSetID, AcceptedAt: ledger.Stamp(j.AcceptedAt),
			Before: previewSide(j.Before), After: previewSide(j.After), Gone: findingsList(j.Gone), Come: findingsList(j.Come)})
	}
	if p.More {
		out.Next = page.Write(p.Jobs[len(p.Jobs)-1].JobID)
	}
	return frame.Answer{Body: out}, nil
}

func totalsOf(t *judgment.PreviewTotals) *previewTotals {
	if t == nil {
		return nil
	}
	out := &previewTotals{Jobs: t.Jobs, Changed: t.Changed, BeforeCents: t.Before, AfterCents: t.After, NotAcceptable: t.Refused, Rules: []previewRule{}}
	for _, r := range t.Rules {
		out.Rules = append(out.Rules, previewRule(r))
	}
	return out
}

func findingsList(findings []rules.Finding) []rules.Finding {
	if findings == nil {
		return []rules.Finding{}
	}
	return findings
}

type previewQuery struct {
	frame.PeriodQuery
	frame.PageQuery
}

// previewOperations are what the contract says of the operations of this file.
func previewOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"previewRuleSet": {
			Tag: "Jobs judged", Summary: "What a rule set would have changed",
			Description: "Judges the jobs first accepted in the period twice over the records that counted at their acceptance: by the set " +
				"that they were accepted by and by this one. Nothing is stored. The first page has the totals of the period; " +
				"every page lists jobs whose findings or pay would change, by id. A period that takes longer than the time limit is 504: " +
				"ask for a shorter one.",
			Query: previewQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The comparison.", Body: previewAnswer{}},
			},
		},
	}
}
