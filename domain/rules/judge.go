package rules

import (
	"cmp"
	"slices"
	"time"

	"ductledger/domain"
)

// Judge says what the rules of a program make of a job. It reads nothing
// but its arguments: the same job and set give the same verdict, byte for
// byte, on a server and under a home.
func Judge(set Set, job *Assembled) Verdict {
	_, v := computeAndJudge(set, job)
	return v
}

// ComputeAndJudge is Compute and Judge at the price of one.
func ComputeAndJudge(set Set, job *Assembled) (Result, Verdict) { return computeAndJudge(set, job) }

func computeAndJudge(set Set, job *Assembled) (Result, Verdict) {
	result := Compute(set, job)
	c := check{job: job, set: &set, result: &result, tallies: make([]RuleOutcomes, len(all))}
	c.wideGap = set.settings[placeOf(wideGapReinforced.Key)].limits[0]
	c.evacuate = set.settings[placeOf(combustionChecked.Key)].limits[1]
	deemed := job.Job.Record.PayBasis == domain.Deemed
	for i, r := range all {
		c.at, c.rule = i, r
		c.tallies[i].Rule = r.Key
		s := &set.settings[i]
		if s.off {
			continue
		}
		c.limits, c.severity, c.missing = s.limits, s.severity, r.Missing
		if deemed && r.Softens {
			if c.severity == MustFix {
				c.severity = Check
			}
			if c.missing == Blocks {
				c.missing = Asks
			}
		}
		r.check(&c)
		if c.tallies[i].Outcomes == (Outcomes{}) {
			c.tallies[i].Outcomes.NotApplicable, c.tallies[i].Because = 1, slices.Clip(s.none)
		}
	}
	c.awaitPictures()
	return result, c.verdict()
}

// verdict puts the findings into the order in which a crew works them off:
// what must be fixed first, then what leaks most, then the order of the work.
func (c *check) verdict() Verdict {
	v := Verdict{Findings: c.found, Rules: c.tallies}
	if v.Findings == nil {
		v.Findings = []Finding{}
	}
	slices.SortStableFunc(v.Findings, func(x, y Finding) int {
		return cmp.Or(
			cmp.Compare(x.Severity.rank(), y.Severity.rank()),
			cmp.Compare(toEnter(x), toEnter(y)),
			cmp.Compare(c.job.way(x), c.job.way(y)),
			cmp.Compare(placeOf(x.Rule), placeOf(y.Rule)),
			slices.CompareFunc(x.Subjects, y.Subjects, compareSubjects),
		)
	})
	v.Counts = countsOf(v.Findings)
	v.Rules = slices.DeleteFunc(v.Rules, func(t RuleOutcomes) bool { return t.Outcomes == (Outcomes{}) })
	return v
}

// toEnter is 1 for what is no more than still to be entered: it comes last.
func toEnter(f Finding) int {
	if f.Severity == Note && f.Outcome == NotRecorded {
		return 1
	}
	return 0
}

// way is the place of a finding on the crew's way: what leaks most first, and
// what is still to be entered in the order of the crawl.
func (a *Assembled) way(f Finding) float64 {
	if toEnter(f) == 1 {
		return a.crawl(f.Subjects[0])
	}
	return float64(a.wayTo(f.Subjects))
}

// crawl is the place of a record on the way of a crew that crawls through one
// section after the other from the front, ft; what belongs to none comes first.
func (a *Assembled) crawl(s domain.Subject) float64 {
	const section, unknown = 1000.0, 500.0 // ft, both longer than any home
	at := func(in domain.Section, ft *float64) float64 {
		if ft == nil {
			return section*float64(1+place(in)) + unknown
		}
		return section*float64(1+place(in)) + *ft
	}
	switch r := a.record(s).(type) {
	case *domain.Component:
		switch {
		case r.Component == domain.Trunk || r.Component == domain.TrunkEnd && r.End == domain.Front:
			return at(r.Section, new(0.0))
		case r.PositionFt == nil && (r.Component == domain.FurnaceJoint || r.Component == domain.SupplyCollar) && r.Section == a.home().FurnaceSection:
			return at(r.Section, a.home().FurnacePositionFt)
		}
		return at(r.Section, r.PositionFt)
	case *domain.Crossover:
		return at(r.FromSection, nil)
	case *domain.Opening:
		return at(r.Section, r.PositionFt)
	case *domain.Repair:
		if r.CrossoverID != nil {
			return a.crawl(domain.Subject{Kind: domain.CrossoverKind, ID: *r.CrossoverID})
		}
		if len(r.ComponentIDs) > 0 {
			return a.crawl(domain.Subject{Kind: domain.ComponentKind, ID: r.ComponentIDs[0]})
		}
	}
	return 0
}

func countsOf(findings []Finding) (n Counts) {
	for _, f := range findings {
		switch {
		case f.Outcome == NotRecorded:
			n.NotRecorded++
		case f.Severity == MustFix:
			n.MustFix++
		case f.Severity == Check:
			n.Check++
		default:
			n.Note++
		}
	}
	return n
}

func (s Severity) rank() int {
	switch s {
	case MustFix:
		return 0
	case Check:
		return 1
	}
	return 2
}

func compareSubjects(x, y domain.Subject) int {
	return cmp.Or(cmp.Compare(x.Kind.Rank(), y.Kind.Rank()), x.ID.Compare(y.ID))
}

// wayTo is the place of a finding on the crew's way, what leaks most first:
// furnace joint, crossover, trunk ends, boots, the rest.
func (a *Assembled) wayTo(subjects []domain.Subject) int {
	const furnace, crossover, ends, boots, rest = 0, 1, 2, 3, 4
	least := rest
	for _, s := range subjects {
		way := rest
		switch r := a.record(s).(type) {
		case *domain.Crossover:
			way = crossover
		case *domain.Component:
			switch r.Component {
			case domain.FurnaceJoint, domain.SupplyCollar:
				way = furnace
			case domain.TrunkEnd:
				way = ends
			case domain.Boot, domain.Riser:
				way = boots
			}
		case *domain.Repair:
			switch r.Repair {
			case domain.RepairFurnaceJoint, domain.RepairSupplyCollar:
				way = furnace
			case domain.RepairCrossover:
				way = crossover
			case domain.RepairTrunkEnd:
				way = ends
			case domain.RepairBoot, domain.RepairRiser:
				way = boots
			}
		case *domain.Opening:
			if r.Target != nil && r.Target.Kind != domain.OpeningKind {
				way = a.wayTo([]domain.Subject{*r.Target})
			}
		}
		least = min(least, way)
	}
	return least
}

// CallBackVerdict is what the rules make of the work after one call-back. What
// was accepted before keeps its own verdict.
type CallBackVerdict struct {
	CallBackID domain.UUID `json:"call_back_id"`
	RuleSetID  domain.UUID `json:"rule_set_id"`
	WorkedOn   domain.Date `json:"worked_on"` // its first visit's day, by whose rules it is judged
	Findings   []Finding   `json:"findings"`
	Counts     Counts      `json:"counts"`
}

// JudgeCallBacks judges the work after each call-back that was visited, by the
// rule set in force on the day of its first visit. A finding is of that work
// when it names a visit of the call-back, or a record made on one of its days.
func JudgeCallBacks(setOn func(domain.Date) Set, a *Assembled) []CallBackVerdict {
	verdicts := []CallBackVerdict{}
	for _, call := range a.CallBacks {
		days := a.daysOf(call.ID)
		if len(days) == 0 {
			continue
		}
		set := setOn(days[0])
		v := Judge(set, a)
		v.Findings = slices.DeleteFunc(v.Findings, func(f Finding) bool {
			return !slices.ContainsFunc(f.Subjects, func(s domain.Subject) bool { return a.madeOn(s, call.ID, days) })
		})
		verdicts = append(verdicts, CallBackVerdict{call.ID, set.ID, days[0], v.Findings, countsOf(v.Findings)})
	}
	return verdicts
}

// daysOf are the days of a call-back's visits, in order.
func (a *Assembled) daysOf(call domain.UUID) (days []domain.Date) {
	for _, v := range a.Visits {
		if v.Record.CallBackID != nil && *v.Record.CallBackID == call {
			days = append(days, v.Record.VisitedOn)
		}
	}
	slices.Sort(days)
	return slices.Compact(days)
}

// madeOn tells whether a record belongs to a call-back's visits.
func (a *Assembled) madeOn(s domain.Subject, call domain.UUID, days []domain.Date) bool {
	on := func(moments ...*time.Time) bool {
		return slices.ContainsFunc(moments, func(t *time.Time) bool { return t != nil && slices.Contains(days, a.Day(*t)) })
	}
	switch r := a.record(s).(type) {
	case *domain.Visit:
		return r.CallBackID != nil && *r.CallBackID == call
	case *domain.Repair:
		return on(&r.DoneAt)
	case *domain.Opening:
		return on(r.MadeAt, r.ClosedAt)
	case *domain.Crossover:
		return on(r.TakenDownAt)
	case *domain.EnergyIsolation:
		return on(r.IsolatedAt, r.ReleasedAt)
	case *domain.Measurement:
		return on(&r.TakenAt)
	case *domain.Photo:
		return on(&r.TakenAt)
	case *domain.Component:
		return on(r.StatedAt)
	}
	return false
}

// Shown is what a job shows of itself, whatever it claims: what is paid rests
// on it, and who reads the result sees what was said in one statement.
type Shown struct {
	Work       bool             `json:"work"`                // a visit, a record of work done and a photo
	Trip       bool             `json:"trip"`                // a visit, a coded reason for which work was put off and a photo
	Statements []PartsStatement `json:"statements,omitzero"` // what a crew said once of many parts
}

// PartsStatement is what a crew said once of many parts.
type PartsStatement struct {
	ComponentID domain.UUID          `json:"component_id"`
	Component   domain.ComponentSort `json:"component"` // the sort of the parts
	Section     domain.Section       `json:"section,omitzero"`
	Numbers     []int                `json:"numbers" validate:"dive,gte=1,lte=99"`
	Found       domain.Found         `json:"found,omitzero"`      // the state in which they were found
	RepairIDs   []domain.UUID        `json:"repair_ids,omitzero"` // the repairs that cover them
	MemberID    *domain.UUID         `json:"member_id,omitzero"`  // who said it
	StatedAt    *time.Time           `json:"stated_at,omitzero"`  // when it was said
}

func (a *Assembled) shown() Shown {
	came := len(a.Visits) > 0 && len(a.Photos) > 0
	s := Shown{Work: came && a.workShown(), Trip: came && len(a.Job.Record.DeferCodes) > 0}
	for _, c := range a.Components {
		r := c.Record
		if len(r.Numbers) == 0 {
			continue
		}
		said := PartsStatement{ComponentID: c.ID, Component: r.Component, Section: r.Section, Numbers: r.Numbers, Found: r.Found, MemberID: r.MemberID, StatedAt: r.StatedAt}
		for repair := range a.repairsOf(c.ID) {
			said.RepairIDs = append(said.RepairIDs, repair.ID)
		}
		s.Statements = append(s.Statements, said)
	}
	return s
}

func (a *Assembled) workShown() bool {
	return a.sealing() || slices.ContainsFunc(a.Openings, func(o Of[domain.Opening]) bool { return o.Record.In == domain.InDuct && closed(o.Record) })
}

// Item is one record of a body that holds a whole job.
type Item struct {
	Kind   domain.Kind   `json:"kind"`
	ID     domain.UUID   `json:"id"`
	Record domain.Record `json:"record"`
}

// Evaluation is a whole job in one body, with its home, contractor, crew,
// credentials and instruments: judged and computed, nothing stored.
type Evaluation struct {
	// The day whose rule set is used.
	RulesOn domain.Date `json:"rules_on"`
	Items   []Item      `json:"items" validate:"min=1,max=500,dive"`
}

// AssembleItems is Assemble for a body with one job. Refused: none or several
// jobs, and what Assemble refuses.
func AssembleItems(zone *time.Location, items []Item) (*Assembled, error) {
	var jobID domain.UUID
	jobs := 0
	entries := make([]domain.Entry, len(items))
	for i, item := range items {
		entries[i] = domain.Entry{Kind: item.Kind, ID: item.ID, Record: item.Record}
		if item.Kind == domain.JobKind {
			jobs++
			jobID = item.ID
		}
	}
	if jobs != 1 {
		return nil, domain.At("/items", domain.Invalid, "items hold %d jobs, exactly 1 is expected", jobs)
	}
	return Assemble(jobID, entries, Outside{Zone: zone})
}
