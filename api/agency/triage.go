package agency

import (
	"context"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/domain/stat"
	"ductledger/domain/triage"
	triagedb "ductledger/storage/triage"
)

// Homes that wait, in the order of law and program, and what each contractor has open.
type triageAnswer struct {
	AsOfAt        string `json:"as_of_at"`
	MethodVersion string `json:"method_version"`
	// What each priority fact counts today.
	Points []factPoints `json:"points"`
	// The leakage in cfm25 from which on work starts; absent, from any.
	StartFromCFM25 *float64 `json:"start_from_cfm25,omitzero"`
	// By points, then by the day of the application.
	Items []waitingHome `json:"items"`
	// Absent at the end.
	Next string `json:"next,omitzero"`
	// By name; those with nothing open are left out.
	Contractors []contractorLoad `json:"contractors"`
	NothingToDo nothingToDo      `json:"nothing_to_do"`
}

type factPoints struct {
	Fact   domain.PriorityFact `json:"fact"`
	Points int                 `json:"points"`
}

// waitingHome is a home that waits.
type waitingHome struct {
	ApplicationID domain.UUID `json:"application_id"`
	HomeID        domain.UUID `json:"home_id"`
	// The factory-built floors: single, double or triple.
	Class     string      `json:"class" validate:"oneof=single double triple"`
	AppliedOn domain.Date `json:"applied_on"`
	// Since then.
	WaitingDays   int                   `json:"waiting_days"`
	PriorityFacts []domain.PriorityFact `json:"priority_facts"`
	// Nobody looked yet: it stands behind homes with a fact, and may belong before them.
	FactsMissing bool `json:"priority_facts_missing"`
	Points       int  `json:"points"`
	// The leakage read at intake in cfm25.
	ReadCFM25 *float64 `json:"read_cfm25,omitzero"`
	// Whether the leakage read reaches what the program starts at.
	Start StartWord `json:"start"`
	// What sealing is likely to bring. It moves nobody in the order.
	Expected triage.Expected `json:"expected"`
	// The day on which the ducts were sealed before, as the application says.
	TreatedBeforeOn domain.Date `json:"treated_before_on,omitzero"`
	// Accepted jobs at this home, or at one with the same street: it may have been treated before.
	TreatedBefore []treatedBefore `json:"treated_before"`
}

// StartWord tells a read leakage from the start threshold.
type StartWord string

const (
	StartReached StartWord = "reached"
	StartBelow   StartWord = "below"     // nothing to do, as the program has it
	StartNotRead StartWord = "not_known" // nobody read the leakage, or the program names no threshold
)

type treatedBefore struct {
	JobID  domain.UUID `json:"job_id"`
	HomeID domain.UUID `json:"home_id"`
	// When it was accepted.
	AcceptedAt string `json:"accepted_at"`
	// How it was found.
	FoundBy string `json:"found_by" validate:"oneof=home street"`
}

// contractorLoad is what a contractor has open.
type contractorLoad struct {
	ContractorID  domain.UUID `json:"contractor_id"`
	Name          string      `json:"name"`
	OpenCount     int         `json:"open_count"`
	AssignedCount int         `json:"assigned_count"`
	InWorkCount   int         `json:"in_work_count"`
	SentInCount   int         `json:"sent_in_count"`
	ReturnedCount int         `json:"returned_count"`
	// Due before today and not sent in.
	OverdueCount int `json:"overdue_count"`
	// Of the open ones, those that another contractor had before.
	ReassignedCount int `json:"reassigned_count"`
	// The next due day of what is not sent in.
	NextDueOn domain.Date `json:"next_due_on,omitzero"`
}

// nothingToDo are homes in which a crew found nothing to seal, of the last two thousand homes sent in.
type nothingToDo struct {
	Count int `json:"count"`
	// Homes in which a crew was and could work.
	N     int      `json:"n"`
	Ratio *float64 `json:"ratio,omitzero"`
	Low   *float64 `json:"ratio_low,omitzero"`
	High  *float64 `json:"ratio_high,omitzero"`
}

// triage answers the homes that wait.
func (d Desk) triage(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	page, after := frame.PageOf(caller, "triage"), domain.UUID{}
	if text := r.Query.Get("after"); text != "" {
		var err error
		if after, err = page.Read(text); err != nil {
			return frame.Answer{}, err
		}
	}
	p, err := triagedb.Read(ctx, d.DB, caller.Program, after, r.Limit())
	if err != nil {
		return frame.Answer{}, err
	}
	a := triageAnswer{AsOfAt: ledger.Stamp(p.AsOfAt), MethodVersion: triage.MethodVersion, Items: []waitingHome{}, Contractors: []contractorLoad{}}
	for i, fact := range domain.PriorityFacts {
		a.Points = append(a.Points, factPoints{fact, p.Points[i]})
	}
	if p.StartFrom > 0 {
		a.StartFromCFM25 = &p.StartFrom
	}
	for i := range p.Homes {
		a.Items = append(a.Items, waitingOf(&p.Homes[i], p.StartFrom))
	}
	if p.More {
		a.Next = page.Write(p.Homes[len(p.Homes)-1].ApplicationID)
	}
	for _, l := range p.Contractors {
		a.Contractors = append(a.Contractors, contractorLoad{l.ContractorID, l.Name, l.Open, l.Assigned, l.InWork, l.SentIn, l.Returned, l.Overdue, l.Reassigned, l.NextDueOn})
	}
	a.NothingToDo, err = nothingOf(p.NothingToDo)
	return frame.Answer{Body: a}, err
}

func waitingOf(w *triagedb.Waiting, startFrom float64) waitingHome {
	h := waitingHome{ApplicationID: w.ApplicationID, HomeID: w.HomeID, Class: w.Class, AppliedOn: w.Application.AppliedOn, WaitingDays: w.WaitingDays,
		PriorityFacts: w.Application.PriorityFacts, FactsMissing: w.Application.PriorityFacts == nil, Points: w.Points, ReadCFM25: w.Application.ReadCFM25,
		Start: StartNotRead, Expected: w.Expected, TreatedBeforeOn: w.Application.TreatedBeforeOn, TreatedBefore: []treatedBefore{}}
	if h.PriorityFacts == nil {
		h.PriorityFacts = []domain.PriorityFact{}
	}
	if read := h.ReadCFM25; read != nil && startFrom > 0 {
		if h.Start = StartReached; *read < startFrom {
			h.Start = StartBelow
		}
	}
	for _, t := range w.Treated {
		by := "home"
		if t.ByStreet {
			by = "street"
		}
		h.TreatedBefore = append(h.TreatedBefore, treatedBefore{t.JobID, t.HomeID, ledger.Stamp(t.AcceptedAt), by})
	}
	return h
}

func nothingOf(v triagedb.Visited) (n nothingToDo, err error) {
	if n = (nothingToDo{Count: v.NothingToDo, N: v.Homes}); n.N == 0 {
		return n, nil
	}
	limits, err := stat.Wilson(n.Count, n.N, .95)
	if err != nil {
		return n, frame.Refused(err)
	}
	ratio := float64(n.Count) / float64(n.N)
	n.Ratio, n.Low, n.High = &ratio, &limits.Low, &limits.High
	return n, nil
}

// triageOperations are what the contract says of the operation of this file.
func triageOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"getTriage": {
			Tag: "Homes and jobs", Summary: "Homes that wait, and what each contractor has open",
			Description: "By the points that the program gives the priority facts of 10 CFR 440.16(b), then by the day of the application: no " +
				"model outranks that. Beside each home stands what sealing is likely to bring, from the last accepted homes alike, with the " +
				"range in which nine of ten of them lay. To assign a home is to make a job for it; to void that job gives the home its place back.",
			Query: frame.PageQuery{},
			Gives: []frame.Gives{{Status: 200, What: "A page.", Body: triageAnswer{}}},
		},
	}
}
