package pages

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"ductledger/domain"
)

// statement is what a contractor is paid for a month, as the API answers it.
type statement struct {
	ContractorName string          `json:"contractor_name"`
	AsOfAt         time.Time       `json:"as_of_at"`
	CutBy          string          `json:"cut_by"`
	Totals         statementSums   `json:"totals"`
	Items          []statementLine `json:"items"`
	Next           string          `json:"next"`
}

type statementSums struct {
	Amount         int64 `json:"amount_cents"`
	HeldBack       int64 `json:"held_back_cents"`
	Correction     int64 `json:"correction_cents"`
	CorrectionHeld int64 `json:"correction_held_back_cents"`
	Due            int64 `json:"due_cents"`
	Expected       int64 `json:"expected_cents"`
}

type statementLine struct {
	JobID      domain.UUID `json:"job_id"`
	JobNumber  int64       `json:"job_number"`
	CountedAs  string      `json:"counted_as"`
	Event      string      `json:"event"`
	Line       string      `json:"line"`
	State      string      `json:"state"`
	FundSource string      `json:"fund_source"`
	Quantity   float64     `json:"quantity"`
	UnitCents  *int64      `json:"unit_price_cents"`
	LimitedBy  string      `json:"limited_by"`
	Amount     int64       `json:"amount_cents"`
	HeldBack   int64       `json:"held_back_cents"`
	Expected   *int64      `json:"expected_cents"`
	Withheld   []string    `json:"withheld_by"`
}

// Words says what is paid for, at which price, and what moved the amount away from it.
func (l *statementLine) Words() string {
	one := map[string]string{"home": "a home", "crossover_replaced": "a crossover replaced", "trip_fee": "a trip", "call_back": "a call-back, taken back"}[l.Line]
	many := map[string]string{"home": "homes", "cfm25_removed": "cfm at 25 Pa removed", "crossover_replaced": "crossovers replaced", "trip_fee": "trips"}[l.Line]
	words := firstOf(one, Plain(l.Line), "nothing")
	if many != "" && (l.Quantity != 1 || one == "") {
		digits := 1
		if l.Quantity == math.Trunc(l.Quantity) {
			digits = 0
		}
		words = Number(l.Quantity, digits) + " " + many
	}
	if l.UnitCents == nil {
		if many != "" && l.Amount == 0 && (l.Expected == nil || *l.Expected == 0) {
			words += ", for which no price is set"
		}
		return words
	}
	words += " at " + Money(*l.UnitCents)
	switch l.LimitedBy {
	case "floor":
		words += ", at least " + Money(l.Amount)
	case "cap":
		words += ", at most " + Money(l.Amount)
	}
	return words
}

// Why says what withholds it, in the titles of the rules or in words.
func (l *statementLine) Why() (list []string) {
	for _, code := range l.Withheld {
		if title := ruleTitles[code]; title != "" { // a rule's title says what should be
			list = append(list, "open: "+title)
			continue
		}
		list = append(list, Reason(code))
	}
	return list
}

// readStatement reads a statement whole.
func readStatement(ctx context.Context, v *Visit, firm, month string) (s statement, err error) {
	address := fmt.Sprintf("/v1/contractors/%s/statement?format=json&month=%s&limit=500", firm, url.QueryEscape(month))
	for after := ""; ; {
		var page statement
		if err := v.Get(ctx, address+after, &page); err != nil {
			return s, err
		}
		page.Items = append(s.Items, page.Items...)
		if s = page; s.Next == "" {
			break
		}
		after = "&after=" + url.QueryEscape(s.Next)
	}
	return s, nil
}

// An ownJob is a job of the contractor, with what it is worth and what withholds it.
type ownJob struct {
	ID     string
	Number int64
	State  domain.JobState
	Since  time.Time
	DueOn  domain.Date
	Worth  int64
	Why    []string
}

type ownShown struct {
	Back, Open []ownJob
	More       bool
	Waits      []waiting // all else that waits for the contractor
}

// ownJobs shows a contractor what came back, why and what waits for it, then
// what else is open.
func (p *Pages) ownJobs(ctx context.Context, v *Visit) (Page, error) {
	firm := v.Caller.Contractor.String()
	lines, err := readStatement(ctx, v, firm, v.Now.In(v.Zone).Format("2006-01"))
	if err != nil {
		return Page{}, err
	}
	s := ownShown{}
	table := &Table{Name: "jobs", Columns: []string{"job_id", "number", "state", "due_on", "expected_cents", "withheld_by"}}
	worth := int64(0)
	for _, state := range []domain.JobState{domain.Returned, domain.Assigned, domain.InWork, domain.SentIn} {
		jobs, more, err := All[told](ctx, v, "/v1/jobs?state="+string(state), most)
		if err != nil {
			return Page{}, err
		}
		s.More = s.More || more
		for i := range jobs {
			e, err := jobs[i].entry()
			if err != nil {
				return Page{}, err
			}
			r := e.Record.(*domain.Job)
			job := ownJob{ID: e.ID.String(), Number: jobs[i].Number, State: r.State, Since: e.RecordedAt, DueOn: r.DueOn}
			for _, l := range lines.Items {
				if l.JobID == e.ID && l.Expected != nil {
					job.Worth += *l.Expected
					for _, why := range l.Why() {
						job.Why = appendNew(job.Why, why)
					}
				}
			}
			table.Rows = append(table.Rows, []string{job.ID, numberText(job.Number), string(job.State), string(job.DueOn), fmt.Sprint(job.Worth), fmt.Sprint(job.Why)})
			if state == domain.Returned {
				s.Back, worth = append(s.Back, job), worth+job.Worth
			} else {
				s.Open = append(s.Open, job)
			}
		}
	}
	var list waits
	if err := v.Get(ctx, "/v1/worklist?limit=100", &list); err != nil {
		return Page{}, err
	}
	for _, w := range list.Items {
		if w.Sort != "returned" {
			s.Waits = append(s.Waits, w)
		}
	}
	lead := "No job has come back to you."
	if n := len(s.Back); n > 0 {
		lead = sentence(CountWords(n, "job has", "jobs have") + " come back to you")
		if worth > 0 {
			lead = fmt.Sprintf("%s come back to you: %s waits for the repair.", sentenceStart(CountWords(n, "job has", "jobs have")), Money(worth))
		}
	}
	return Page{Title: "Your jobs", Under: "Your jobs", Lead: lead, AsOf: v.Now, Rows: len(s.Back) + len(s.Open), Data: "/v1/jobs?limit=500", Table: table, Body: "own-jobs", With: s}, nil
}

func appendNew(list []string, text string) []string {
	for _, have := range list {
		if have == text {
			return list
		}
	}
	return append(list, text)
}

// ownJob shows a contractor one of its jobs: why it came back, what to fix, what
// it is worth.
func (p *Pages) ownJob(ctx context.Context, v *Visit) (Page, error) {
	shown, err := p.readJob(ctx, v)
	if err != nil {
		return Page{}, err
	}
	page := shown.page(v, "Your jobs")
	if shown.Record.State == domain.Returned {
		if len(shown.Findings) == 0 {
			page.Lead = "It came back, with a sentence of the office below."
		} else {
			page.Lead = "It came back. " + page.Lead
		}
		if worth := shown.Worth(); worth > 0 {
			page.Lead += fmt.Sprintf(" %s waits for this repair.", Money(worth))
		}
	}
	return page, nil
}

// reply sends what the contractor says to a job, or to one finding.
func (p *Pages) reply(ctx context.Context, v *Visit) (Page, error) {
	err := p.sendReply(ctx, v)
	if err == nil {
		return Page{Location: "/staff/own/jobs/" + v.Path["id"] + "#reply"}, nil
	}
	page, readErr := p.ownJob(ctx, v)
	if readErr != nil {
		return Page{}, readErr
	}
	return refusedForm(page, err)
}

func (p *Pages) sendReply(ctx context.Context, v *Visit) error {
	id, err := domain.ParseUUID(v.Form.Get("id"))
	if err != nil {
		return domain.Errorf(domain.Invalid, "this form has no id: open the page again")
	}
	if v.Form.Get("text") == "" {
		return domain.Errorf(domain.Invalid, "write what the office should know")
	}
	body := map[string]any{"job_id": v.Path["id"], "decision": domain.Reply, "text": v.Form.Get("text")}
	if named := v.Form.Get("finding"); named != "" {
		ref, err := findingNamed(named)
		if err != nil {
			return err
		}
		body["finding"] = ref
	}
	return v.Send(ctx, http.MethodPut, "/v1/reviews/"+id.String(), body, nil)
}

type statementShown struct {
	statement
	ID, Month, Earlier, Later string
	Ended                     bool
}

// ownStatement shows a contractor what it is paid for a month.
func (p *Pages) ownStatement(ctx context.Context, v *Visit) (Page, error) {
	return statementPage(ctx, v, v.Caller.Contractor.String(), "Statement")
}

// firmStatement shows the office the same.
func (p *Pages) firmStatement(ctx context.Context, v *Visit) (Page, error) {
	return statementPage(ctx, v, v.Path["id"], "Contractors")
}

func statementPage(ctx context.Context, v *Visit, firm, under string) (Page, error) {
	month, ended, err := monthOf(v)
	if err != nil {
		return Page{}, err
	}
	at, err := time.Parse("2006-01", month)
	if err != nil {
		return Page{}, err
	}
	s := statementShown{ID: firm, Month: month, Ended: ended, Earlier: at.AddDate(0, -1, 0).Format("2006-01"), Later: at.AddDate(0, 1, 0).Format("2006-01")}
	if s.statement, err = readStatement(ctx, v, firm, month); err != nil {
		return Page{}, err
	}
	slices.SortStableFunc(s.Items, func(a, b statementLine) int { return cmp.Compare(a.JobNumber, b.JobNumber) })
	t := &s.Totals
	lead := fmt.Sprintf("%s is due for %s.", Money(t.Due), Month(month))
	if t.Expected > 0 {
		lead += fmt.Sprintf(" %s more waits for jobs that are not accepted.", Money(t.Expected))
	}
	table := &Table{Name: "statement", Columns: []string{"job_id", "number", "counted_as", "event", "line", "state", "fund_source", "quantity", "amount_cents", "held_back_cents", "expected_cents", "withheld_by"}}
	for i := range s.Items {
		l, expected := &s.Items[i], ""
		if l.Expected != nil {
			expected = fmt.Sprint(*l.Expected)
		}
		table.Rows = append(table.Rows, []string{l.JobID.String(), numberText(l.JobNumber), l.CountedAs, l.Event, l.Line, l.State, l.FundSource, fmt.Sprint(l.Quantity), fmt.Sprint(l.Amount), fmt.Sprint(l.HeldBack), expected, strings.Join(l.Withheld, " ")})
	}
	cut := map[string]string{"released": "as the released package has it", "verified": "as the newest package has it, which is not released yet",
		"month_end": "as of the end of the month; no package is built yet", "newest": "as it stands now; the month has not ended"}[s.CutBy]
	return Page{Title: "Statement, " + Month(month), Under: under, Quiet: sentence(s.ContractorName + ": " + cut), Lead: lead, AsOf: s.AsOfAt, Rows: len(s.Items),
		Data: fmt.Sprintf("/v1/contractors/%s/statement?month=%s", firm, month), Table: table, Body: "statement", With: s}, nil
}

// ownFigures shows a contractor its own figures, with what recomputes them.
func (p *Pages) ownFigures(ctx context.Context, v *Visit) (Page, error) {
	return p.firmPage(ctx, v, v.Caller.Contractor.String(), "Your figures")
}
