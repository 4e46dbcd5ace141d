package pages

import (
	"context"
	"fmt"
	"time"

	"ductledger/domain"
)

// waits is the worklist as the API answers it.
type waits struct {
	AsOfAt time.Time `json:"as_of_at"`
	Counts []struct {
		Sort  string `json:"sort"`
		Count int64  `json:"count"`
	} `json:"counts"`
	Items []waiting `json:"items"`
}

type waiting struct {
	Sort    string         `json:"sort"`
	Subject domain.Subject `json:"subject"`
	JobID   string         `json:"job_id"`
	Month   string         `json:"month"` // of a package
	// Names, for those who may read them.
	Number         int64  `json:"number"`
	Street         string `json:"street"`
	ContractorName string `json:"contractor_name"`
	Name           string `json:"name"`
	Detail         string `json:"detail"`

	Held string `json:"-"` // the kind of what was not accepted
}

// Page is where it is dealt with.
func (w waiting) Page() string {
	switch {
	case w.Sort == "held" || w.Sort == "held_waiting":
		return "/staff/held/" + w.Subject.ID.String()
	case w.JobID != "":
		return "/staff/jobs/" + w.JobID
	case w.Month != "":
		return "/staff/month?month=" + w.Month
	}
	switch w.Subject.Kind {
	case domain.DeviceKind:
		return "/staff/settings/phones/" + w.Subject.ID.String()
	case domain.InstrumentKind:
		return "/staff/settings/instruments#i" + w.Subject.ID.String()
	case domain.CredentialKind:
		return "/staff/settings/papers#p" + w.Subject.ID.String()
	}
	return ""
}

// Package names a package that waits.
func (w waiting) Package() string {
	if w.Month == "" {
		return ""
	}
	return "Package of " + Month(w.Month)
}

// A queue is all that waits of one sort.
type queue struct {
	Sort, Title string
	Count       int64
	Items       []waiting
}

// Less tells how many of the queue are not shown.
func (q queue) Less() int64 { return q.Count - int64(len(q.Items)) }

// queueTitles are what the office calls the sorts, in the order of a Monday.
var queueTitles = []struct{ sort, title string }{
	{"hazard_late", "A hazard that nobody has read for a day"},
	{"hazard", "A hazard was seen: to read within a day"},
	{"sent_in", "Sent in: to review"},
	{"reply", "A contractor replied"},
	{"question", "Questions to the reviewer"},
	{"held", "Not accepted as it came"},
	{"held_waiting", "Waits for another record"},
	{"call_back", "Called back by the resident"},
	{"inspection_failed", "An inspection failed: to decide"},
	{"started_by_crew", "Started by a crew: to confirm"},
	{"returned", "With the crew since it was returned"},
	{"overdue", "Past its day"},
	{"package_to_build", "Packages to build"},
	{"package_to_release", "Packages to release"},
	{"inspection_owed", "To inspect"},
	{"credential_lapsed", "Papers that have ended"},
	{"calibration_lapsed", "Calibrations that have ended"},
	{"credential_lapses_soon", "Papers that end within a month"},
	{"calibration_lapses_soon", "Calibrations that end within a month"},
	{"credential_lapses", "Papers that end within two months"},
	{"calibration_lapses", "Calibrations that end within two months"},
	{"device_silent", "Phones of which nothing is heard"},
}

// today shows what waits for whom, each with its age, one step from the work.
func (p *Pages) today(ctx context.Context, v *Visit) (Page, error) {
	address := "/v1/worklist?limit=200"
	only := v.Query.Get("sort")
	if only != "" {
		address += "&sort=" + only
	}
	var list waits
	if err := v.Get(ctx, address, &list); err != nil {
		return Page{}, err
	}
	page := Page{Title: "Today", Under: "Today", AsOf: list.AsOfAt, Rows: len(list.Items), Data: address, Body: "today", Table: waitsTable(list.Items)}
	queues, all := queuesOf(list, only == "")
	for i := range queues { // one queue may be longer than the page and older than all others
		if q := &queues[i]; len(q.Items) == 0 {
			var own waits
			if err := v.Get(ctx, fmt.Sprintf("/v1/worklist?limit=%d&sort=%s", queueShown, q.Sort), &own); err != nil {
				return Page{}, err
			}
			q.Items = own.Items
			page.Rows += len(own.Items)
		}
	}
	if err := nameHeld(ctx, v, queues); err != nil {
		return Page{}, err
	}
	if only != "" {
		page.Quiet = "Only: " + titleOf(only) + "."
	}
	switch all {
	case 0:
		page.Lead = "Nothing waits for you."
	case 1:
		page.Lead = "One thing waits for you."
	default:
		page.Lead = sentence(CountWords(int(all), "thing") + " wait for you; the oldest of each kind stands first")
	}
	page.With = queues
	return page, nil
}

// nameHeld says of held items what they are, those that are oldest.
func nameHeld(ctx context.Context, v *Visit, queues []queue) error {
	var kinds map[string]string
	for _, q := range queues {
		for i := range q.Items {
			w := &q.Items[i]
			if w.Subject.Kind != "held" {
				continue
			}
			if kinds == nil {
				list, _, err := All[heldItem](ctx, v, heldAddress, most)
				if err != nil {
					return err
				}
				kinds = make(map[string]string, len(list))
				for _, h := range list {
					kinds[h.HeldID] = h.Kind
				}
			}
			w.Held = kinds[w.Subject.ID.String()]
		}
	}
	return nil
}

func titleOf(sort string) string {
	for _, t := range queueTitles {
		if t.sort == sort {
			return t.title
		}
	}
	return sentenceStart(Plain(sort))
}

// queueShown are as many of a queue as stand on the first page.
const queueShown = 8

// queuesOf sorts what waits into its queues; of each the oldest are shown.
func queuesOf(list waits, short bool) (queues []queue, all int64) {
	add := func(name, title string) {
		q := queue{Sort: name, Title: title}
		for _, c := range list.Counts {
			if c.Sort == name {
				q.Count = c.Count
			}
		}
		for _, w := range list.Items {
			if w.Sort == name && (!short || len(q.Items) < queueShown) {
				q.Items = append(q.Items, w)
			}
		}
		if q.Count > 0 {
			queues, all = append(queues, q), all+q.Count
		}
	}
	known := map[string]bool{}
	for _, t := range queueTitles {
		known[t.sort] = true
		add(t.sort, t.title)
	}
	for _, c := range list.Counts { // a sort that came later is shown too
		if !known[c.Sort] {
			add(c.Sort, sentenceStart(Plain(c.Sort)))
		}
	}
	return queues, all
}

func waitsTable(items []waiting) *Table {
	t := &Table{Name: "today", Columns: []string{"sort", "job_id", "number", "street", "contractor_name", "name", "detail"}}
	for _, w := range items {
		t.Rows = append(t.Rows, []string{w.Sort, w.JobID, numberText(w.Number), w.Street, w.ContractorName, w.Name, w.Detail})
	}
	return t
}
