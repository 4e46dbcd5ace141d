package pages

import (
	"context"
	"net/url"

	"ductledger/domain"
)

// person is one as the API answers.
type person struct {
	PersonID     domain.UUID `json:"person_id"`
	Name         string      `json:"name"`
	Role         domain.Role `json:"role"`
	ContractorID domain.UUID `json:"contractor_id"`
	State        string      `json:"state"`
	CreatedAt    string      `json:"created_at"`
	EndedAt      string      `json:"ended_at"`
	SeenAt       string      `json:"seen_at"`
	Sessions     int64       `json:"sessions_count"`
	Tokens       int64       `json:"tokens_count"`
}

// link is one for one use.
type link struct {
	Link     string `json:"link"`
	LapsesAt string `json:"lapses_at"`
}

type peopleShown struct {
	People      []person
	More        bool
	Firms       map[domain.UUID]string
	Choices     []named
	Name        string // as typed
	Role        domain.Role
	Contractor  domain.UUID
	RoleChoices []domain.Role
}

// signers are the roles that sign in with a password.
var signers = []domain.Role{domain.Staff, domain.Inspector, domain.ContractorRole, domain.Funder, domain.Admin}

func (p *Pages) people(ctx context.Context, v *Visit) (Page, error) {
	return peoplePage(ctx, v, peopleShown{Role: domain.Staff})
}

func peoplePage(ctx context.Context, v *Visit, s peopleShown) (Page, error) {
	var err error
	if s.People, s.More, err = All[person](ctx, v, "/v1/people", most); err != nil {
		return Page{}, err
	}
	if s.Firms, s.Choices, err = contractors(ctx, v); err != nil {
		return Page{}, err
	}
	s.RoleChoices = signers
	in, table := 0, &Table{Name: "people", Columns: []string{"person_id", "name", "role", "contractor_id", "state", "seen_at", "sessions_count", "tokens_count"}}
	for _, who := range s.People {
		if who.State == "active" {
			in++
		}
		firm := ""
		if !who.ContractorID.IsZero() {
			firm = who.ContractorID.String()
		}
		table.Rows = append(table.Rows, []string{who.PersonID.String(), who.Name, string(who.Role), firm, who.State, who.SeenAt, Number(who.Sessions, 0), Number(who.Tokens, 0)})
	}
	lead := Count(in, "person", "people") + " can sign in."
	if in == 0 {
		lead = "Nobody can sign in yet but by a link."
	}
	return Page{Title: "People", Under: "Settings", Lead: sentence(lead), AsOf: v.Now, Rows: len(s.People), Data: "/v1/people?limit=500", Table: table, Body: "people", With: s}, nil
}

// invite makes a person and shows their link, this once.
func (p *Pages) invite(ctx context.Context, v *Visit) (Page, error) {
	s := peopleShown{Name: v.Form.Get("name"), Role: domain.Role(v.Form.Get("role")), Contractor: idOf(v.Form.Get("contractor_id"))}
	body := map[string]any{"name": s.Name, "role": s.Role}
	if s.Role == domain.ContractorRole && !s.Contractor.IsZero() {
		body["contractor_id"] = s.Contractor
	}
	var made struct {
		Person person `json:"person"`
		link
	}
	if err := v.Send(ctx, "POST", "/v1/people", body, &made); err != nil {
		page, pageErr := peoplePage(ctx, v, s)
		if pageErr != nil {
			return Page{}, pageErr
		}
		return refusedForm(page, err)
	}
	return linkPage(v, made.Person, made.link), nil
}

type linkShown struct {
	Person   person
	URL      string
	LapsesAt string
}

func linkPage(v *Visit, who person, l link) Page {
	return Page{Title: "A link for " + who.Name, Under: "Settings", Rows: -1, Body: "link", With: linkShown{who, v.URL(l.Link), l.LapsesAt},
		Lead: "Send this link to " + who.Name + " alone. It is shown this once."}
}

type personShown struct {
	Person      person
	Firm        string
	Choices     []named
	RoleChoices []domain.Role
	Deeds       []deed
	Self        bool
}

func (p *Pages) person(ctx context.Context, v *Visit) (Page, error) { return personPage(ctx, v) }

func personPage(ctx context.Context, v *Visit) (Page, error) {
	var s personShown
	if err := v.Get(ctx, "/v1/people/"+v.Path["id"], &s.Person); err != nil {
		return Page{}, err
	}
	firms, choices, err := contractors(ctx, v)
	if err != nil {
		return Page{}, err
	}
	s.Firm, s.Choices, s.RoleChoices, s.Self = firms[s.Person.ContractorID], choices, signers, s.Person.PersonID == v.Caller.Person
	var deeds deedList
	if err := v.Get(ctx, "/v1/audit?limit=20&person_id="+s.Person.PersonID.String(), &deeds); err != nil {
		return Page{}, err
	}
	s.Deeds = deeds.Items
	return Page{Title: s.Person.Name, Under: "Settings", Quiet: RoleName(s.Person.Role) + ", " + Plain(s.Person.State), AsOf: v.Now, Rows: len(s.Deeds),
		Data: "/v1/people/" + s.Person.PersonID.String(), Body: "person", With: s}, nil
}

// personDo does what a button of a person's page asks for.
func (p *Pages) personDo(ctx context.Context, v *Visit) (Page, error) {
	at := "/v1/people/" + v.Path["id"]
	var err error
	switch v.Form.Get("do") {
	case "link":
		var who person
		var made link
		if err = v.Get(ctx, at, &who); err == nil {
			if err = v.Send(ctx, "POST", at+"/link", nil, &made); err == nil {
				return linkPage(v, who, made), nil
			}
		}
	case "sign-out":
		err = v.Send(ctx, "POST", at+"/sign-out", nil, nil)
	case "end":
		err = v.Send(ctx, "POST", at+"/end", nil, nil)
	case "role":
		body := map[string]any{"role": v.Form.Get("role")}
		if firm := idOf(v.Form.Get("contractor_id")); v.Form.Get("role") == string(domain.ContractorRole) && !firm.IsZero() {
			body["contractor_id"] = firm
		}
		err = v.Send(ctx, "POST", at+"/role", body, nil)
	default:
		err = domain.Errorf(domain.Invalid, "nothing was chosen")
	}
	if err == nil {
		return Page{Location: "/staff/settings/people/" + v.Path["id"]}, nil
	}
	page, pageErr := personPage(ctx, v)
	if pageErr != nil {
		return Page{}, pageErr
	}
	return refusedForm(page, err)
}

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
