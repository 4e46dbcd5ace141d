package pages

import (
	"context"
	"net/http"
	"strconv"
	"strings"
	"time"
)

type found struct {
	AsOfAt time.Time `json:"as_of_at"`
	Homes  []struct {
		HomeID string `json:"home_id"`
		Name   string `json:"name"`
		Phone  string `json:"phone"`
		Street string `json:"street"`
		Park   string `json:"park"`
		Jobs   int    `json:"jobs_count"`
	} `json:"homes"`
	Jobs []struct {
		JobID          string `json:"job_id"`
		Number         int64  `json:"number"`
		State          string `json:"state"`
		Street         string `json:"street"`
		Park           string `json:"park"`
		ContractorName string `json:"contractor_name"`
	} `json:"jobs"`
	Contractors []struct {
		ContractorID string `json:"contractor_id"`
		Name         string `json:"name"`
	} `json:"contractors"`
	More bool `json:"more"`

	Words string `json:"-"`
	Asked bool   `json:"-"`
}

func (f *found) count() int { return len(f.Homes) + len(f.Jobs) + len(f.Contractors) }

// find shows the form, and what was found once it was sent: the words travel in
// the body, never in an address.
func (p *Pages) find(ctx context.Context, v *Visit) (Page, error) {
	page := Page{Title: "Find", Under: "Jobs", Rows: -1, Body: "find"}
	f := found{}
	if v.Method == http.MethodPost {
		f.Words = strings.TrimSpace(v.Form.Get("words"))
	}
	if f.Words == "" {
		page.With = &f
		return page, nil
	}
	if err := v.Send(ctx, http.MethodPost, "/v1/search", map[string]any{"words": f.Words, "limit": 50}, &f); err != nil {
		return Page{}, err
	}
	f.Asked = true
	page.AsOf, page.Rows, page.With = f.AsOfAt, f.count(), &f
	switch {
	case f.count() == 0:
		page.Lead = "Nothing begins with all of these words. Try fewer, or another spelling."
	case f.More:
		page.Lead = "There is more than is shown: a further word narrows it."
	}
	return page, nil
}

func numberText(n int64) string {
	if n == 0 {
		return ""
	}
	return strconv.FormatInt(n, 10)
}
