package pages

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http"
	"net/url"
	"sort"
	"strconv"
	"strings"
	"time"

	"ductledger/api/pages/chart"
	"ductledger/domain"
	"ductledger/domain/draws"
)

// A stop is a job to be inspected, where it is and whom to call.
type stop struct {
	JobID, Street, Park, Name, Phone, Contractor string
	Number                                       int64
	Since                                        string
}

// Dial is the telephone number as a phone dials it.
func (s stop) Dial() string {
	return strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' || r == '+' {
			return r
		}
		return -1
	}, s.Phone)
}

// A drawShown is a draw with what was drawn of it.
type drawShown struct {
	ID         string
	Record     domain.InspectionDraw
	Firm       string
	Frame      int
	Drawn      []domain.DrawJob
	Finished   bool // the month is over: it can be drawn
	RecordedAt string
	Numbers    map[domain.UUID]int64
}

// estimates are what inspections tell of all jobs, as the API answers them.
type estimates struct {
	Program struct {
		Frame     int      `json:"frame_count"`
		Drawn     int      `json:"drawn_count"`
		Inspected int      `json:"inspected_count"`
		Failed    int      `json:"failed_count"`
		Ratio     *float64 `json:"failed_ratio"`
		Low       *float64 `json:"failed_ratio_low"`
		High      *float64 `json:"failed_ratio_high"`
		Statement string   `json:"statement"`
	} `json:"program"`
	Contractors []struct {
		ID        domain.UUID `json:"contractor_id"`
		Name      string      `json:"name"`
		Inspected int         `json:"inspected_count"`
		Failed    int         `json:"failed_count"`
		Ratio     *float64    `json:"failed_ratio"`
		Low       *float64    `json:"failed_ratio_low"`
		High      *float64    `json:"failed_ratio_high"`
		Statement string      `json:"statement"`
	} `json:"contractors"`
	ByMonth []draws.FailedMonth `json:"by_month"`
}

// Months is the chart of shares over time.
func (e *estimates) Months() *chart.Picture {
	if len(e.ByMonth) == 0 {
		return nil
	}
	months, failed, inspected := make([]chart.Month, len(e.ByMonth)), 0, 0
	for i := range e.ByMonth {
		m := &e.ByMonth[i]
		months[i] = chart.Month{Words: Month(string(m.From)), Value: &m.FailedRatio, Low: m.Low, High: m.High, Signal: m.Signal}
		failed, inspected = failed+m.FailedCount, inspected+m.InspectedCount
	}
	strip := chart.Strip("The share of inspected jobs that failed, month by month; the table beside it has the numbers", months, float64(failed)/float64(inspected))
	return &strip
}

type inspectionsShown struct {
	This      domain.Month // the running one
	Estimates *estimates
	Stops     []stop
	More      bool
	Draws     []drawShown
	Month     string
	Share     string
	TopUp     string
	Seed      string // shown once, to be kept until the draw
	Started   string // the month of the seed
}

// mostNumbers is of how many drawn jobs the numbers are asked.
const mostNumbers = 30

// mostStops is as many jobs as one route lists: a week's work of an inspector.
const mostStops = 60

// inspections shows what is to be inspected as a route, and to the office the draws.
func (p *Pages) inspections(ctx context.Context, v *Visit) (Page, error) {
	return p.inspectionsPage(ctx, v, inspectionsShown{})
}

func (p *Pages) inspectionsPage(ctx context.Context, v *Visit, s inspectionsShown) (Page, error) {
	address := fmt.Sprintf("/v1/worklist?sort=inspection_owed&limit=%d", mostStops+1)
	var list waits
	if err := v.Get(ctx, address, &list); err != nil {
		return Page{}, err
	}
	for _, w := range list.Items {
		if len(s.Stops) == mostStops {
			s.More = true
			break
		}
		at := stop{JobID: w.JobID, Number: w.Number, Contractor: w.ContractorName, Since: w.Detail}
		var job record[domain.Job]
		var home told
		if err := v.Get(ctx, "/v1/jobs/"+w.JobID, &job); err != nil {
			return Page{}, err
		}
		if err := v.Get(ctx, "/v1/homes/"+job.Record.HomeID.String(), &home); err != nil {
			return Page{}, err
		}
		var of struct {
			Park string `json:"park"`
		}
		if err := readValue(home.Record, &of); err != nil {
			return Page{}, err
		}
		at.Street, at.Name, at.Phone, at.Park = home.Resident.Street, home.Resident.Name, home.Resident.Phone, of.Park
		s.Stops = append(s.Stops, at)
	}
	sort.SliceStable(s.Stops, func(i, k int) bool { // neighbors stand together
		a, b := s.Stops[i], s.Stops[k]
		if a.Park != b.Park {
			return a.Park < b.Park
		}
		return streetKey(a.Street) < streetKey(b.Street)
	})
	if v.IsOffice() {
		if err := s.draws(ctx, v); err != nil {
			return Page{}, err
		}
		now := v.Now.In(v.Zone)
		next := time.Date(now.Year(), now.Month(), 1, 0, 0, 0, 0, time.UTC).AddDate(0, 1, 0)
		s.Estimates = &estimates{}
		if err := v.Get(ctx, fmt.Sprintf("/v1/inspection-estimates?from=%s&before=%s", next.AddDate(-1, 0, 0).Format(time.DateOnly), next.Format(time.DateOnly)), s.Estimates); err != nil {
			return Page{}, err
		}
	}
	table := &Table{Name: "to-inspect", Columns: []string{"job_id", "number", "street", "park", "name", "phone", "contractor_name", "detail"}}
	for _, at := range s.Stops {
		table.Rows = append(table.Rows, []string{at.JobID, numberText(at.Number), at.Street, at.Park, at.Name, at.Phone, at.Contractor, at.Since})
	}
	page := Page{Title: "Inspections", Under: "Inspections", AsOf: list.AsOfAt, Rows: len(s.Stops), Data: address, Table: table, Body: "inspections", With: s}
	page.Lead = sentence(CountWords(len(s.Stops), "job waits", "jobs wait") + " to be inspected")
	switch {
	case len(s.Stops) == 0:
		page.Lead = "No job is open to inspection."
	case s.More:
		page.Lead = fmt.Sprintf("More than %d jobs wait to be inspected.", mostStops)
	}
	return page, nil
}

// streetKey sorts streets by their name, then by the number before it.
func streetKey(street string) string {
	number, name, _ := strings.Cut(street, " ")
	n, err := strconv.Atoi(number)
	if err != nil {
		return street
	}
	return fmt.Sprintf("%s %09d", name, n)
}

// draws reads the draws of the last months.
func (s *inspectionsShown) draws(ctx context.Context, v *Visit) error {
	all, _, err := All[record[domain.InspectionDraw]](ctx, v, "/v1/inspection-draws", most)
	if err != nil {
		return err
	}
	firms, _, err := contractors(ctx, v)
	if err != nil {
		return err
	}
	this := domain.Month(v.Now.In(v.Zone).Format("2006-01"))
	s.This = this
	for i := range all {
		d := drawShown{ID: all[i].ID.String(), Record: all[i].Record, Frame: len(all[i].Record.Jobs), RecordedAt: all[i].RecordedAt, Finished: all[i].Record.Month < this}
		if id := d.Record.ContractorID; id != nil {
			d.Firm = firms[*id]
		}
		for _, j := range d.Record.Jobs {
			if j.Drawn() || d.Record.State == domain.DrawByHand {
				d.Drawn = append(d.Drawn, j)
			}
		}
		s.Draws = append(s.Draws, d)
	}
	sort.SliceStable(s.Draws, func(i, k int) bool { return s.Draws[i].RecordedAt > s.Draws[k].RecordedAt })
	asked := 0
	for i := range s.Draws {
		d := &s.Draws[i]
		d.Numbers = map[domain.UUID]int64{}
		for _, j := range d.Drawn {
			if asked++; asked > mostNumbers {
				break // the older ones stand without
			}
			var job told
			if err := v.Get(ctx, "/v1/jobs/"+j.JobID.String(), &job); err != nil {
				return err
			}
			d.Numbers[j.JobID] = job.Number
		}
	}
	if s.Month == "" {
		first := time.Date(v.Now.In(v.Zone).Year(), v.Now.In(v.Zone).Month(), 1, 0, 0, 0, 0, time.UTC)
		s.Month = first.AddDate(0, -1, 0).Format("2006-01")
	}
	return nil
}

// inspectionsDo publishes a month's frame under a new seed, or draws from it.
func (p *Pages) inspectionsDo(ctx context.Context, v *Visit) (Page, error) {
	f := v.Form.Get
	s := inspectionsShown{Month: f("month"), Share: f("share_percent"), TopUp: f("top_up_count")}
	body := map[string]any{"month": s.Month}
	if firm := idOf(f("contractor_id")); !firm.IsZero() {
		body["contractor_id"] = firm
	}
	switch f("do") {
	case "publish":
		seed := make([]byte, 32)
		_, _ = rand.Read(seed) // never fails, by its documentation
		digest := sha256.Sum256(seed)
		body["seed_sha256"] = hex.EncodeToString(digest[:])
		if share, err := strconv.Atoi(s.Share); err == nil {
			body["share_percent"] = share
		}
		if top, err := strconv.ParseFloat(s.TopUp, 64); err == nil && s.TopUp != "" {
			body["top_up_count"] = top
		}
		s.Seed, s.Started = hex.EncodeToString(seed), s.Month
	case "as_sent_in":
		body["as_sent_in"] = true
	case "draw":
		body["seed"] = strings.ToLower(strings.ReplaceAll(f("seed"), " ", ""))
	default:
		return Page{}, domain.Errorf(domain.Invalid, "choose what to do")
	}
	err := v.Send(ctx, http.MethodPost, "/v1/inspection-draws", body, nil)
	if err != nil {
		s.Seed = ""
	}
	if err == nil && s.Seed == "" {
		return Page{Location: "/staff/inspections"}, nil
	}
	page, pageErr := p.inspectionsPage(ctx, v, s)
	if pageErr != nil {
		return Page{}, pageErr
	}
	if err != nil {
		return refusedForm(page, err)
	}
	page.Lead = "The jobs of " + Month(s.Started) + " and their chances are told. Keep the seed below: it draws them once the month is over, and it is shown this once."
	return page, nil
}

// inspection shows an inspector one job, with the own reading beside the crew's.
func (p *Pages) inspection(ctx context.Context, v *Visit) (Page, error) {
	shown, err := p.readJob(ctx, v)
	if err != nil {
		return Page{}, err
	}
	all, _, err := All[record[domain.Instrument]](ctx, v, "/v1/instruments", most)
	if err != nil {
		return Page{}, err
	}
	for i := range all {
		if r := &all[i].Record; r.Instrument == domain.DuctFan && r.RetiredOn == "" {
			shown.Instruments = append(shown.Instruments, named{all[i].ID, r.Serial})
		}
	}
	return shown.page(v, "Inspections"), nil
}

// InspectedRules are the rules that an inspector may judge, what was found first.
func (j *jobShown) InspectedRules() (list []ruleChoice) {
	seen := map[string]bool{}
	add := func(rule string) {
		if !seen[rule] {
			seen[rule], list = true, append(list, ruleChoice{rule, ruleTitles[rule]})
		}
	}
	for i := range j.Findings {
		add(j.Findings[i].Rule)
	}
	for _, rule := range ruleOrder {
		add(rule)
	}
	return list
}

// Judged tells that a verdict was chosen for a rule in a form that was refused.
func (j *jobShown) Judged(rule, verdict string) bool { return j.Form.Get("verdict_"+rule) == verdict }

// inspect records an inspector's own reading, which then stands beside the crew's,
// or what was found: with that the job is no longer open to the inspector.
func (p *Pages) inspect(ctx context.Context, v *Visit) (Page, error) {
	send, to := v.sendInspection, "/staff/inspections"
	if v.Form.Get("do") == "reading" {
		send, to = v.sendReading, "/staff/inspections/"+url.PathEscape(v.Path["id"])+"#reading"
	}
	err := send(ctx)
	if err == nil {
		return Page{Location: to}, nil
	}
	page, pageErr := p.inspection(ctx, v)
	if pageErr != nil {
		return Page{}, pageErr
	}
	return refusedForm(page, err)
}

// sendReading sends a fan test under the id that the form was made with.
func (v *Visit) sendReading(ctx context.Context) error {
	f := v.Form.Get
	pressure, pressureErr := strconv.ParseFloat(f("pressure_pa"), 64)
	flow, flowErr := strconv.ParseFloat(f("flow_cfm"), 64)
	instrument := idOf(f("instrument_id"))
	if pressureErr != nil || flowErr != nil || instrument.IsZero() {
		return domain.Errorf(domain.Invalid, "a reading is a pressure in Pa, a flow in cfm and the instrument: give all three")
	}
	measurement := domain.Measurement{JobID: idOf(v.Path["id"]), Method: domain.Method(f("method")), Stage: domain.InspectionStage, InstrumentID: instrument,
		TakenAt: v.Now.In(v.Zone).Truncate(time.Second), Readings: []domain.Reading{{PressurePa: &pressure, FlowCFM: &flow}}}
	return v.Send(ctx, http.MethodPut, "/v1/measurements/"+idOf(f("id")).String(), measurement, nil)
}

func (v *Visit) sendInspection(ctx context.Context) error {
	f := v.Form.Get
	inspection := domain.Inspection{JobID: idOf(v.Path["id"]), Purpose: f("purpose"), InspectedOn: domain.Date(f("inspected_on")), InspectorName: v.Caller.Name, Result: f("result"),
		NotFinishedReason: domain.NotFinishedReason(f("not_finished_reason"))}
	if f("unannounced") != "" {
		yes := true
		inspection.Unannounced = &yes
	}
	for _, rule := range ruleOrder {
		if verdict := f("verdict_" + rule); verdict != "" {
			inspection.Verdicts = append(inspection.Verdicts, domain.RuleVerdict{Rule: rule, Verdict: domain.InspectorVerdict(verdict)})
		}
	}
	return v.Send(ctx, http.MethodPut, "/v1/inspections/"+idOf(f("id")).String(), inspection, nil)
}

// openToInspector opens one job by hand, with a reason.
func (p *Pages) openToInspector(ctx context.Context, v *Visit, job domain.UUID) (Page, error) {
	body := map[string]any{"job_id": job, "reason_codes": []string{v.Form.Get("reason")}}
	if err := v.Send(ctx, http.MethodPost, "/v1/inspection-draws", body, nil); err != nil {
		return Page{}, err
	}
	return Page{Location: "/staff/jobs/" + url.PathEscape(v.Path["id"])}, nil
}
