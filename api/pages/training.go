package pages

import (
	"context"
	"fmt"
	"time"

	"ductledger/api/pages/chart"
	"ductledger/domain"
	"ductledger/domain/performance"
)

// A topic is a rule with how often it was found broken.
type topic struct {
	Rule   string   `json:"rule"`
	Judged int      `json:"judged_count"`
	Broken int      `json:"broken_count"`
	Ratio  float64  `json:"broken_ratio"`
	Low    float64  `json:"broken_ratio_low"`
	High   float64  `json:"broken_ratio_high"`
	Others *float64 `json:"others_broken_ratio"`
	Listed bool     `json:"listed"`
}

// Title is the rule's in the crew's words.
func (t topic) Title() string { return firstOf(ruleTitles[t.Rule], Plain(t.Rule)) }

// sides are homes with a broken rule of a lesson, before and after it.
type sides struct {
	Before       int `json:"before_count"`
	BeforeBroken int `json:"before_broken_count"`
	After        int `json:"after_count"`
	AfterBroken  int `json:"after_broken_count"`
}

// A lessonEffect is whether a lesson helped, against crews that had none.
type lessonEffect struct {
	Own    sides    `json:"own"`
	Others sides    `json:"others"`
	Change *float64 `json:"change_ratio"`
	Low    *float64 `json:"change_ratio_low"`
	High   *float64 `json:"change_ratio_high"`
	Shown  string   `json:"shown"`
	Reason string   `json:"reason"`
}

type lesson struct {
	HeldOn      domain.Date  `json:"held_on"`
	Rules       []string     `json:"rules"`
	Name        string       `json:"name"`
	ByInspector lessonEffect `json:"by_inspectors"`
	ByRecords   lessonEffect `json:"by_records"`
}

// Topics are the titles of its rules.
func (l lesson) Topics() (list []string) {
	for _, rule := range l.Rules {
		list = append(list, firstOf(ruleTitles[rule], Plain(rule)))
	}
	return list
}

// A taught is a crew or a crew member with its topics.
type taught struct {
	ContractorID domain.UUID `json:"contractor_id"`
	Contractor   string      `json:"contractor_name"`
	Name         string      `json:"name"`
	Judged       int         `json:"judged_count"`
	Topics       []topic     `json:"topics"`
	Reading      struct {
		N      int      `json:"n"`
		Ratio  *float64 `json:"ratio"`
		Low    *float64 `json:"ratio_low"`
		High   *float64 `json:"ratio_high"`
		Others *float64 `json:"others_ratio"`
		Listed bool     `json:"listed"`
	} `json:"inspector_over_crew"`
}

type trainingShown struct {
	From, Before            string
	Periods                 []periodShown
	Crews, Members          []taught
	Without                 int // judgments that name no member
	ByInspectors, ByRecords []topic
	Lessons                 []lesson
	People                  []named
	Rules                   []ruleChoice
	ID                      domain.UUID
}

type ruleChoice struct{ Key, Title string }

// training shows whom to teach what next, and whether the last lessons helped.
func (p *Pages) training(ctx context.Context, v *Visit) (Page, error) {
	from, before := period(v)
	s := trainingShown{From: from, Before: before, Periods: periods(v), ID: newID()}
	query := fmt.Sprintf("?from=%s&before=%s", from, before)
	var needs struct {
		AsOfAt       time.Time `json:"as_of_at"`
		Crews        []taught  `json:"crews"`
		Members      []taught  `json:"members"`
		Without      int       `json:"judged_without_member_count"`
		ByInspectors []topic   `json:"program_by_inspectors"`
		ByRecords    []topic   `json:"program_by_records"`
	}
	if err := v.Get(ctx, "/v1/training-needs"+query, &needs); err != nil {
		return Page{}, err
	}
	s.Crews, s.Members, s.Without = needs.Crews, needs.Members, needs.Without
	s.ByInspectors, s.ByRecords = needs.ByInspectors, needs.ByRecords
	var held struct {
		Lessons []lesson `json:"lessons"`
	}
	if err := v.Get(ctx, "/v1/lessons"+query, &held); err != nil {
		return Page{}, err
	}
	s.Lessons = held.Lessons
	listed, table := 0, &Table{Name: "training", Columns: []string{"of", "contractor_name", "name", "rule", "judged_count", "broken_count", "broken_ratio", "others_broken_ratio", "listed"}}
	for _, of := range []struct {
		words string
		list  []taught
	}{{"crew", s.Crews}, {"member", s.Members}} {
		for _, c := range of.list {
			for _, t := range c.Topics {
				if t.Listed {
					listed++
				}
				others := ""
				if t.Others != nil {
					others = fmt.Sprint(*t.Others)
				}
				table.Rows = append(table.Rows, []string{of.words, c.Contractor, c.Name, t.Rule, fmt.Sprint(t.Judged), fmt.Sprint(t.Broken), fmt.Sprint(t.Ratio), others, fmt.Sprint(t.Listed)})
			}
			if c.Reading.Listed {
				listed++
			}
		}
	}
	lead := "Inspectors found nothing that one crew does worse than the others, beyond luck."
	judged := 0
	for _, c := range s.Crews {
		judged += c.Judged
	}
	switch {
	case judged == 0:
		lead = "No crew’s work was judged by an inspector in the period: what one does worse than the others is not known."
	case listed > 0:
		lead = sentence(Count(listed, "topic is", "topics are") + " worse in one crew or with one member than in the others, beyond luck: teach these next")
	}
	firms, _, err := contractors(ctx, v)
	if err != nil {
		return Page{}, err
	}
	members, _, err := All[record[domain.CrewMember]](ctx, v, "/v1/crew-members", most)
	if err != nil {
		return Page{}, err
	}
	for _, m := range members {
		if m.Record.LeftOn == "" {
			s.People = append(s.People, named{m.ID, m.Record.Name + ", " + firms[m.Record.ContractorID]})
		}
	}
	for _, rule := range ruleOrder {
		s.Rules = append(s.Rules, ruleChoice{rule, ruleTitles[rule]})
	}
	return Page{Title: "Training", Under: "Contractors", Quiet: fmt.Sprintf("%s to %s", Day(from, v.Zone), Day(lastDay(before), v.Zone)), Lead: lead, AsOf: needs.AsOfAt,
		Rows: len(table.Rows), Data: "/v1/training-needs" + query, Table: table, Body: "training", With: s}, nil
}

// lessonSave records a lesson that somebody had.
func (p *Pages) lessonSave(ctx context.Context, v *Visit) (Page, error) {
	event := domain.TrainingEvent{CrewMemberID: idOf(v.Form.Get("crew_member_id")), HeldOn: domain.Date(v.Form.Get("held_on")), Topic: v.Form.Get("topic"),
		Rules: v.Form["rule"], TrainerName: v.Caller.Name}
	if err := v.Send(ctx, "PUT", "/v1/training-events/"+idOf(v.Form.Get("id")).String(), event, nil); err != nil {
		page, pageErr := p.training(ctx, v)
		if pageErr != nil {
			return Page{}, pageErr
		}
		return refusedForm(page, err)
	}
	return Page{Location: "/staff/training"}, nil
}

// An effectShown is what a kind of repair brings, with its small picture.
type effectShown struct {
	performance.RepairEffect
	Picture *chart.Picture
}

type repairsShown struct {
	From, Before          string
	Periods               []periodShown
	Between, Whole        []effectShown
	JobsCount, UsedCount  int
	LeftOut, PairsLeftOut []performance.LeftOut
}

// repairs shows what each kind of repair brings.
func (p *Pages) repairs(ctx context.Context, v *Visit) (Page, error) {
	from, before := period(v)
	address := fmt.Sprintf("/v1/repair-effects?from=%s&before=%s", from, before)
	var a struct {
		AsOfAt       time.Time                  `json:"as_of_at"`
		JobsCount    int                        `json:"jobs_count"`
		UsedCount    int                        `json:"used_count"`
		LeftOut      []performance.LeftOut      `json:"left_out"`
		PairsLeftOut []performance.LeftOut      `json:"pairs_left_out"`
		Effects      []performance.RepairEffect `json:"repair_effects"`
	}
	if err := v.Get(ctx, address, &a); err != nil {
		return Page{}, err
	}
	s := repairsShown{From: from, Before: before, Periods: periods(v), JobsCount: a.JobsCount, UsedCount: a.UsedCount, LeftOut: a.LeftOut, PairsLeftOut: a.PairsLeftOut}
	for _, e := range a.Effects {
		if e.HomeClass != "" {
			continue // homes of one class stand in the data
		}
		if e.Basis == performance.BasisInterim {
			s.Between = append(s.Between, effectShown{RepairEffect: e})
		} else {
			s.Whole = append(s.Whole, effectShown{RepairEffect: e})
		}
	}
	low, high := 0.0, 1.0
	for _, e := range s.Between {
		if e.Low != nil && e.High != nil {
			low, high = min(low, *e.Low), max(high, *e.High)
		}
	}
	for i := range s.Between {
		if e := &s.Between[i]; e.Median != nil && e.Low != nil && e.High != nil {
			pic := chart.Range{Value: *e.Median, Low: *e.Low, High: *e.High, Scale: [2]float64{low, high},
				Label: fmt.Sprintf("%s: %s cfm at 25 Pa, between %s and %s", Plain(e.RepairType), Number(*e.Median, 0), Number(*e.Low, 0), Number(*e.High, 0))}.Draw()
			e.Picture = &pic
		}
	}
	told := 0
	for _, e := range s.Between {
		if e.Median != nil {
			told++
		}
	}
	lead := "No kind of repair was read alone often enough: what one brings cannot be told from the others."
	if told > 0 {
		lead = fmt.Sprintf("What %s alone is known: each was read right before and right after.", CountWords(told, "kind of repair brings", "kinds of repair bring"))
	}
	return Page{Title: "What repairs bring", Under: "Contractors", Quiet: fmt.Sprintf("%s to %s", Day(from, v.Zone), Day(lastDay(before), v.Zone)), Lead: lead, AsOf: a.AsOfAt,
		Rows: len(s.Between) + len(s.Whole), Data: address, Table: effectsTable(a.Effects), Body: "repairs", With: s}, nil
}

func effectsTable(effects []performance.RepairEffect) *Table {
	t := &Table{Name: "repair-effects", Columns: []string{"repair_type", "home_class", "basis", "n", "reduction_cfm25", "reduction_cfm25_low", "reduction_cfm25_high",
		"whole_job_reduction_cfm25", "whole_job_reduction_cfm25_low", "whole_job_reduction_cfm25_high", "reason"}}
	text := func(f *float64) string {
		if f == nil {
			return ""
		}
		return fmt.Sprint(*f)
	}
	for _, e := range effects {
		t.Rows = append(t.Rows, []string{e.RepairType, e.HomeClass, e.Basis, fmt.Sprint(e.N), text(e.Median), text(e.Low), text(e.High), text(e.JobMedian), text(e.JobLow), text(e.JobHigh), e.Reason})
	}
	return t
}
