package pages

import (
	"context"
	"sort"
	"strings"

	"ductledger/api/frame"
	"ductledger/domain"
)

// A record as the API answers it: what a form changes names its version.
type record[T any] struct {
	ID         domain.UUID `json:"id"`
	Version    int64       `json:"version"`
	RecordedAt string      `json:"recorded_at"`
	Record     T           `json:"record"`
	Void       *struct {
		VoidedAt string `json:"voided_at"`
	} `json:"void"`
}

// most bounds what a page of settings lists.
const most = 2000

// named is a choice of a form.
type named struct {
	ID   domain.UUID
	Name string
}

// contractors are the program's by id, and in the order of their names.
func contractors(ctx context.Context, v *Visit) (byID map[domain.UUID]string, list []named, err error) {
	all, _, err := All[record[domain.Contractor]](ctx, v, "/v1/contractors", most)
	if err != nil {
		return nil, nil, err
	}
	byID = map[domain.UUID]string{}
	for _, c := range all {
		byID[c.ID] = c.Record.Name
		list = append(list, named{c.ID, c.Record.Name})
	}
	sort.Slice(list, func(i, j int) bool { return strings.ToLower(list[i].Name) < strings.ToLower(list[j].Name) })
	return byID, list, nil
}

// settingsShown are the subjects of the settings.
type settingsShown struct{ Subjects []subject }

type subject struct{ Path, Name, What string }

var subjects = []subject{
	{"/staff/settings/people", "People", "Who signs in, with which role; invitations and lost passwords."},
	{"/staff/settings/phones", "Phones", "Which phones send in work; a code for a new one, what to do about a lost one."},
	{"/staff/settings/contractors", "Contractors", "Who works for the program, from when to when."},
	{"/staff/settings/papers", "Crews and papers", "Which certificates and licenses lapse when."},
	{"/staff/settings/instruments", "Instruments", "Fans, doors, gauges and meters, and how long their calibration covers."},
	{"/staff/settings/rules", "Rules and prices", "What is asked of a job and what it pays, from which day on."},
	{"/staff/settings/audit", "Who did what", "Every decision, link, release and erasure, the newest first."},
}

func (p *Pages) settings(_ context.Context, v *Visit) (Page, error) {
	return Page{Title: "Settings", Under: "Settings", Rows: -1, Quiet: v.Program.Name + ", times in " + v.Program.TimeZone, Body: "settings", With: settingsShown{subjects}}, nil
}

// idOf reads an id that a form brings.
func idOf(text string) domain.UUID {
	id, err := domain.ParseUUID(text)
	if err != nil {
		return domain.UUID{}
	}
	return id
}

// refusedForm shows a form again with what keeps it from being taken; an error
// of another sort is handed on.
func refusedForm(page Page, err error) (Page, error) {
	switch domain.CodeOf(err) {
	case domain.Invalid, domain.StateNotAllowed, domain.ParentMissing, domain.NotAcceptable, domain.SamePerson, domain.NotReconciled, domain.UnfinishedPeriod, domain.InProgress:
	default:
		return Page{}, err
	}
	told := failure(frame.Shown(err), "")
	page.Status, page.Faults = told.Status, told.Faults
	if len(page.Faults) == 0 {
		page.Faults = []string{told.Lead}
	}
	return page, nil
}
