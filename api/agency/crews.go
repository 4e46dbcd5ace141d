package agency

import (
	"context"
	"strconv"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/crews"
	"ductledger/domain/ledger"
	crewsdb "ductledger/storage/crews"
)

// Who may lead on a day, by contractor and name.
type leadsAnswer struct {
	// The day.
	On    domain.Date  `json:"on"`
	Crews []crews.Lead `json:"crews"`
}

type leadsQuery struct {
	// The day; today without.
	On domain.Date `json:"on,omitzero"`
	// Only what is this contractor's.
	ContractorID domain.UUID `json:"contractor_id,omitzero"`
	// A certificate that lapses within so many days asks for training.
	SoonDays int `json:"soon_days,omitzero" validate:"omitempty,gte=0,lte=400" default:"60"`
}

// leads answers who may lead.
func (d Desk) leads(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	ask := crewsdb.Ask{On: domain.Date(r.Query.Get("on")), SoonDays: 60}
	if text := r.Query.Get("contractor_id"); text != "" {
		id, err := domain.ParseUUID(text)
		if err != nil {
			return frame.Answer{}, err
		}
		ask.ContractorID = id
	}
	if text := r.Query.Get("soon_days"); text != "" {
		days, err := strconv.Atoi(text)
		if err != nil {
			return frame.Answer{}, domain.At("/soon_days", domain.BadQuery, "soon_days: %q is no whole number of days", text)
		}
		ask.SoonDays = days
	}
	found, err := crewsdb.ReadLeads(ctx, d.DB, caller.Program, ask)
	if err != nil {
		return frame.Answer{}, err
	}
	a := leadsAnswer{On: found.On, Crews: found.Crews}
	if a.Crews == nil {
		a.Crews = []crews.Lead{}
	}
	return frame.Answer{Body: a}, nil
}

// What to teach next, from jobs first accepted in the period.
type needsAnswer struct {
	periodHead
	// What inspectors found, by crew. Staff alone read it.
	Crews []crews.Crew `json:"crews"`
	// The same by crew member, where all repairs that a rule is about name this one. Staff alone read it.
	Members []crews.TaughtMember `json:"members"`
	// Judgments of inspectors that name no member, home by home: of rules that are about no repair, or about repairs that name
	// nobody or several. Who was there beside others is named for nothing.
	WithoutMember int `json:"judged_without_member_count"`
	// The same of the whole program, by nobody's name.
	ByInspectors []crews.ProgramTopic `json:"program_by_inspectors"`
	// What crews recorded of themselves and did not mend before the acceptance: topics for all, and against nobody.
	ByRecords []crews.ProgramTopic `json:"program_by_records"`
}

// needs answers what to teach next.
func (d Desk) needs(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	from, before := periodOf(r)
	n, err := crewsdb.ReadNeeds(ctx, d.DB, caller.Program, from, before, r.Position())
	if err != nil {
		return frame.Answer{}, frame.Refused(err)
	}
	return frame.Answer{Body: needsAnswer{periodHead{from, before, ledger.Stamp(n.AsOfAt), n.Position, crews.MethodVersion}, n.Crews, n.Members, n.Unnamed, n.ByInspectors, n.ByRecords}}, nil
}

// Lessons held in the period, oldest first, and whether they helped.
type lessonsAnswer struct {
	periodHead
	Lessons []lessonAnswer `json:"lessons"`
}

// lessonAnswer is one lesson of one crew lead.
type lessonAnswer struct {
	TrainingEventID domain.UUID `json:"training_event_id"`
	HeldOn          domain.Date `json:"held_on"`
	// Keys of the rules that it was about.
	Rules        []string    `json:"rules"`
	CrewMemberID domain.UUID `json:"crew_member_id"`
	Name         string      `json:"name"`
	ContractorID domain.UUID `json:"contractor_id"`
	// By what inspectors found in the crew's homes.
	ByInspectors crews.Effect `json:"by_inspectors"`
	// By what the crew recorded itself: more homes, and only as candid as the crew.
	ByRecords crews.Effect `json:"by_records"`
}

// lessons answers whether lessons helped.
func (d Desk) lessons(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	from, before := periodOf(r)
	l, err := crewsdb.ReadLessons(ctx, d.DB, caller.Program, from, before, r.Position())
	if err != nil {
		return frame.Answer{}, frame.Refused(err)
	}
	a := lessonsAnswer{periodHead{from, before, ledger.Stamp(l.AsOfAt), l.Position, crews.MethodVersion}, []lessonAnswer{}}
	for _, held := range l.Lessons {
		rules := held.Event.Rules
		if rules == nil {
			rules = []string{}
		}
		a.Lessons = append(a.Lessons, lessonAnswer{held.TrainingEventID, held.Event.HeldOn, rules, held.Event.CrewMemberID, held.Name, held.ContractorID,
			held.ByInspectors, held.ByRecords})
	}
	return frame.Answer{Body: a}, nil
}

// crewsOperations are what the contract says of the operations of this file.
func crewsOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"listLeads": {
			Tag: "Program", Summary: "Who may lead on a day",
			Description: "Every crew member with certificate, license and homes led: whether each may lead, what speaks against it, and whose " +
				"certificate soon asks for training.",
			Query: leadsQuery{},
			Gives: []frame.Gives{{Status: 200, What: "The crew members.", Body: leadsAnswer{}}},
		},
		"getTrainingNeeds": {
			Tag: "Performance", Summary: "What to teach next",
			Description: "From what inspectors found after the work, each crew beside the others, with exact limits and false discoveries " +
				"controlled: rules that were broken, and readings that are lower than the inspectors'. By crew member only where the repairs " +
				"name one. What was mended on site counts against nobody, nor does what a crew recorded of itself: that names topics of the " +
				"whole program.",
			Query: periodPositionQuery{},
			Gives: []frame.Gives{{Status: 200, What: "The topics.", Body: needsAnswer{}}},
		},
		"listLessons": {
			Tag: "Performance", Summary: "Whether lessons helped",
			Description: "Each lesson of a crew lead held in the period: the last ten homes before and the first ten after, in which one of its " +
				"rules was judged, beside the homes that crews without such a lesson did in the same weeks, with interval.",
			Query: periodPositionQuery{},
			Gives: []frame.Gives{{Status: 200, What: "The lessons.", Body: lessonsAnswer{}}},
		},
	}
}
