package pages

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"ductledger/api/pages/chart"
	"ductledger/api/pages/drawing"
	"ductledger/domain"
	"ductledger/domain/rules"

	"github.com/google/uuid"
)

// told is an entry as the API answers it.
type told struct {
	Kind       domain.Kind `json:"kind"`
	ID         domain.UUID `json:"id"`
	Version    int64       `json:"version"`
	JobID      domain.UUID `json:"job_id"`
	PersonID   domain.UUID `json:"person_id"`
	DeviceID   domain.UUID `json:"device_id"`
	Number     int64       `json:"number"`
	RecordedAt time.Time   `json:"recorded_at"`
	Void       *domain.Void
	Record     Value `json:"record"`
	Resident   struct {
		Name   string `json:"name"`
		Phone  string `json:"phone"`
		Street string `json:"street"`
	} `json:"resident"`
}

// entry is it as the domain has it.
func (e *told) entry() (domain.Entry, error) {
	record, err := domain.Decode(e.Kind, e.Record)
	return domain.Entry{Kind: e.Kind, ID: e.ID, Version: e.Version, JobID: e.JobID, Void: e.Void, RecordedAt: e.RecordedAt, Body: []byte(e.Record), Record: record}, err
}

// verdict is what the API answers of a job's findings.
type verdict struct {
	Position int64           `json:"judged_at_position"`
	Findings []rules.Finding `json:"findings"`
	More     int             `json:"findings_more_count"`
}

// A shownFinding is a finding by its number, as it stands in list and drawing.
type shownFinding struct {
	rules.Finding
	Number int
	Title  string
	Open   bool // it keeps the job from being accepted
}

// Form is its mark: must, question or note.
func (f *shownFinding) Form() string {
	switch {
	case f.Outcome == "not_recorded" || f.Severity == rules.Check:
		return "question"
	case f.Severity == rules.MustFix:
		return "must"
	}
	return "note"
}

// Mark is it in words.
func (f *shownFinding) Mark() string {
	switch {
	case f.Outcome == "not_recorded" && f.Severity == rules.MustFix:
		return "must be recorded"
	case f.Outcome == "not_recorded":
		return "not recorded"
	case f.Severity == rules.MustFix && f.Cure == rules.Office:
		return "must fix, office"
	case f.Severity == rules.MustFix:
		return "must fix"
	case f.Severity == rules.Check && !f.Open:
		return "question, answered"
	case f.Severity == rules.Check:
		return "question"
	}
	return "note"
}

// Named names the finding in a form.
func (f *shownFinding) Named() string {
	var b strings.Builder
	b.WriteString(f.Rule)
	for _, s := range f.Subjects {
		fmt.Fprintf(&b, " %s:%s", s.Kind, s.ID)
	}
	return b.String()
}

// findingNamed reads what Named wrote.
func findingNamed(text string) (ref domain.FindingRef, err error) {
	parts := strings.Fields(text)
	if len(parts) == 0 {
		return ref, domain.Errorf(domain.Invalid, "choose the finding")
	}
	ref.Rule, ref.Subjects = parts[0], []domain.Subject{}
	for _, part := range parts[1:] {
		kind, id, _ := strings.Cut(part, ":")
		parsed, err := domain.ParseUUID(id)
		if err != nil {
			return ref, domain.Errorf(domain.Invalid, "choose the finding")
		}
		ref.Subjects = append(ref.Subjects, domain.Subject{Kind: domain.Kind(kind), ID: parsed})
	}
	return ref, nil
}

// mostHistory is as much of the history as a page shows; the data has all.
const mostHistory = 12

// A happened is a line of the history.
type happened struct {
	At   time.Time
	Who  string
	What string
	Text string
}

type jobShown struct {
	ID         string
	Record     domain.Job
	Version    int64
	Contractor string
	Picture    drawing.Picture
	Findings   []shownFinding
	More       int
	Result     rules.Result
	Bars       *chart.Picture
	Expected   int64
	Known      bool // what the job is worth is known
	Asked      []asked
	Photos     []photoPart
	Taken      int
	History    []happened
	Earlier    int
	Blocks     int // findings that keep the job from being accepted
	CanDecide  bool
}

// asked is one thing that the last return asked for.
type asked struct {
	Text    string
	Changed []string
}

type photoPart struct {
	Part   string
	Photos []photoShown
}

type photoShown struct {
	ID, Stage, Shows string
}

// jobPage shows a job: the drawing, what is to fix, and the decision.
func (p *Pages) jobPage(ctx context.Context, v *Visit) (Page, error) {
	id := v.Path["id"]
	at := "/v1/jobs/" + url.PathEscape(id)
	var job, home, contractor told
	if err := v.Get(ctx, at, &job); err != nil {
		return Page{}, err
	}
	record, err := job.entry()
	if err != nil {
		return Page{}, err
	}
	shown := jobShown{ID: id, Record: *record.Record.(*domain.Job), Version: job.Version}
	if err := v.Get(ctx, "/v1/homes/"+shown.Record.HomeID.String(), &home); err != nil {
		return Page{}, err
	}
	if err := v.Get(ctx, "/v1/contractors/"+shown.Record.ContractorID.String(), &contractor); err != nil {
		return Page{}, err
	}
	shown.Contractor = nameIn(contractor.Record)
	var whole struct {
		Items []told `json:"items"`
	}
	if err := v.Get(ctx, at+"/entries", &whole); err != nil {
		return Page{}, err
	}
	var judged verdict
	if err := v.Get(ctx, at+"/findings", &judged); err != nil {
		return Page{}, err
	}
	if err := v.Get(ctx, at+"/result", &shown.Result); err != nil {
		return Page{}, err
	}
	entries, err := entriesIn(whole.Items)
	if err != nil {
		return Page{}, err
	}
	homeEntry, err := home.entry()
	if err != nil {
		return Page{}, err
	}
	assembled, err := rules.Assemble(job.ID, entries, rules.Outside{Zone: v.Zone, Entries: []domain.Entry{homeEntry}})
	if err != nil {
		return Page{}, err
	}
	shown.findings(judged, assembled.Reviews)
	shown.draw(assembled)
	shown.bars()
	shown.photos(entries)
	if v.IsOffice() {
		shown.worth(ctx, v)
		names := p.peopleNames(ctx, v)
		shown.history(whole.Items, names)
		shown.asked(entries)
		shown.CanDecide = shown.Record.State == domain.SentIn
	}
	rows := len(shown.Findings)
	if rows == 0 {
		rows = -1 // the sentence says so
	}
	street := home.Resident.Street
	title := "Job"
	if job.Number > 0 {
		title += " " + strconv.FormatInt(job.Number, 10)
	}
	if street != "" {
		title += " · " + street
	}
	return Page{Title: title, Under: "Jobs", Body: "job", With: &shown, AsOf: v.Now, Rows: rows, Data: at + "/findings",
		Quiet: shown.quiet(job.RecordedAt, v), Lead: shown.lead()}, nil
}

func (j *jobShown) quiet(since time.Time, v *Visit) string {
	parts := []string{j.Contractor, Plain(j.Record.State) + " since " + Day(since, v.Zone)}
	if j.Record.FundSource != "" {
		parts = append(parts, Plain(j.Record.FundSource))
	}
	if j.Record.DueOn != "" {
		parts = append(parts, "due "+Day(j.Record.DueOn, v.Zone))
	}
	return strings.Join(parts, " · ")
}

// lead says first what is to do.
func (j *jobShown) lead() string {
	fix, questions, notes := 0, 0, 0
	for i := range j.Findings {
		switch f := &j.Findings[i]; {
		case f.Severity == rules.MustFix:
			fix++
		case f.Form() == "question":
			questions++
		default:
			notes++
		}
	}
	if len(j.Findings) == 0 {
		return "The rules find nothing to fix and nothing to ask."
	}
	var parts []string
	if fix > 0 {
		parts = append(parts, Count(fix, "thing")+" to fix")
	}
	if questions > 0 {
		parts = append(parts, Count(questions, "question"))
	}
	if notes > 0 {
		parts = append(parts, Count(notes, "note"))
	}
	return sentence(strings.Join(parts, ", "))
}

// ruleTitles are the titles of the rules in the crew's words.
var ruleTitles = func() map[string]string {
	titles := map[string]string{}
	for _, page := range rules.Pages(rules.DefaultSet()) {
		titles[page.Key] = page.Title
	}
	return titles
}()

// findings numbers them, what must be fixed first.
func (j *jobShown) findings(v verdict, reviews []rules.Of[domain.Review]) {
	whole := rules.Verdict{Findings: v.Findings}
	open := whole.Open(reviews)
	list := slices.Clone(v.Findings)
	rank := map[string]int{"must": 0, "question": 1, "note": 2}
	slices.SortStableFunc(list, func(a, b rules.Finding) int {
		x, y := shownFinding{Finding: a}, shownFinding{Finding: b}
		return rank[x.Form()] - rank[y.Form()]
	})
	for i, f := range list {
		title := ruleTitles[f.Rule]
		if title == "" {
			title = sentence(Plain(f.Rule))
		}
		f.Detail = sentence(f.Detail)
		shown := shownFinding{Finding: f, Number: i + 1, Title: title}
		shown.Open = slices.ContainsFunc(open, func(o rules.Finding) bool { return o.Is(f.Ref()) })
		if shown.Open {
			j.Blocks++
		}
		j.Findings = append(j.Findings, shown)
	}
	j.More = v.More
}

func (j *jobShown) draw(a *rules.Assembled) {
	var flags []drawing.Flag
	for i := range j.Findings {
		f := &j.Findings[i]
		severity := string(f.Severity)
		if f.Outcome == "not_recorded" {
			severity = "not_recorded"
		}
		flags = append(flags, drawing.Flag{Number: f.Number, Severity: severity, Title: f.Title, Subjects: f.Subjects})
	}
	j.Picture = drawing.Draw(drawing.Of(a), flags)
}

// bars draws before and after, each with the range of a repeated test.
func (j *jobShown) bars() {
	r := &j.Result
	if r.BeforeCFM25 == nil || r.AfterCFM25 == nil {
		return
	}
	bar := func(words, class string, value, low, high *float64) chart.Bar {
		b := chart.Bar{Words: words, Class: class, Value: *value, Text: Number(*value, 0)}
		if low != nil && high != nil {
			b.Low, b.High = *low, *high
		}
		return b
	}
	pic := chart.Bars(fmt.Sprintf("Before %s, after %s cfm at 25 Pa", Number(*r.BeforeCFM25, 0), Number(*r.AfterCFM25, 0)), []chart.Bar{
		bar("before", "before", r.BeforeCFM25, r.BeforeCFM25Low, r.BeforeCFM25High), bar("after", "after", r.AfterCFM25, r.AfterCFM25Low, r.AfterCFM25High)})
	j.Bars = &pic
}

// worth is what the statement of the month expects of the job. One that cannot
// be had leaves the page without the sum, not without the decision.
func (j *jobShown) worth(ctx context.Context, v *Visit) {
	address := fmt.Sprintf("/v1/contractors/%s/statement?month=%s", j.Record.ContractorID, v.Now.In(v.Zone).Format("2006-01"))
	lines, _, err := All[struct {
		JobID    string `json:"job_id"`
		Expected *int64 `json:"expected_cents"`
	}](ctx, v, address, 5000)
	if err != nil {
		return
	}
	for _, l := range lines {
		if l.JobID == j.ID && l.Expected != nil {
			j.Expected, j.Known = j.Expected+*l.Expected, true
		}
	}
}

// peopleNames are the names of the program's people.
func (p *Pages) peopleNames(ctx context.Context, v *Visit) map[string]string {
	names := map[string]string{}
	list, _, err := All[struct {
		ID   string `json:"person_id"`
		Name string `json:"name"`
	}](ctx, v, "/v1/people", 2000)
	if err != nil {
		return names // who may not read them sees the moments alone
	}
	for _, who := range list {
		names[who.ID] = who.Name
	}
	return names
}

// history is who decided and sent what, the newest first.
func (j *jobShown) history(items []told, names map[string]string) {
	who := func(e *told) string {
		if name := names[e.PersonID.String()]; name != "" {
			return name
		}
		switch {
		case !e.DeviceID.IsZero():
			return "a phone of the crew"
		case !e.PersonID.IsZero():
			return "somebody"
		}
		return "the service"
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
			h.What, h.Text = "lifted a finding", r.Reason
		case *domain.Visit:
			h.What = "sent the visit of " + Day(r.VisitedOn, time.UTC)
		case *domain.CallBack:
			h.What = "recorded a call-back"
		case *domain.Inspection:
			h.What = "inspected: " + Plain(r.Result)
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

var reviewWords = map[domain.Decision]string{
	domain.Accept: "accepted it", domain.Return: "returned it to the crew", domain.Defer: "deferred it", domain.Reopen: "opened it again",
	domain.Answer: "answered a question", domain.Reply: "replied", domain.Exclude: "took it out of the statistics", domain.Include: "put it back into the statistics",
	domain.Confirm: "confirmed it", domain.Correct: "corrected the office’s own error",
}

// asked puts beside the last return what has come in since.
func (j *jobShown) asked(entries []domain.Entry) {
	var last *domain.Entry
	for i := range entries {
		if r, ok := entries[i].Record.(*domain.Review); ok && r.Decision == domain.Return && (last == nil || entries[i].RecordedAt.After(last.RecordedAt)) {
			last = &entries[i]
		}
	}
	if last == nil {
		return
	}
	r := last.Record.(*domain.Review)
	a := asked{Text: r.Text}
	if a.Text == "" {
		a.Text = Plain(strings.Join(r.ReasonCodes, ", "))
	}
	counts := map[domain.Kind]int{}
	for i := range entries {
		if e := &entries[i]; e.RecordedAt.After(last.RecordedAt) && e.Kind != domain.ReviewKind && e.Kind != domain.JobKind {
			counts[e.Kind]++
		}
	}
	for _, row := range domain.Kinds {
		if n := counts[row.Kind]; n > 0 {
			a.Changed = append(a.Changed, Count(n, Plain(row.Kind), strings.ReplaceAll(row.Plural, "-", " ")))
		}
	}
	j.Asked = []asked{a}
}

// photos are gathered by the part that they show, before beside after.
func (j *jobShown) photos(entries []domain.Entry) {
	stages := []domain.PhotoStage{domain.SurveyStage, domain.BeforeStage, domain.CheckStage, domain.AfterStage}
	parts := map[string]int{}
	for i := range entries {
		r, ok := entries[i].Record.(*domain.Photo)
		if !ok || entries[i].Void != nil {
			continue
		}
		j.Taken++
		name := partName(r, entries)
		at, known := parts[name]
		if !known {
			at = len(j.Photos)
			parts[name] = at
			j.Photos = append(j.Photos, photoPart{Part: name})
		}
		shows := ""
		for _, s := range r.Subjects {
			shows = Plain(s.Shows)
		}
		j.Photos[at].Photos = append(j.Photos[at].Photos, photoShown{entries[i].ID.String(), string(r.Stage), shows})
	}
	for i := range j.Photos {
		slices.SortStableFunc(j.Photos[i].Photos, func(a, b photoShown) int {
			return slices.Index(stages, domain.PhotoStage(a.Stage)) - slices.Index(stages, domain.PhotoStage(b.Stage))
		})
	}
	slices.SortStableFunc(j.Photos, func(a, b photoPart) int { return strings.Compare(a.Part, b.Part) })
}

// partName says what a photo is of.
func partName(r *domain.Photo, entries []domain.Entry) string {
	if len(r.Subjects) == 0 {
		return "Whole home"
	}
	s := r.Subjects[0]
	for i := range entries {
		if entries[i].ID != s.ID || entries[i].Kind != s.Kind {
			continue
		}
		if c, ok := entries[i].Record.(*domain.Component); ok {
			return sentenceStart(fmt.Sprintf("%s, section %s", Plain(c.Component), c.Section))
		}
	}
	return sentenceStart(Plain(s.Kind))
}

func sentenceStart(text string) string { return strings.TrimSuffix(sentence(text), ".") }

func nameIn(record Value) string {
	var of struct {
		Name string `json:"name"`
	}
	if err := readValue(record, &of); err != nil {
		return ""
	}
	return of.Name
}

func entriesIn(items []told) (entries []domain.Entry, err error) {
	for i := range items {
		e, err := items[i].entry()
		if err != nil {
			return nil, err
		}
		entries = append(entries, e)
	}
	return entries, nil
}

// decide sends the office's decision: a review, which carries the person's name.
func (p *Pages) decide(ctx context.Context, v *Visit) (Page, error) {
	id, err := domain.ParseUUID(v.Path["id"])
	if err != nil {
		return Page{}, domain.Errorf(domain.NotFound, "there is no such job")
	}
	body := map[string]any{"job_id": id.String()}
	switch decision := v.Form.Get("decision"); decision {
	case "accept":
		body["decision"] = decision
	case "return", "reopen":
		body["decision"], body["reason_codes"] = decision, []string{"see_text"}
	case "answer":
		ref, err := findingNamed(v.Form.Get("finding"))
		if err != nil {
			return Page{}, err
		}
		body["decision"], body["finding"] = decision, ref
	case "waive":
		return p.waive(ctx, v, id)
	default:
		return Page{}, domain.Errorf(domain.Invalid, "choose what to do")
	}
	text := v.Form.Get("text")
	if body["decision"] != "accept" && text == "" {
		return Page{}, domain.Errorf(domain.Invalid, "say in a sentence why: the crew and the contractor read it")
	}
	if text != "" {
		body["text"] = text
	}
	return p.sent(ctx, v, "/v1/reviews/", body)
}

// waive lifts one finding, with the consequence that was agreed on.
func (p *Pages) waive(ctx context.Context, v *Visit, id domain.UUID) (Page, error) {
	ref, err := findingNamed(v.Form.Get("finding"))
	if err != nil {
		return Page{}, err
	}
	body := map[string]any{"job_id": id.String(), "finding": ref, "reason": v.Form.Get("text"), "agreed_consequence": v.Form.Get("consequence")}
	if day := v.Form.Get("talk"); day != "" {
		body["safety_talk_on"] = day
	}
	return p.sent(ctx, v, "/v1/waivers/", body)
}

// sent puts a record under the id that the form was made with, so that a form
// sent twice has one effect, and goes back to the job.
func (p *Pages) sent(ctx context.Context, v *Visit, to string, body map[string]any) (Page, error) {
	id, err := domain.ParseUUID(v.Form.Get("id"))
	if err != nil {
		return Page{}, domain.Errorf(domain.Invalid, "this form has no id: open the page again")
	}
	if err := v.Send(ctx, http.MethodPut, to+id.String(), body, nil); err != nil {
		return Page{}, err
	}
	return Page{Location: "/staff/jobs/" + v.Path["id"]}, nil
}

// NewID is the id of what a form makes.
func (j *jobShown) NewID() string { return uuid.Must(uuid.NewV7()).String() }

// jobsPage lists jobs, by state or contractor.
func (p *Pages) jobsPage(ctx context.Context, v *Visit) (Page, error) {
	address := "/v1/jobs?limit=50"
	for _, name := range []string{"state", "contractor_id", "after"} {
		if value := v.Query.Get(name); value != "" {
			address += "&" + name + "=" + url.QueryEscape(value)
		}
	}
	var list struct {
		Items []told `json:"items"`
		Next  string `json:"next"`
	}
	if err := v.Get(ctx, address, &list); err != nil {
		return Page{}, err
	}
	type line struct {
		ID, State string
		Number    int64
		DueOn     domain.Date
		Fund      string
		Since     time.Time
	}
	var with struct {
		Lines  []line
		Next   string
		State  string
		States []string
	}
	with.State, with.States = v.Query.Get("state"), []string{"sent_in", "returned", "in_work", "assigned", "accepted", "deferred"}
	for i := range list.Items {
		e, err := list.Items[i].entry()
		if err != nil {
			return Page{}, err
		}
		r := e.Record.(*domain.Job)
		with.Lines = append(with.Lines, line{e.ID.String(), string(r.State), list.Items[i].Number, r.DueOn, r.FundSource, e.RecordedAt})
	}
	if list.Next != "" {
		with.Next = v.With("after", list.Next)
	}
	return Page{Title: "Jobs", Under: "Jobs", Body: "jobs", With: &with, AsOf: v.Now, Rows: len(with.Lines), Data: address}, nil
}
