package docs

import "ductledger/domain/rules"

// ruleIndex lists all rules, after the job-start card.
type ruleIndex struct {
	Title string
	Rules []rulePage
	Card  []rules.Caution // what a crew reads before the work begins
}

// rulePage is the page of one rule, with its neighbors.
type rulePage struct {
	Page          rules.Page
	Before, After *rulePage
}

func (r rulePage) Title() string            { return r.Page.Title }
func (r rulePage) Key() string              { return r.Page.Key }
func (r rulePage) Severity() rules.Severity { return r.Page.Severity }

// Label says a severity in few words.
func (r rulePage) Label() string {
	switch r.Page.Severity {
	case rules.MustFix:
		return "must be fixed"
	case rules.Check:
		return "a reviewer asks"
	}
	return "note"
}

func rulePages(set rules.Set) []rulePage {
	pages := rules.Pages(set)
	list := make([]rulePage, len(pages))
	for i := range pages {
		list[i].Page = pages[i]
		if i > 0 {
			list[i].Before, list[i-1].After = &list[i-1], &list[i]
		}
	}
	return list
}

func (d *Pages) rule(key string) (*rulePage, bool) {
	for i := range d.rules {
		if d.rules[i].Page.Key == key {
			return &d.rules[i], true
		}
	}
	return nil, false
}
