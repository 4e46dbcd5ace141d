package api_test

import (
	"slices"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/storagetest"
)

type preview struct {
	Position int64
	Totals   *struct {
		Jobs          int `json:"jobs_count"`
		Changed       int `json:"changed_count"`
		NotAcceptable int `json:"not_acceptable_count"`
		Rules         []struct {
			Rule          string
			Changed       int `json:"changed_count"`
			Before, After map[string]int
		}
	}
	Items []struct {
		JobID     string `json:"job_id"`
		RuleSetID string `json:"rule_set_id"`
		Before    struct {
			MustFix int `json:"must_fix_count"`
			Check   int `json:"check_count"`
			Open    int `json:"open_count"`
		}
		After struct {
			MustFix int `json:"must_fix_count"`
			Check   int `json:"check_count"`
			Open    int `json:"open_count"`
		}
		Gone, Come []finding
	}
	Next string
}

func previewed(a *apitest.API, set domain.UUID, query string) (p preview) {
	a.T.Helper()
	a.Do(domain.Staff, "GET", "/v1/rule-sets/"+set.String()+"/preview?from=2026-10-01&before=2026-11-01"+query, nil).Want(200).Into(&p)
	return p
}

func (p *preview) rule(key string) (changed int, before, after map[string]int) {
	for _, r := range p.Totals.Rules {
		if r.Rule == key {
			return r.Changed, r.Before, r.After
		}
	}
	return -1, nil, nil
}

// What a coming set would have made of accepted jobs: the one that differs is
// named with what comes and goes, the one that does not is counted. Work that
// came after the acceptance changes nothing, and nothing is stored.
func TestPreviewOfAComingRuleSet(t *testing.T) {
	t.Parallel()
	a, _ := serve(t) // 2026-10-15
	clean := accepted(a, a.World, a.Tokens)
	asked := invent(a, a.World, threeScrews)
	asked.sendIn(a, a.Tokens)
	f := findingsOf(a, asked.Job)[0]
	must(a, a.Tokens[domain.Staff], asked.review(domain.Answer, func(r *domain.Review) {
		r.Finding = &domain.FindingRef{Rule: f.Rule, Subjects: f.Subjects}
	}), asked.review(domain.Accept))
	open := invent(a, a.World, threeScrews) // not accepted: not counted
	open.sendIn(a, a.Tokens)
	const rule = "crossover_collar_screws"
	off := true
	set := func(day string, s domain.RuleSetting) domain.UUID {
		s.Rule = rule
		return ruleSet(a, domain.RuleSet{Name: "coming " + day, FromOn: domain.Date(day), Rules: []domain.RuleSetting{s}})
	}
	stricter := set("2026-11-01", domain.RuleSetting{Severity: "must_fix"})
	without := set("2026-11-02", domain.RuleSetting{Off: &off})
	more := set("2026-11-03", domain.RuleSetting{Severity: "note", Parameters: map[string]float64{"fasteners_count": 6}})
	same := ruleSet(a, domain.RuleSet{Name: "the same", FromOn: "2026-11-04"})
	inspected := ruleSet(a, domain.RuleSet{Name: "inspected", FromOn: "2026-11-05", AcceptNeeds: "final_inspection"})
	late := clean.ids(domain.MeasurementKind)[1]
	a.Do(domain.Staff, "POST", "/v1/measurements/"+late.String()+"/void", object{"reason": "the wrong ring"}, "If-Match", `"1"`).Want(200)

	unmoved(a, func() {
		p := previewed(a, stricter, "")
		changed, before, after := p.rule(rule)
		if p.Totals.Jobs != 2 || p.Totals.Changed != 1 || p.Totals.NotAcceptable != 1 || changed != 1 || before["broken"] != 1 || after["broken"] != 1 || before["holds"] != after["holds"] {
			t.Errorf("stricter: %+v, %v %v", p.Totals.Jobs, before, after)
		}
		if len(p.Items) != 1 || p.Items[0].JobID != asked.Job.String() || p.Items[0].Before.Check != 1 || p.Items[0].Before.Open != 0 ||
			p.Items[0].After.MustFix != 1 || p.Items[0].After.Open != 1 || len(p.Items[0].Gone) != 1 || len(p.Items[0].Come) != 1 || p.Items[0].Come[0].Severity != "must_fix" {
			t.Errorf("stricter: %+v", p.Items)
		}
		p = previewed(a, without, "")
		if _, before, after = p.rule(rule); p.Totals.Changed != 1 || p.Totals.NotAcceptable != 0 || before["broken"] != 1 || after["broken"] != 0 || len(p.Items[0].Gone) != 1 || len(p.Items[0].Come) != 0 {
			t.Errorf("off: %+v %v %v", p.Items, before, after)
		}
		if p = previewed(a, same, ""); p.Totals.Jobs != 2 || p.Totals.Changed != 0 || len(p.Items) != 0 {
			t.Errorf("the same: %+v %+v", p.Totals, p.Items)
		}
		if p = previewed(a, inspected, ""); p.Totals.Changed != 2 || p.Totals.NotAcceptable != 2 || len(p.Items[0].Gone)+len(p.Items[0].Come) != 0 {
			t.Errorf("inspected: %+v %+v", p.Totals, p.Items)
		}
		first := previewed(a, more, "&limit=1")
		if first.Totals.Changed != 2 || len(first.Items) != 1 || first.Next == "" {
			t.Fatalf("first page: %+v", first)
		}
		second := previewed(a, more, "&limit=1&after="+first.Next)
		if second.Totals != nil || len(second.Items) != 1 || second.Next != "" {
			t.Fatalf("second page: %+v", second)
		}
		jobs := []string{first.Items[0].JobID, second.Items[0].JobID}
		want := []string{clean.Job.String(), asked.Job.String()}
		slices.Sort(want)
		if !slices.Equal(jobs, want) {
			t.Errorf("pages name %v, want %v", jobs, want)
		}
		a.Do(domain.Staff, "GET", "/v1/rule-sets/"+same.String()+"/preview?from=2026-10-01&before=2026-11-01&after="+first.Next, nil).Want(400)
		a.Do(domain.Staff, "GET", "/v1/rule-sets/"+storagetest.ID().String()+"/preview?from=2026-10-01&before=2026-11-01", nil).Want(404)
		a.Do(domain.Staff, "GET", "/v1/rule-sets/"+same.String()+"/preview?from=2026-11-01&before=2026-10-01", nil).Want(400)
		var none preview
		a.Do(domain.Admin, "GET", "/v1/rule-sets/"+stricter.String()+"/preview?from=2026-09-01&before=2026-10-01", nil).Want(200).Into(&none)
		if none.Totals.Jobs != 0 || len(none.Items) != 0 {
			t.Errorf("a period without jobs: %+v", none)
		}
	}, a.Tokens[domain.Staff])
	for _, x := range []*invented{clean, asked} {
		if stateOf(a, x.Job) != "accepted" {
			t.Error("a preview moved a job")
		}
	}
}

// The set by which a job was accepted finds in it what was frozen, and another
// program sees neither set nor jobs.
func TestPreviewByTheSetItself(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	accepted(a, a.World, a.Tokens)
	var sets struct{ Items []entry }
	a.Do(domain.Staff, "GET", "/v1/rule-sets", nil).Want(200).Into(&sets)
	p := previewed(a, parsedID(t, sets.Items[0].ID), "")
	if p.Totals.Jobs != 1 || p.Totals.Changed != 0 || p.Totals.NotAcceptable != 0 {
		t.Errorf("%+v %+v", p.Totals, p.Items)
	}
	_, other := a.Program(t)
	a.Send(other[domain.Staff], "GET", "/v1/rule-sets/"+sets.Items[0].ID+"/preview?from=2026-10-01&before=2026-11-01", nil).Want(404)
}

func parsedID(t testing.TB, text string) domain.UUID {
	t.Helper()
	id, err := domain.ParseUUID(text)
	if err != nil {
		t.Fatal(err)
	}
	return id
}
