package pages

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"ductledger/domain"
	"ductledger/domain/rules"
)

// mostHistory is as much of the history as a page shows; the data has all.
const mostHistory = 14

// A happened is a line of the history.
type happened struct {
	At   time.Time
	Who  string
	What string
	Text string
}

// parts names the parts of a job as a crew calls them, by their records.
type parts map[domain.Subject]string

func partsOf(entries []domain.Entry) parts {
	names := parts{}
	for i := range entries {
		e := &entries[i]
		name := ""
		switch r := e.Record.(type) {
		case *domain.Component:
			name = componentName(r, r.Number)
		case *domain.Crossover:
			name = fmt.Sprintf("Crossover %s to %s", r.FromSection, r.ToSection)
		case *domain.Opening:
			name = "Opening in the " + string(r.In) + inSection(r.Section)
			if r.PositionFt != nil {
				name += " at " + Number(*r.PositionFt, 0) + " ft"
			}
		case *domain.Measurement:
			name = "Reading " + Plain(r.Stage)
		case *domain.EnergyIsolation:
			name = "Power"
		case *domain.Visit:
			name = "Whole home"
		}
		if name != "" {
			names[domain.Subject{Kind: e.Kind, ID: e.ID}] = name
		}
	}
	for i := range entries { // a repair is called by what it mended
		if r, ok := entries[i].Record.(*domain.Repair); ok {
			name := ""
			switch {
			case len(r.ComponentIDs) > 0:
				name = names[domain.Subject{Kind: domain.ComponentKind, ID: r.ComponentIDs[0]}]
			case r.CrossoverID != nil:
				name = names[domain.Subject{Kind: domain.CrossoverKind, ID: *r.CrossoverID}]
			}
			if name == "" {
				name = "Repair"
			}
			names[domain.Subject{Kind: domain.RepairKind, ID: entries[i].ID}] = name
		}
	}
	return names
}

func inSection(s domain.Section) string {
	if s == "" {
		return ""
	}
	return ", section " + string(s)
}

// componentName is a part by its number: an outlet is called so wherever it is sealed.
func componentName(r *domain.Component, number *int) string {
	label := string(r.Section)
	if number != nil {
		label += fmt.Sprint(*number)
	}
	switch r.Component {
	case domain.Boot, domain.Riser:
		return strings.TrimSpace("Outlet " + label)
	case domain.BranchTakeoff:
		return strings.TrimSpace("Branch " + label)
	case domain.TrunkEnd:
		return strings.TrimSpace("End of trunk "+string(r.Section)) + ", " + string(r.End)
	case domain.Trunk:
		return "Trunk " + string(r.Section)
	}
	return sentenceStart(Plain(r.Component)) + inSection(r.Section)
}

// A photoPart is a part with its pictures: what it was beside what it is.
type photoPart struct {
	Part          string
	Before, After []photoShown
	Flagged       bool // a finding is about it: it stands open
}

// Count is how many pictures there are of the part.
func (p photoPart) Count() int { return len(p.Before) + len(p.After) }

type photoShown struct {
	ID, Words string
	State     domain.BytesState
}

// Stored tells that the picture has come and can be looked at.
func (p photoShown) Stored() bool { return p.State == domain.BytesStored }

// photos are gathered by the part that they show, before beside after; parts of
// which a finding tells come first.
func (j *jobShown) photos(items []told, entries []domain.Entry, names parts) {
	flagged := map[domain.Subject]bool{}
	for _, f := range j.Findings {
		for _, s := range f.Subjects {
			flagged[s] = true
			flagged[domain.Subject{Kind: "", ID: s.ID}] = true
		}
	}
	at := map[string]int{}
	for i := range entries {
		r, ok := entries[i].Record.(*domain.Photo)
		if !ok || entries[i].Void != nil {
			continue
		}
		j.Taken++
		photo := photoShown{ID: entries[i].ID.String(), State: items[i].BytesState, Words: Plain(r.Stage)}
		if photo.Stored() {
			j.Arrived++
		}
		name, flag := "Whole home", false
		if len(r.Subjects) > 0 {
			s := r.Subjects[0]
			name = partOfPhoto(s, entries, names)
			flag = flagged[domain.Subject{Kind: s.Kind, ID: s.ID}]
			if s.Shows != "" {
				photo.Words += ", " + Plain(s.Shows)
			}
		}
		k, known := at[name]
		if !known {
			k = len(j.Photos)
			at[name], j.Photos = k, append(j.Photos, photoPart{Part: name})
		}
		p := &j.Photos[k]
		p.Flagged = p.Flagged || flag
		if r.Stage == domain.AfterStage || r.Stage == domain.CheckStage {
			p.After = append(p.After, photo)
		} else {
			p.Before = append(p.Before, photo)
		}
	}
	slices.SortStableFunc(j.Photos, func(a, b photoPart) int {
		if a.Flagged != b.Flagged {
			if a.Flagged {
				return -1
			}
			return 1
		}
		return strings.Compare(a.Part, b.Part)
	})
}

func partOfPhoto(s domain.PhotoSubject, entries []domain.Entry, names parts) string {
	if s.Number != nil && s.Kind == domain.ComponentKind {
		for i := range entries {
			if c, ok := entries[i].Record.(*domain.Component); ok && entries[i].ID == s.ID {
				return componentName(c, s.Number)
			}
		}
	}
	if name := names[domain.Subject{Kind: s.Kind, ID: s.ID}]; name != "" {
		return name
	}
	return sentenceStart(Plain(s.Kind))
}

// asked is what the last return asked, beside what has come in since.
type asked struct {
	Text    string
	Who     string
	At      time.Time
	Rules   []askedRule
	Changed []changed
	More    int // that came in and are not listed
}

// An askedRule is a rule that the return named, and how it stands now.
type askedRule struct {
	Title  string
	Number int // of the finding that is still there; 0: there is none
}

type changed struct {
	What string
	At   time.Time
}

// mostChanged is as much of what came in since a return as a page lists.
const mostChanged = 12

// asked puts beside the last return what has changed since.
func (j *jobShown) asked(items []told, entries []domain.Entry, names parts, people map[string]string) {
	last := -1
	for i := range entries {
		if r, ok := entries[i].Record.(*domain.Review); ok && (r.Decision == domain.Return || r.Decision == domain.Reopen) && (last < 0 || entries[i].Position > entries[last].Position) {
			last = i
		}
	}
	if last < 0 {
		return
	}
	r := entries[last].Record.(*domain.Review)
	a := asked{Text: r.Text, Who: people[items[last].PersonID.String()], At: entries[last].RecordedAt}
	for _, code := range r.ReasonCodes {
		title := ruleTitles[code]
		if title == "" {
			continue // a word of the office's own: its sentence says it
		}
		rule := askedRule{Title: title}
		for _, f := range j.Findings {
			if f.Rule == code && f.Open {
				rule.Number = f.Number
				break
			}
		}
		a.Rules = append(a.Rules, rule)
	}
	for i := range entries {
		e := &entries[i]
		if e.Position <= entries[last].Position || e.Kind == domain.ReviewKind || e.Kind == domain.JobKind || e.Kind == domain.WaiverKind {
			continue
		}
		if len(a.Changed) == mostChanged {
			a.More++
			continue
		}
		what := sentenceStart(Plain(e.Kind))
		if p, ok := e.Record.(*domain.Photo); ok && len(p.Subjects) > 0 {
			what += ": " + partOfPhoto(p.Subjects[0], entries, names)
		} else if name := names[domain.Subject{Kind: e.Kind, ID: e.ID}]; name != "" && !strings.EqualFold(name, what) {
			what += ": " + name
		}
		switch {
		case e.Void != nil:
			what += ", taken back"
		case e.Version > 1:
			what += ", changed"
		}
		a.Changed = append(a.Changed, changed{what, e.RecordedAt})
	}
	j.Asked = &a
}

// peopleNames are the names of the program's people.
func (p *Pages) peopleNames(ctx context.Context, v *Visit) map[string]string {
	names := map[string]string{}
	list, _, err := All[struct {
		ID   string `json:"person_id"`
		Name string `json:"name"`
	}](ctx, v, "/v1/people", most)
	if err != nil {
		return names // who may not read them sees the moments alone
	}
	for _, who := range list {
		names[who.ID] = who.Name
	}
	return names
}

// history is who decided and sent what, the newest first: items are the job's
// records, versions those of the job itself.
func (j *jobShown) history(items, versions []told, names map[string]string) {
	who := func(e *told) string {
		name := names[e.PersonID.String()]
		switch {
		case name != "":
			return name
		case !e.DeviceID.IsZero():
			return "a phone of the crew"
		case !e.PersonID.IsZero():
			return "somebody"
		}
		return "the service"
	}
	for i := range versions {
		e := &versions[i]
		var of struct {
			State domain.JobState `json:"state"`
		}
		if err := readValue(e.Record, &of); err != nil {
			continue // it stands in the data all the same
		}
		words := map[domain.JobState]string{domain.Assigned: "gave it to the crew", domain.InWork: "began the work", domain.SentIn: "sent it in"}[of.State]
		if words == "" || i > 0 && sameState(&versions[i-1], of.State) {
			continue // a decision tells of the others, and a change of another fact moves nothing
		}
		j.History = append(j.History, happened{At: e.RecordedAt, Who: who(e), What: words})
	}
	for i := range items {
		e := &items[i]
		h := happened{At: e.RecordedAt, Who: who(e)}
		entry, err := e.entry()
		if err != nil {
			continue // it stands in the data all the same
		}
		switch r := entry.Record.(type) {
		case *domain.Review:
			h.What, h.Text = reviewWords[r.Decision], r.Text
		case *domain.Waiver:
			h.What, h.Text = "waived “"+firstOf(ruleTitles[r.Finding.Rule], Plain(r.Finding.Rule))+"”", r.Reason
		case *domain.CallBack:
			h.What, h.Text = "recorded a call-back", r.Reason
		case *domain.Inspection:
			h.What = "inspected it: " + Plain(r.Result)
		default:
			continue
		}
		j.History = append(j.History, h)
	}
	slices.SortStableFunc(j.History, func(a, b happened) int { return b.At.Compare(a.At) })
	if j.Earlier = len(j.History) - mostHistory; j.Earlier > 0 {
		j.History = j.History[:mostHistory]
	}
}

func sameState(before *told, state domain.JobState) bool {
	var was struct {
		State domain.JobState `json:"state"`
	}
	return readValue(before.Record, &was) == nil && was.State == state
}

func firstOf(texts ...string) string {
	for _, t := range texts {
		if t != "" {
			return t
		}
	}
	return ""
}

var reviewWords = map[domain.Decision]string{
	domain.Accept: "accepted it", domain.Return: "returned it to the crew", domain.Defer: "deferred it", domain.Reopen: "opened it again",
	domain.Answer: "answered a question", domain.Reply: "replied", domain.Exclude: "took it out of the statistics", domain.Include: "put it back into the statistics",
	domain.Confirm: "confirmed it", domain.Correct: "corrected the office’s own error",
}

// ruleOrder are the rules in the order in which a crew works.
var ruleOrder = func() (keys []string) {
	for _, page := range rules.Pages(rules.DefaultSet()) {
		keys = append(keys, page.Key)
	}
	return keys
}()

// ruleTitles are the titles of the rules in the crew's words.
var ruleTitles = func() map[string]string {
	titles := map[string]string{}
	for _, page := range rules.Pages(rules.DefaultSet()) {
		titles[page.Key] = page.Title
	}
	return titles
}()
