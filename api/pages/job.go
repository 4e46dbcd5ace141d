package pages

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
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
	Position   int64       `json:"position"`
	RecordedAt time.Time   `json:"recorded_at"`
	Void       *domain.Void
	Record     Value             `json:"record"`
	BytesState domain.BytesState `json:"bytes_state"`
	Resident   struct {
		Name   string `json:"name"`
		Phone  string `json:"phone"`
		Street string `json:"street"`
		// Who signed.
		PermissionBy string `json:"permission_by"`
		ConsentBy    string `json:"consent_by"`
	} `json:"resident"`
}

// entry is it as the domain has it.
func (e *told) entry() (domain.Entry, error) {
	record, err := domain.Decode(e.Kind, e.Record)
	return domain.Entry{Kind: e.Kind, ID: e.ID, Version: e.Version, JobID: e.JobID, Position: e.Position, Void: e.Void, RecordedAt: e.RecordedAt, Body: []byte(e.Record), Record: record}, err
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

type jobShown struct {
	ID          string
	Record      domain.Job
	Version     int64
	Contractor  string
	Picture     drawing.Picture
	Findings    []shownFinding
	Waived      []waived
	Begun       bool // something of the work is recorded, so that rules have something to judge
	More        int
	Result      rules.Result
	Questions   []rules.Question
	Bars        *chart.Picture
	Inspector   *chart.Picture // the reading after, of the crew and of an inspector
	Expected    *int64         // cents that wait for it
	Asked       *asked
	Photos      []photoPart
	Taken       int // pictures
	Arrived     int
	History     []happened
	Earlier     int
	Blocks      int         // findings that keep the job from being accepted
	Held        []heldShort // what was sent for it and not accepted, which keeps it from being accepted too
	CanDecide   bool
	Instruments []named    // for an inspector's own reading
	Form        url.Values // what was typed into a form that was refused
	title       string
	since       time.Time
	at          string
	today       string
}

// Worth is what waits for the job in cents; 0: nothing does, or nobody knows.
func (j *jobShown) Worth() int64 {
	if j.Expected == nil {
		return 0
	}
	return *j.Expected
}

// Typed is what was typed into a field of the form for a decision, if that was refused.
func (j *jobShown) Typed(decision, field string) string {
	if j.Form.Get("decision") != decision {
		return ""
	}
	return j.Form.Get(field)
}

// Chosen tells that the finding was chosen in the form for a decision.
func (j *jobShown) Chosen(decision, named string) bool { return j.Typed(decision, "finding") == named }

// Left tells that a rule was unticked in a return that was refused.
func (j *jobShown) Left(rule string) bool {
	return j.Form.Get("decision") == "return" && !slices.Contains(j.Form["rule"], rule)
}

// Rules are those of the findings that keep it from being accepted, once each.
func (j *jobShown) Rules() (list []shownFinding) {
	for _, f := range j.Findings {
		if f.Open && !slices.ContainsFunc(list, func(g shownFinding) bool { return g.Rule == f.Rule }) {
			list = append(list, f)
		}
	}
	return list
}

// A waived finding is one that the office lifted, with what was agreed instead.
type waived struct {
	Title, Reason, Consequence string
	TalkOn                     domain.Date
}

// idInText is a record named by its id.
var idInText = regexp.MustCompile(`(job|photo|measurement|home) [0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}`)

// jobPage shows a job to the office: the drawing, what is to fix, and the decision.
func (p *Pages) jobPage(ctx context.Context, v *Visit) (Page, error) {
	shown, err := p.readJob(ctx, v)
	if err != nil {
		return Page{}, err
	}
	return shown.page(v, "Jobs"), nil
}

// readJob asks the API for all that a job's page shows to whoever looks.
func (p *Pages) readJob(ctx context.Context, v *Visit) (*jobShown, error) {
	id := v.Path["id"]
	at := "/v1/jobs/" + url.PathEscape(id)
	var job, home, contractor told
	var whole, versions struct {
		Items []told `json:"items"`
	}
	var judged verdict
	var result struct {
		rules.Result
		Questions []rules.Question `json:"questions"`
		Expected  *int64           `json:"expected_cents"`
		Inspector *float64         `json:"inspector_after_cfm25"`
	}
	if err := v.Get(ctx, at, &job); err != nil {
		return nil, err
	}
	record, err := job.entry()
	if err != nil {
		return nil, err
	}
	shown := &jobShown{ID: id, Record: *record.Record.(*domain.Job), Version: job.Version, since: job.RecordedAt, at: at, today: v.Now.In(v.Zone).Format(time.DateOnly)}
	for _, part := range []struct {
		address string
		into    any
	}{
		{at + "/entries", &whole}, {at + "/findings", &judged}, {at + "/result", &result},
		{"/v1/homes/" + shown.Record.HomeID.String(), &home}, {"/v1/contractors/" + shown.Record.ContractorID.String(), &contractor},
	} {
		if err := v.Get(ctx, part.address, part.into); err != nil {
			return nil, err
		}
	}
	entries, err := entriesIn(whole.Items)
	if err != nil {
		return nil, err
	}
	homeEntry, err := home.entry()
	if err != nil {
		return nil, err
	}
	assembled, err := rules.Assemble(job.ID, entries, rules.Outside{Zone: v.Zone, Entries: []domain.Entry{homeEntry}})
	if err != nil {
		return nil, err
	}
	names, people := partsOf(entries), map[string]string{}
	shown.Contractor, shown.Result, shown.Questions, shown.Expected = nameIn(contractor.Record), result.Result, result.Questions, result.Expected
	for i := range shown.Questions { // what it is about is told by its page, not by an id
		shown.Questions[i].Detail = sentence(idInText.ReplaceAllString(shown.Questions[i].Detail, "another $1"))
	}
	shown.findings(judged, assembled.Reviews)
	for _, w := range assembled.Waivers {
		r := w.Record
		shown.Waived = append(shown.Waived, waived{firstOf(ruleTitles[r.Finding.Rule], Plain(r.Finding.Rule)), r.Reason, r.AgreedConsequence, r.SafetyTalkOn})
	}
	shown.Begun = slices.ContainsFunc(entries, func(e domain.Entry) bool {
		return e.Kind != domain.JobKind && e.Kind != domain.ReviewKind && e.Kind != domain.WaiverKind
	})
	shown.draw(assembled)
	shown.bars()
	shown.twice(result.Inspector)
	if !v.Is(domain.ContractorRole) { // which reads no picture
		shown.photos(whole.Items, entries, names)
	}
	if v.IsOffice() {
		if err := v.Get(ctx, at+"/versions?limit=200", &versions); err != nil {
			return nil, err
		}
		people = p.peopleNames(ctx, v)
		if shown.CanDecide = shown.Record.State == domain.SentIn; shown.CanDecide {
			if err := shown.held(ctx, v); err != nil {
				return nil, err
			}
		}
	}
	shown.history(whole.Items, versions.Items, people)
	shown.asked(whole.Items, entries, names, people)
	if v.Method == http.MethodPost {
		shown.Form = v.Form
	}
	shown.title = "Job"
	if job.Number > 0 {
		shown.title += " " + strconv.FormatInt(job.Number, 10)
	}
	if street := home.Resident.Street; street != "" {
		shown.title += " · " + street
	}
	return shown, nil
}

// A heldShort is one item of the job that was not accepted as it came.
type heldShort struct {
	HeldID string      `json:"held_id"`
	Kind   domain.Kind `json:"kind"`
	Code   domain.Code `json:"code"`
}

// held reads what is held and open of the job, and what waits for a record.
func (j *jobShown) held(ctx context.Context, v *Visit) error {
	const most = 20
	list, _, err := All[heldShort](ctx, v, "/v1/held?job_id="+j.ID, most)
	if err != nil {
		return err
	}
	for _, h := range list {
		if h.Code != domain.NotAcceptable { // an acceptance that was refused stops no other
			j.Held = append(j.Held, h)
		}
	}
	return nil
}

// page lays the job out for whoever looks.
func (j *jobShown) page(v *Visit, under string) Page {
	rows := len(j.Findings)
	if rows == 0 {
		rows = -1 // the sentence says so
	}
	return Page{Title: j.title, Under: under, Body: "job", With: j, AsOf: v.Now, Rows: rows, Data: j.at + "/findings", Table: j.table(), Quiet: j.quiet(j.since, v), Lead: j.lead()}
}

// table is the findings for a spreadsheet.
func (j *jobShown) table() *Table {
	t := &Table{Name: "findings", Columns: []string{"rule", "outcome", "severity", "cure", "subjects", "detail", "fix"}}
	for _, f := range j.Findings {
		var subjects []string
		for _, s := range f.Subjects {
			subjects = append(subjects, string(s.Kind)+":"+s.ID.String())
		}
		t.Rows = append(t.Rows, []string{f.Rule, string(f.Outcome), string(f.Severity), string(f.Cure), strings.Join(subjects, " "), f.Detail, f.Fix})
	}
	return t
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
	fix, questions, answered, notes := 0, 0, 0, 0
	for i := range j.Findings {
		switch f := &j.Findings[i]; {
		case f.Severity == rules.MustFix:
			fix++
		case f.Severity == rules.Check && !f.Open:
			answered++
		case f.Form() == "question":
			questions++
		default:
			notes++
		}
	}
	underway := j.Record.State == domain.Assigned || j.Record.State == domain.InWork
	switch {
	case len(j.Findings) > 0:
	case !j.Begun: // that nothing is found in nothing is no good sign
		return "Nothing of the work is recorded yet: there is nothing to judge."
	case underway:
		return "So far the rules find nothing to fix and nothing to ask; the job is not sent in."
	case len(j.Waived) > 0:
		return sentence("Nothing is left to fix or to ask; " + CountWords(len(j.Waived), "finding was", "findings were") + " waived")
	default:
		return "The rules find nothing to fix and nothing to ask."
	}
	var parts []string
	if fix > 0 {
		parts = append(parts, CountWords(fix, "thing")+" to fix")
	}
	if questions > 0 {
		parts = append(parts, CountWords(questions, "question"))
	}
	if answered > 0 {
		parts = append(parts, CountWords(answered, "question")+" answered")
	}
	if notes > 0 {
		parts = append(parts, CountWords(notes, "note"))
	}
	if n := len(j.Waived); n > 0 {
		parts = append(parts, CountWords(n, "finding")+" waived")
	}
	return sentence(strings.Join(parts, ", "))
}

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

// twice draws the crew's reading after and an inspector's.
func (j *jobShown) twice(inspector *float64) {
	crew := j.Result.AfterCFM25
	if inspector == nil || crew == nil {
		return
	}
	pic := chart.Bars(fmt.Sprintf("After: the crew %s, the inspector %s cfm at 25 Pa", Number(*crew, 0), Number(*inspector, 0)), []chart.Bar{
		{Words: "the crew", Class: "before", Value: *crew, Text: Number(*crew, 0)}, {Words: "the inspector", Class: "after", Value: *inspector, Text: Number(*inspector, 0)}})
	j.Inspector = &pic
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

// decide sends the office's decision. One that is refused is shown again on the
// job's page, with what was typed.
func (p *Pages) decide(ctx context.Context, v *Visit) (Page, error) {
	page, err := p.decision(ctx, v)
	if err == nil || domain.CodeOf(err) == domain.NotFound {
		return page, err
	}
	again, readErr := p.jobPage(ctx, v)
	if readErr != nil {
		return Page{}, readErr
	}
	return refusedForm(again, err)
}

// decision is a review, which carries the person's name.
func (p *Pages) decision(ctx context.Context, v *Visit) (Page, error) {
	id, err := domain.ParseUUID(v.Path["id"])
	if err != nil {
		return Page{}, domain.Errorf(domain.NotFound, "there is no such job")
	}
	body := map[string]any{"job_id": id.String()}
	switch decision := v.Form.Get("decision"); decision {
	case "accept":
		body["decision"] = decision
	case "return", "reopen":
		body["decision"], body["reason_codes"] = decision, reasons(v.Form["rule"])
	case "answer":
		ref, err := findingNamed(v.Form.Get("finding"))
		if err != nil {
			return Page{}, err
		}
		body["decision"], body["finding"] = decision, ref
	case "waive":
		return p.waive(ctx, v, id)
	case "inspect":
		return p.openToInspector(ctx, v, id)
	default:
		return Page{}, domain.Errorf(domain.Invalid, "choose what to do")
	}
	text := v.Form.Get("text")
	if body["decision"] != "accept" && text == "" && len(v.Form["rule"]) == 0 {
		return Page{}, domain.Errorf(domain.Invalid, "say in a sentence why: the crew and the contractor read it")
	}
	if text != "" {
		body["text"] = text
	}
	return p.sent(ctx, v, "/v1/reviews/", body)
}

// reasons are the rules whose findings a return asks to mend, as many as a review
// takes; without any the sentence alone says why.
func reasons(chosen []string) (codes []string) {
	const mostReasons = 10
	for _, rule := range chosen {
		if ruleTitles[rule] != "" && len(codes) < mostReasons && !slices.Contains(codes, rule) {
			codes = append(codes, rule)
		}
	}
	if len(codes) == 0 {
		return []string{"see_text"}
	}
	return codes
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

// Today is the day in the program's zone, as a form takes it.
func (j *jobShown) Today() string { return j.today }

// NewID is the id of what a form makes.
func (j *jobShown) NewID() string { return uuid.Must(uuid.NewV7()).String() }

// JobsAt is the list of jobs of a state, of the contractor that the address names.
func (v *Visit) JobsAt(state string) string {
	query := url.Values{"state": {state}}
	if firm := v.Query.Get("contractor_id"); firm != "" {
		query.Set("contractor_id", firm)
	}
	return "/staff/jobs?" + query.Encode()
}

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
		Firm      string
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
	firms, _, err := contractors(ctx, v)
	if err != nil {
		return Page{}, err
	}
	table := &Table{Name: "jobs", Columns: []string{"job_id", "number", "contractor_name", "state", "recorded_at", "due_on", "fund_source"}}
	with.State, with.States = v.Query.Get("state"), []string{"sent_in", "returned", "in_work", "assigned", "accepted", "deferred"}
	for i := range list.Items {
		e, err := list.Items[i].entry()
		if err != nil {
			return Page{}, err
		}
		r := e.Record.(*domain.Job)
		at := line{e.ID.String(), string(r.State), firms[r.ContractorID], list.Items[i].Number, r.DueOn, r.FundSource, e.RecordedAt}
		with.Lines = append(with.Lines, at)
		table.Rows = append(table.Rows, []string{at.ID, numberText(at.Number), at.Firm, at.State, stamp(at.Since), string(at.DueOn), at.Fund})
	}
	if list.Next != "" {
		with.Next = v.With("after", list.Next)
	}
	var only []string
	if firm := firms[idOf(v.Query.Get("contractor_id"))]; firm != "" {
		only = append(only, firm)
	}
	if with.State != "" {
		only = append(only, Plain(with.State))
	}
	quiet := ""
	if len(only) > 0 {
		quiet = "Only: " + strings.Join(only, ", ") + "."
	}
	return Page{Title: "Jobs", Under: "Jobs", Body: "jobs", With: &with, Quiet: quiet, AsOf: v.Now, Rows: len(with.Lines), Data: address, Table: table}, nil
}
