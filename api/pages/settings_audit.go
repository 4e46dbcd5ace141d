package pages

import (
	"context"
	"net/url"

	"ductledger/domain"
)

// deed is what somebody did, as the API answers.
type deed struct {
	At        string      `json:"at"`
	PersonID  domain.UUID `json:"person_id"`
	Name      string      `json:"name"`
	TokenID   domain.UUID `json:"token_id"`
	Action    string      `json:"action"`
	Kind      string      `json:"kind"`
	SubjectID domain.UUID `json:"subject_id"`
	JobID     domain.UUID `json:"job_id"`
	Position  int64       `json:"position"`
	Version   int64       `json:"version"`
	Detail    string      `json:"detail"`
}

type deedList struct {
	Items []deed `json:"items"`
	Next  string `json:"next"`
}

// Where leads to the page of what it was done on; empty where there is none.
func (d deed) Where() string {
	switch {
	case !d.JobID.IsZero():
		return "/staff/jobs/" + d.JobID.String()
	case d.Kind == "device" || d.Action == "device_enrolled" || d.Action == "enrollment_code_made":
		return "/staff/settings/phones/" + d.SubjectID.String()
	case d.Action == "link_made" || d.Action == "person_added" || d.Action == "person_ended" || d.Action == "person_role_changed":
		return "/staff/settings/people/" + d.SubjectID.String()
	}
	return ""
}

type auditShown struct {
	Deeds                    []deed
	People                   []person
	Person                   string
	Action, From, Before, Up string
	Next                     string
}

func (p *Pages) audit(ctx context.Context, v *Visit) (Page, error) {
	s := auditShown{Person: v.Query.Get("person_id"), Action: v.Query.Get("action"), From: v.Query.Get("from"), Before: v.Query.Get("before")}
	ask := url.Values{"limit": {"100"}}
	for _, name := range []string{"person_id", "action", "from", "before", "job_id", "subject_id", "after"} {
		if value := v.Query.Get(name); value != "" {
			ask.Set(name, value)
		}
	}
	address := "/v1/audit?" + ask.Encode()
	var list deedList
	if err := v.Get(ctx, address, &list); err != nil {
		return Page{}, err
	}
	var err error
	if s.People, _, err = All[person](ctx, v, "/v1/people", most); err != nil {
		return Page{}, err
	}
	s.Deeds = list.Items
	if list.Next != "" {
		s.Next = v.With("after", list.Next)
	}
	if v.Query.Get("after") != "" {
		s.Up = v.With("after", "")
	}
	table := &Table{Name: "who-did-what", Columns: []string{"at", "person_id", "name", "action", "kind", "subject_id", "job_id", "version", "detail"}}
	text := func(id domain.UUID) string {
		if id.IsZero() {
			return ""
		}
		return id.String()
	}
	for _, d := range s.Deeds {
		table.Rows = append(table.Rows, []string{d.At, text(d.PersonID), d.Name, d.Action, d.Kind, text(d.SubjectID), text(d.JobID), Number(d.Version, 0), d.Detail})
	}
	return Page{Title: "Who did what", Under: "Settings", Quiet: "The newest first; what phones sent in stands in each job.", AsOf: v.Now, Rows: len(s.Deeds),
		Data: address, Table: table, Body: "audit", With: s}, nil
}
