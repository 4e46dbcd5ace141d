package api

import "ductledger/domain/rules"

// ruleIndex lists all rules, after the job-start card.
type ruleIndex struct {
	Title string
	Rules []docsRule
	Card  []rules.Caution // what a crew reads before the work begins
}

// docsRule is the page of one rule, with its neighbors.
type docsRule struct {
	Page          rules.Page
	Before, After *docsRule
}

func (r docsRule) Title() string            { return r.Page.Title }
func (r docsRule) Key() string              { return r.Page.Key }
func (r docsRule) Severity() rules.Severity { return r.Page.Severity }

// Label says a severity in few words.
func (r docsRule) Label() string {
	switch r.Page.Severity {
	case rules.MustFix:
		return "must be fixed"
	case rules.Check:
		return "a reviewer asks"
	}
	return "note"
}

func rulePages(set rules.Set) []docsRule {
	pages := rules.Pages(set)
	list := make([]docsRule, len(pages))
	for i := range pages {
		list[i].Page = pages[i]
		if i > 0 {
			list[i].Before, list[i-1].After = &list[i-1], &list[i]
		}
	}
	return list
}

func (d *docs) rule(key string) (*docsRule, bool) {
	for i := range d.rules {
		if d.rules[i].Page.Key == key {
			return &d.rules[i], true
		}
	}
	return nil, false
}
