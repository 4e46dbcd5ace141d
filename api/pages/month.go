package pages

import (
	"context"
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"ductledger/domain"
)

// revision is one revision of a month's package, as the API answers.
type revision struct {
	Month      string `json:"month"`
	Revision   int    `json:"revision"`
	FundSource string `json:"fund_source"`
	State      string `json:"state"`
	Position   int64  `json:"position"`
	AsOfAt     string `json:"as_of_at"`
	Finished   bool   `json:"finished"`
	Build      *struct {
		Stage     string `json:"stage"`
		RowsDone  int64  `json:"rows_done_count"`
		RowsTotal int64  `json:"rows_total_count"`
		Tries     int    `json:"tries_count"`
		AskedAt   string `json:"asked_at"`
		AskedBy   string `json:"asked_by"`
		UpdatedAt string `json:"updated_at"`
		Failure   *struct {
			Detail string         `json:"detail"`
			Errors []domain.Fault `json:"errors"`
		} `json:"failure"`
	} `json:"build"`
	FileName           string      `json:"file_name"`
	SHA256             string      `json:"sha256"`
	BytesCount         int64       `json:"bytes_count"`
	BuiltAt            string      `json:"built_at"`
	BuiltBy            string      `json:"built_by"`
	BuiltByPersonID    domain.UUID `json:"built_by_person_id"`
	ReleasedAt         string      `json:"released_at"`
	ReleasedBy         string      `json:"released_by"`
	ReleasedByPersonID domain.UUID `json:"released_by_person_id"`
}

// Name stands for the revision in addresses.
func (p revision) Name() string {
	if p.FundSource != "" {
		return p.FundSource + "-r" + strconv.Itoa(p.Revision)
	}
	return strconv.Itoa(p.Revision)
}

// Of is the revision in words.
func (p revision) Of() string {
	if p.FundSource != "" {
		return Plain(p.FundSource) + ", revision " + strconv.Itoa(p.Revision)
	}
	return "Revision " + strconv.Itoa(p.Revision)
}

// A blocker is what keeps a month from being released, or may; Count of 0 is done.
type blocker struct {
	What, Path string
	Count      int64
	Stops      bool
}

type monthShown struct {
	Months                []monthKnown
	Month, Earlier, Later string
	Ended                 bool
	Today                 string
	Packs                 []revision
	Funds                 []string
	Blockers              []blocker
	Building, Released    bool
	Self                  domain.UUID
}

// A monthKnown is a month of one fund that has a package.
type monthKnown struct {
	Month    string `json:"month"`
	Fund     string `json:"fund_source"`
	Released string `json:"released"`
}

// mostMonths is as many months as the page leads to.
const mostMonths = 24

var monthForm = regexp.MustCompile(`^\d{4}-(0[1-9]|1[0-2])$`)

// monthOf is the month that the address names; last month without.
func monthOf(v *Visit) (month string, ended bool, err error) {
	now := v.Now.In(v.Zone)
	this := time.Date(now.Year(), now.Month(), 1, 0, 0, 0, 0, time.UTC)
	month = v.Query.Get("month")
	if month == "" {
		month = this.AddDate(0, -1, 0).Format("2006-01")
	}
	if !monthForm.MatchString(month) {
		return "", false, domain.Errorf(domain.BadQuery, "a month is written 2026-10")
	}
	return month, month < this.Format("2006-01"), nil
}

func (p *Pages) month(ctx context.Context, v *Visit) (Page, error) { return monthPage(ctx, v) }

func monthPage(ctx context.Context, v *Visit) (Page, error) {
	month, ended, err := monthOf(v)
	if err != nil {
		return Page{}, err
	}
	at, err := time.Parse("2006-01", month)
	if err != nil {
		return Page{}, err
	}
	s := monthShown{Month: month, Ended: ended, Earlier: at.AddDate(0, -1, 0).Format("2006-01"), Later: at.AddDate(0, 1, 0).Format("2006-01"), Self: v.Caller.Person}
	data := "/v1/months/" + month + "/packages"
	if s.Packs, _, err = All[revision](ctx, v, data, most); err != nil {
		return Page{}, err
	}
	for i := range s.Packs {
		s.Building = s.Building || s.Packs[i].State == "building"
		s.Released = s.Released || s.Packs[i].State == "released"
	}
	var known struct {
		Items []monthKnown `json:"items"`
	}
	if err := v.Get(ctx, "/v1/months", &known); err != nil {
		return Page{}, err
	}
	s.Months = known.Items[:min(len(known.Items), mostMonths)]
	if v.IsOffice() {
		if err := s.checklist(ctx, v); err != nil {
			return Page{}, err
		}
	}
	return Page{Title: Month(month), Under: "Month", Lead: s.lead(v), AsOf: v.Now, Rows: len(s.Packs), Data: data, Table: packsTable(s.Packs), Body: "month", With: s}, nil
}

func packsTable(packs []revision) *Table {
	t := &Table{Name: "packages", Columns: []string{"month", "fund_source", "revision", "state", "position", "as_of_at", "file_name", "sha256", "bytes_count", "built_at", "built_by", "released_at", "released_by"}}
	for _, p := range packs {
		t.Rows = append(t.Rows, []string{p.Month, p.FundSource, strconv.Itoa(p.Revision), p.State, fmt.Sprint(p.Position), p.AsOfAt, p.FileName, p.SHA256, fmt.Sprint(p.BytesCount), p.BuiltAt, p.BuiltBy, p.ReleasedAt, p.ReleasedBy})
	}
	return t
}

// lead says how far the month is.
func (s *monthShown) lead(v *Visit) string {
	switch {
	case s.Building:
		return "The package is being built. Load the page again to see how far it is; it may be left meanwhile."
	case s.Released && v.Is(domain.Funder):
		return "The package of " + Month(s.Month) + " is released."
	case s.Released && len(s.unreleased()) > 0:
		return fmt.Sprintf("Not all of %s is with the funders: %s is not released.", Month(s.Month), strings.Join(s.unreleased(), ", "))
	case s.Released:
		return "The package of " + Month(s.Month) + " is with the funder. What changes since then is told in the months after, or in a new revision."
	case v.Is(domain.Funder):
		return "Nothing is released for " + Month(s.Month) + " yet."
	case !s.Ended:
		return Month(s.Month) + " has not ended. Its package can be built to look at; it can be released once the month is over."
	case len(s.Packs) == 0:
		return "The package of " + Month(s.Month) + " is not built yet."
	}
	return "The package is built and waits for another person to release it."
}

// unreleased are the funds whose package is not released, where there are several.
func (s *monthShown) unreleased() (funds []string) {
	for _, fund := range s.Funds {
		if len(s.Funds) > 1 && !slices.ContainsFunc(s.Packs, func(p revision) bool { return p.State == "released" && (p.FundSource == fund || p.FundSource == "") }) {
			funds = append(funds, Plain(fund))
		}
	}
	return funds
}

// checklist counts what is still open. Nothing of it stops a package: what is
// accepted later counts in the month after.
func (s *monthShown) checklist(ctx context.Context, v *Visit) error {
	var list struct {
		Counts []struct {
			Sort  string `json:"sort"`
			Count int64  `json:"count"`
		} `json:"counts"`
	}
	if err := v.Get(ctx, "/v1/worklist?limit=1&sent_in_days=0&returned_days=0", &list); err != nil {
		return err
	}
	words := map[string][3]string{"sent_in": {"job waits for a review", "jobs wait for a review", "No job waits for a review"}, "returned": {"job was returned and is not back", "jobs were returned and are not back", "No returned job is with its crew"},
		"held": {"item was not accepted", "items were not accepted", "All that was sent is accepted or settled"}, "call_back": {"call-back is open", "call-backs are open", "No call-back is open"}, "inspection_owed": {"inspection is owed", "inspections are owed", "No inspection is owed"}}
	s.Blockers = append(s.Blockers, blocker{What: "The month has not ended", Stops: true, Count: map[bool]int64{false: 1}[s.Ended]})
	for _, c := range list.Counts {
		if text, known := words[c.Sort]; known {
			what := text[2]
			if c.Count > 0 {
				what = sentenceStart(Count(c.Count, text[0], text[1]))
			}
			s.Blockers = append(s.Blockers, blocker{What: what, Count: c.Count, Path: "/staff/today?sort=" + url.QueryEscape(c.Sort)})
		}
	}
	var current struct {
		Items []record[domain.RuleSet] `json:"items"`
	}
	if err := v.Get(ctx, "/v1/rule-sets?limit=500", &current); err != nil {
		return err
	}
	for i := range current.Items {
		if set := &current.Items[i].Record; string(set.FromOn) < s.Later+"-01" {
			s.Funds = set.Funds()
		}
	}
	return nil
}

// monthDo builds or releases.
func (p *Pages) monthDo(ctx context.Context, v *Visit) (Page, error) {
	month, _, err := monthOf(v)
	if err != nil {
		return Page{}, err
	}
	at := "/v1/months/" + month + "/packages"
	switch v.Form.Get("do") {
	case "build":
		body := map[string]any{}
		if fund := v.Form.Get("fund_source"); fund != "" {
			body["fund_source"] = fund
		}
		err = v.Send(ctx, "POST", at, body, nil)
	case "release":
		err = v.Send(ctx, "POST", at+"/"+url.PathEscape(v.Form.Get("name"))+"/release", nil, nil)
	default:
		err = domain.Errorf(domain.Invalid, "nothing was chosen")
	}
	if err == nil {
		return Page{Location: "/staff/month?month=" + month}, nil
	}
	page, pageErr := monthPage(ctx, v)
	if pageErr != nil {
		return Page{}, pageErr
	}
	return refusedForm(page, err)
}

// size says how large a file is.
func size(bytes int64) string {
	const kilo = 1000
	if bytes < kilo*kilo {
		return fmt.Sprintf("%d kB", (bytes+kilo-1)/kilo)
	}
	return Number(float64(bytes)/kilo/kilo, 1) + " MB"
}
