package pages

import (
	"context"
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/rules"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// A difference is one member of a rule set that stands otherwise than before.
type difference struct{ What, Before, After string }

type ruleSet struct {
	record[domain.RuleSet]
	InForce bool
}

type rulesShown struct {
	Sets    []ruleSet
	Current ruleSet
	Prices  []priceShown
	Rules   []ruleShown
	ID      domain.UUID
	Name    string
	FromOn  string
}

// A ruleShown is a rule with what the form offers to change: whether it stops an
// acceptance, and its limits.
type ruleShown struct {
	rules.Page
	Weight string // must_fix, check, note or off
	Limits []limitShown
}

// A limitShown is a limit of a rule, with its bounds.
type limitShown struct {
	Field, Words, Value string
	rules.Parameter
}

// ruleForm are the rules as a set has them, or as they were typed.
func ruleForm(v *Visit, id domain.UUID, set *domain.RuleSet) ([]ruleShown, error) {
	made, faults := rules.NewSet(id, set)
	if len(faults) > 0 {
		return nil, domain.InvalidFields(faults)
	}
	var list []ruleShown
	for _, page := range rules.Pages(made) {
		r := ruleShown{Page: page, Weight: string(page.Severity)}
		if page.Off {
			r.Weight = "off"
		}
		r.Weight = firstOf(v.Form.Get("weight_"+page.Key), r.Weight)
		for _, p := range page.Parameters {
			field := "limit_" + page.Key + "." + p.Name
			r.Limits = append(r.Limits, limitShown{field, fieldWords(p.Name), firstOf(v.Form.Get(field), strconv.FormatFloat(p.Value, 'f', -1, 64)), p.Parameter})
		}
		list = append(list, r)
	}
	return list, nil
}

// typedRules are the settings of rules with what was typed; a rule that stands as
// before keeps its setting, one that stands as every program has it needs none.
func typedRules(v *Visit, id domain.UUID, set *domain.RuleSet) (settings []domain.RuleSetting, faults []domain.Fault, err error) {
	list, err := ruleForm(v, id, set)
	if err != nil {
		return nil, nil, err
	}
	before := map[string]domain.RuleSetting{}
	for _, s := range set.Rules {
		before[s.Rule] = s
	}
	usual := map[string]rules.Page{}
	for _, page := range rules.Pages(rules.DefaultSet()) {
		usual[page.Key] = page
	}
	for i := range list {
		r := &list[i]
		s, same := domain.RuleSetting{Rule: r.Key}, r.Weight == "off" == r.Off && (r.Off || r.Weight == string(r.Severity))
		if r.Weight == "off" {
			yes := true
			s.Off = &yes
		} else if r.Weight != string(usual[r.Key].Severity) {
			s.Severity = r.Weight
		}
		for n, l := range r.Limits {
			value, err := strconv.ParseFloat(l.Value, 64)
			if err != nil || value < l.Low || value > l.High {
				faults = append(faults, domain.Fault{Pointer: "/" + r.Title + ", " + l.Words, Detail: fmt.Sprintf("from %s to %s %s", strconv.FormatFloat(l.Low, 'f', -1, 64), strconv.FormatFloat(l.High, 'f', -1, 64), l.Unit), Fix: "choose a value between them"})
				continue
			}
			same = same && value == r.Parameters[n].Value
			if value != l.Default {
				if s.Parameters == nil {
					s.Parameters = map[string]float64{}
				}
				s.Parameters[l.Name] = value
			}
		}
		switch old, had := before[r.Key]; {
		case same && had:
			settings = append(settings, old)
		case s.Off != nil || s.Severity != "" || s.Parameters != nil:
			settings = append(settings, s)
		}
	}
	return settings, faults, nil
}

type priceShown struct {
	Field, What, Dollars string
}

// ruleSets are the program's, the newest first, and which is in force today.
func ruleSets(ctx context.Context, v *Visit) (sets []ruleSet, current int, err error) {
	all, _, err := All[record[domain.RuleSet]](ctx, v, "/v1/rule-sets", most)
	if err != nil {
		return nil, 0, err
	}
	sort.Slice(all, func(i, j int) bool { return all[i].Record.FromOn > all[j].Record.FromOn })
	today, current := domain.Date(v.Now.In(v.Zone).Format(time.DateOnly)), -1
	for i, s := range all {
		sets = append(sets, ruleSet{record: s})
		if current < 0 && s.Record.FromOn <= today {
			current, sets[i].InForce = i, true
		}
	}
	return sets, current, nil
}

func (p *Pages) rules(ctx context.Context, v *Visit) (Page, error) {
	return p.rulesPage(ctx, v, rulesShown{ID: newID()})
}

func (p *Pages) rulesPage(ctx context.Context, v *Visit, s rulesShown) (Page, error) {
	sets, current, err := ruleSets(ctx, v)
	if err != nil {
		return Page{}, err
	}
	s.Sets = sets
	table := &Table{Name: "rule-sets", Columns: []string{"rule_set_id", "name", "from_on"}}
	for i := range sets {
		table.Rows = append(table.Rows, []string{sets[i].ID.String(), sets[i].Record.Name, string(sets[i].Record.FromOn)})
	}
	lead := "No rules are in force yet."
	if current >= 0 {
		s.Current = sets[current]
		for i := range s.Current.Record.Prices {
			price := &s.Current.Record.Prices[i]
			dollars := v.Form.Get(fmt.Sprintf("price_%d", i))
			if dollars == "" {
				dollars = strconv.FormatFloat(float64(price.AmountCents)/100, 'f', 2, 64)
			}
			s.Prices = append(s.Prices, priceShown{fmt.Sprintf("price_%d", i), priceWords(price), dollars})
		}
		if v.IsAdmin() {
			if s.Rules, err = ruleForm(v, s.Current.ID, &s.Current.Record); err != nil {
				return Page{}, err
			}
		}
		lead = fmt.Sprintf("“%s” is in force since %s.", s.Current.Record.Name, Day(s.Current.Record.FromOn, v.Zone))
		if current > 0 {
			lead += fmt.Sprintf(" “%s” follows on %s.", sets[current-1].Record.Name, Day(sets[current-1].Record.FromOn, v.Zone))
		}
	}
	return Page{Title: "Rules and prices", Under: "Settings", Lead: lead, AsOf: v.Now, Rows: len(sets), Data: "/v1/rule-sets?limit=500", Table: table, Body: "rules", With: s}, nil
}

// priceWords says what a price is for.
func priceWords(p *domain.Price) string {
	words := map[string]string{"home": "a home", "cfm25_removed": "each cfm at 25 Pa removed", "crossover_replaced": "a crossover replaced",
		"trip_fee": "a trip", "call_back": "a call-back, taken back"}[p.Line]
	if p.SectionCount != nil {
		words += " of " + Count(*p.SectionCount, "section")
	}
	if p.FundSource != "" {
		words += ", " + Plain(p.FundSource)
	}
	if p.FloorCents != nil {
		words += ", at least " + Money(*p.FloorCents)
	}
	if p.CapCents != nil {
		words += ", at most " + Money(*p.CapCents)
	}
	return words
}

// rulesSave records a rule set that has other prices, limits or weights from a day on.
func (p *Pages) rulesSave(ctx context.Context, v *Visit) (Page, error) {
	s := rulesShown{ID: idOf(v.Form.Get("id")), Name: v.Form.Get("name"), FromOn: v.Form.Get("from_on")}
	sets, current, err := ruleSets(ctx, v)
	if err != nil {
		return Page{}, err
	}
	if current < 0 {
		return Page{}, domain.Errorf(domain.StateNotAllowed, "no rules are in force that could be changed")
	}
	set := sets[current].Record
	settings, faults, err := typedRules(v, sets[current].ID, &set)
	if err != nil {
		return Page{}, err
	}
	set.Rules = settings
	set.Name, set.FromOn, set.Prices = s.Name, domain.Date(s.FromOn), append([]domain.Price(nil), set.Prices...)
	for i := range set.Prices {
		text := strings.ReplaceAll(strings.TrimPrefix(v.Form.Get(fmt.Sprintf("price_%d", i)), "$"), ",", "")
		dollars, err := strconv.ParseFloat(text, 64)
		cents := math.Round(dollars * 100)
		if err != nil || math.Abs(dollars*100-cents) > 1e-6 || cents < 0 || cents > 1e12 {
			faults = append(faults, domain.Fault{Pointer: "/" + priceWords(&set.Prices[i]), Detail: "an amount is dollars and cents, such as 600 or 5.25", Fix: "write it so"})
			continue
		}
		set.Prices[i].AmountCents = int64(cents)
	}
	if err := domain.InvalidFields(faults); err != nil {
		page, pageErr := p.rulesPage(ctx, v, s)
		if pageErr != nil {
			return Page{}, pageErr
		}
		return refusedForm(page, err)
	}
	if err := v.Send(ctx, "PUT", "/v1/rule-sets/"+s.ID.String(), set, nil); err != nil {
		page, pageErr := p.rulesPage(ctx, v, s)
		if pageErr != nil {
			return Page{}, pageErr
		}
		return refusedForm(page, err)
	}
	return Page{Location: "/staff/settings/rules/" + s.ID.String()}, nil
}

type ruleSetShown struct {
	Set          ruleSet
	Before       *ruleSet // the one that it follows
	Differences  []difference
	Preview      *preview
	From, Until  string
	PreviewFault string
	Coming       bool // it is not in force yet, and can be taken back
}

type preview struct {
	From   string         `json:"from"`
	Before string         `json:"before"`
	AsOfAt string         `json:"as_of_at"`
	Totals *previewTotals `json:"totals"`
}

type previewTotals struct {
	Jobs          int   `json:"jobs_count"`
	Changed       int   `json:"changed_count"`
	NotAcceptable int   `json:"not_acceptable_count"`
	Before        int64 `json:"before_payable_cents"`
	After         int64 `json:"after_payable_cents"`
	Rules         []struct {
		Rule    string `json:"rule"`
		Changed int    `json:"changed_count"`
	} `json:"rules"`
}

// OtherVerdicts tells that a rule would have been judged otherwise somewhere.
func (t *previewTotals) OtherVerdicts() bool {
	for _, r := range t.Rules {
		if r.Changed > 0 {
			return true
		}
	}
	return false
}

// ruleSet shows one set beside the one before it, and what it would have
// changed in a period once somebody asks for one: all its jobs are judged again.
func (p *Pages) ruleSet(ctx context.Context, v *Visit) (Page, error) {
	sets, _, err := ruleSets(ctx, v)
	if err != nil {
		return Page{}, err
	}
	s := ruleSetShown{}
	found := false
	for i := range sets {
		if sets[i].ID.String() != v.Path["id"] {
			continue
		}
		s.Set, found = sets[i], true
		if i+1 < len(sets) {
			s.Before = &sets[i+1]
			if s.Differences, err = differences(&s.Before.Record, &s.Set.Record); err != nil {
				return Page{}, err
			}
		}
	}
	if !found {
		return Page{}, domain.Errorf(domain.NotFound, "there are no such rules")
	}
	month := v.Now.In(v.Zone)
	s.Coming = string(s.Set.Record.FromOn) > month.Format(time.DateOnly)
	first := time.Date(month.Year(), month.Month(), 1, 0, 0, 0, 0, time.UTC)
	s.From, s.Until = first.AddDate(0, -1, 0).Format(time.DateOnly), first.Format(time.DateOnly)
	if from := v.Query.Get("from"); from != "" {
		s.From = from
	}
	if before := v.Query.Get("before"); before != "" {
		s.Until = before
	}
	address := fmt.Sprintf("/v1/rule-sets/%s/preview?from=%s&before=%s", s.Set.ID, s.From, s.Until)
	if v.Query.Has("from") && v.Query.Has("before") {
		var made preview
		switch err := v.Get(ctx, address, &made); domain.CodeOf(err) {
		case domain.BadQuery, domain.TimeLimit, domain.Invalid:
			s.PreviewFault = sentence(frame.Shown(err).Detail)
		default:
			if err != nil {
				return Page{}, err
			}
			s.Preview = &made
		}
	}
	table := &Table{Name: "differences", Columns: []string{"what", "before", "after"}}
	for _, d := range s.Differences {
		table.Rows = append(table.Rows, []string{d.What, d.Before, d.After})
	}
	lead := "These rules are the first."
	if s.Before != nil {
		lead = fmt.Sprintf("From %s on %s otherwise than in “%s”.", Day(s.Set.Record.FromOn, v.Zone), CountWords(len(s.Differences), "thing stands", "things stand"), s.Before.Record.Name)
	}
	return Page{Title: s.Set.Record.Name, Under: "Settings", Lead: lead, AsOf: v.Now, Rows: len(s.Differences), Data: address, Table: table, Body: "rule-set", With: s}, nil
}

// weightWords are what a broken rule does.
var weightWords = map[rules.Severity]string{rules.MustFix: "must be fixed", rules.Check: "asks the reviewer", rules.Note: "is a note"}

// differences compares two rule sets member by member.
func differences(before, after *domain.RuleSet) ([]difference, error) {
	flat := func(set *domain.RuleSet) (map[string]string, error) {
		raw, err := json.Marshal(set)
		if err != nil {
			return nil, err
		}
		var value map[string]any
		if err := json.Unmarshal(raw, &value); err != nil {
			return nil, err
		}
		out := map[string]string{}
		delete(value, "name")
		delete(value, "from_on")
		delete(value, "prices")
		delete(value, "rules")
		flatten("", value, out)
		for i := range set.Prices {
			price := set.Prices[i]
			name := "price of " + priceWords(&price)
			if _, twice := out[name]; twice {
				name += fmt.Sprintf(" (%d)", i+1)
			}
			out[name] = Money(price.AmountCents)
			if price.PaidRatio != nil {
				out[name] += " and " + Ratio(*price.PaidRatio) + " of what was paid"
			}
		}
		made, faults := rules.NewSet(domain.UUID{}, set)
		if len(faults) > 0 {
			return nil, domain.InvalidFields(faults)
		}
		for _, page := range rules.Pages(made) { // as they are judged, whether the set says it or not
			out[page.Title] = weightWords[page.Severity]
			if page.Off {
				out[page.Title] = "is not looked for"
			}
			for _, p := range page.Parameters {
				out[page.Title+": "+fieldWords(p.Name)] = strconv.FormatFloat(p.Value, 'f', -1, 64)
			}
		}
		return out, nil
	}
	a, err := flat(before)
	if err != nil {
		return nil, err
	}
	b, err := flat(after)
	if err != nil {
		return nil, err
	}
	var list []difference
	for what, was := range a {
		if b[what] != was {
			list = append(list, difference{what, was, b[what]})
		}
	}
	for what, is := range b {
		if _, there := a[what]; !there {
			list = append(list, difference{what, "", is})
		}
	}
	sort.Slice(list, func(i, j int) bool { return list[i].What < list[j].What })
	return list, nil
}

// flatten writes the members of a JSON value by their place in words; a rule's
// setting by the rule.
func flatten(place string, value any, into map[string]string) {
	join := func(name string) string { return strings.TrimSpace(place + " " + Plain(name)) }
	switch x := value.(type) {
	case map[string]any:
		for name, member := range x {
			flatten(join(name), member, into)
		}
	case []any:
		for i, element := range x {
			name := strconv.Itoa(i + 1)
			if m, ok := element.(map[string]any); ok {
				if rule, ok := m["rule"].(string); ok {
					name = rule
					delete(m, "rule")
				}
			}
			flatten(join(name), element, into)
		}
	case string:
		into[place] = Plain(x)
	default:
		text, err := json.Marshal(x, jsontext.Multiline(false))
		if err == nil {
			into[place] = string(text)
		}
	}
}
