package pages

import (
	"context"
	"fmt"
	"sort"
	"strings"
	"time"

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
type settingsShown struct {
	Subjects []subject
	Backup   backup
}

// A backup is how the API answers when one was last tried.
type backup struct {
	TriedAt    string   `json:"backup_tried_at"`
	WithinDays int      `json:"backup_try_within_days"`
	ToDo       []string `json:"to_do"`
	Days       int      // since then
}

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

func (p *Pages) settings(ctx context.Context, v *Visit) (Page, error) {
	const address = "/v1/program"
	s := settingsShown{Subjects: subjects}
	if err := v.Get(ctx, address, &s.Backup); err != nil {
		return Page{}, err
	}
	if at, err := time.Parse(time.RFC3339, s.Backup.TriedAt); err == nil {
		s.Backup.Days = int(v.Now.Sub(at).Hours() / 24)
	}
	return Page{Data: address, Title: "Settings", Under: "Settings", Rows: -1, Quiet: v.Program.Name + ", times in " + v.Program.TimeZone, Body: "settings", With: s}, nil
}

// A takenBack is a record that a form takes back: what was entered by mistake.
type takenBack struct {
	Visit                    *Visit
	Plural, ID, What, Return string
	Version                  int64
}

// TakeBack is the form that takes a record back, for templates.
func (v *Visit) TakeBack(plural string, id any, version int64, what string) takenBack {
	path, _, _ := strings.Cut(v.Address, "?")
	return takenBack{v, plural, fmt.Sprint(id), what, path, version}
}

// backable are the kinds of records that settings take back.
var backable = map[string]bool{"contractors": true, "crew-members": true, "credentials": true, "instruments": true, "rule-sets": true}

// takeBack voids a record that was entered by mistake, with the reason.
func (p *Pages) takeBack(ctx context.Context, v *Visit) (Page, error) {
	f := v.Form.Get
	if !backable[f("plural")] {
		return Page{}, domain.Errorf(domain.NotFound, "there is no such record")
	}
	if f("reason") == "" {
		return Page{}, domain.Errorf(domain.Invalid, "say why it is taken back")
	}
	err := v.Send(ctx, "POST", "/v1/"+f("plural")+"/"+idOf(f("id")).String()+"/void", map[string]any{"reason": f("reason")}, nil, "If-Match", `"`+f("version")+`"`)
	return Page{Location: firstOf(ours(f("return")), "/staff/settings")}, err
}

// change sends a record that stands with some of its members set anew: what the
// form does not know of it stays.
func change[T any](ctx context.Context, v *Visit, address string, set func(*T)) error {
	var at record[T]
	if err := v.Get(ctx, address, &at); err != nil {
		return err
	}
	set(&at.Record)
	return v.save(ctx, address, at.Record)
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
