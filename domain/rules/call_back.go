package rules

import (
	"slices"
	"time"

	"ductledger/domain"
)

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
