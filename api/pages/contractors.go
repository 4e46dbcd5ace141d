package pages

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ductledger/api/pages/chart"
	"ductledger/domain"
	"ductledger/domain/performance"
)

// compared is the comparison as the API answers it.
type compared struct {
	From        domain.Date              `json:"from"`
	Before      domain.Date              `json:"before"`
	AsOfAt      time.Time                `json:"as_of_at"`
	Program     performance.Summary      `json:"program"`
	Contractors []performance.Contractor `json:"contractors"`
}

// firmShown is one row of the table: words, figures and the small picture.
type firmShown struct {
	performance.Contractor
	Words   string
	Outside bool
	Picture *chart.Picture
}

type firmsShown struct {
	From, Before, LastOn string
	Periods              []periodShown
	Firms                []firmShown
	Funnel               *chart.Picture
}

// usualMonths is how far back the figures of a page go that is asked for no period: a
// shorter one tells few contractors apart.
const usualMonths = 12

// period is the one in the address, else the last year of whole months.
func period(v *Visit) (from, before string) {
	from, before = v.Query.Get("from"), v.Query.Get("before")
	if from == "" || before == "" {
		now := v.Now.In(v.Zone)
		first := time.Date(now.Year(), now.Month(), 1, 0, 0, 0, 0, time.UTC)
		from, before = first.AddDate(0, -usualMonths, 0).Format(time.DateOnly), first.Format(time.DateOnly)
	}
	return from, before
}

// A periodShown is a period to choose.
type periodShown struct{ Words, From, Before string }

// periods are the usual ones, each up to the end of the last whole month: a
// longer one tells more contractors apart.
func periods(v *Visit) (list []periodShown) {
	now := v.Now.In(v.Zone)
	first := time.Date(now.Year(), now.Month(), 1, 0, 0, 0, 0, time.UTC)
	for _, p := range []struct {
		words  string
		months int
	}{{"three months", 3}, {"half a year", 6}, {"a year", 12}} {
		list = append(list, periodShown{p.words, first.AddDate(0, -p.months, 0).Format(time.DateOnly), first.Format(time.DateOnly)})
	}
	return list
}

// lastDay is the day before one that is not counted any more.
func lastDay(before string) string {
	t, err := time.Parse(time.DateOnly, before)
	if err != nil {
		return before
	}
	return t.AddDate(0, 0, -1).Format(time.DateOnly)
}

// contractors shows all contractors by name: the sentence, then each figure
// with its range, and whether it is more than luck.
func (p *Pages) contractors(ctx context.Context, v *Visit) (Page, error) {
	from, before := period(v)
	address := fmt.Sprintf("/v1/performance?from=%s&before=%s", from, before)
	var c compared
	if err := v.Get(ctx, address, &c); err != nil {
		return Page{}, err
	}
	last := lastDay(before)
	list := firmsShown{From: from, Before: before, LastOn: last, Periods: periods(v)}
	list.fill(c.Contractors)
	return Page{Title: "Contractors", Under: "Contractors", Body: "contractors", With: &list, AsOf: c.AsOfAt, Rows: len(c.Contractors), Data: address,
		Quiet: fmt.Sprintf("%s to %s: %s accepted, %s with both readings", Day(from, v.Zone), Day(last, v.Zone), Count(c.Program.JobsCount, "job"), noneOr(c.Program.UsedCount)),
		Lead:  comparisonLead(c.Contractors), Table: firmsTable(c.Contractors)}, nil
}

// noneOr says a number, where none are none.
func noneOr(n int) string {
	if n == 0 {
		return "none"
	}
	return Number(n, 0)
}

// Pictured tells that a row has its picture, which then needs its words.
func (f *firmsShown) Pictured() bool {
	return slices.ContainsFunc(f.Firms, func(r firmShown) bool { return r.Picture != nil })
}

// comparisonLead says first what the ladder of standings decided.
func comparisonLead(list []performance.Contractor) string {
	var more, less []string
	compared, wide := 0, 0
	for i := range list {
		s := list[i].Adjusted.Standing
		if s == nil {
			continue
		}
		compared++
		if !s.Comparison { // the range is too wide for any word
			wide++
			continue
		}
		switch {
		case s.Watch && s.Side == "leaves_more":
			more = append(more, list[i].Name)
		case s.Watch && s.Side == "leaves_less":
			less = append(less, list[i].Name)
		}
	}
	said := ""
	switch {
	case compared == 0:
		return "There are too few jobs with both readings to tell contractors apart."
	case len(more) == 1:
		said = "One contractor leaves more leakage than homes like these usually leave: " + more[0] + "."
	case len(more) > 1:
		said = fmt.Sprintf("%s leave more leakage than homes like these usually leave: %s.", sentenceStart(CountWords(len(more), "contractor")), strings.Join(more, ", "))
	}
	if len(less) > 0 {
		verb := "leaves"
		if len(less) > 1 {
			verb = "leave"
		}
		said = strings.TrimSpace(fmt.Sprintf("%s %s %s less.", said, strings.Join(less, ", "), verb))
	}
	if said == "" {
		if wide == compared {
			return fmt.Sprintf("These jobs do not tell the %s apart: all have too few for a comparison.", CountWords(compared, "contractor"))
		}
		return fmt.Sprintf("These jobs do not tell the %s apart%s.", CountWords(compared, "contractor"), wideWords(wide))
	}
	if rest := compared - len(more) - len(less); rest > 0 {
		others := fmt.Sprintf("the other %s apart", strings.TrimSuffix(CountWords(rest, "", ""), " "))
		if rest == 1 {
			others = "whether the other one differs"
		}
		said += fmt.Sprintf(" These jobs do not tell %s%s.", others, wideWords(wide))
	}
	return said
}

// wideWords says how many of them have too few jobs for any comparison: that
// nothing was found is no finding.
func wideWords(n int) string {
	if n == 0 {
		return ""
	}
	if n == 1 {
		return ": one has too few for a comparison"
	}
	return fmt.Sprintf(": %d of them have too few for a comparison", n)
}

// standingWords says where a contractor stands, in the words of the ladder.
func standingWords(a *performance.Adjusted) string {
	switch s := a.Standing; {
	case s == nil || a.Shrunk == nil || !s.Comparison:
		return "too few jobs to tell"
	case s.Watch && s.Side == "leaves_more":
		return "leaves more"
	case s.Watch && s.Side == "leaves_less":
		return "leaves less"
	}
	return "as expected"
}

// fill draws the rows on one scale, and the funnel.
func (f *firmsShown) fill(list []performance.Contractor) {
	low, high := 0.9, 1.1
	for i := range list {
		if a := &list[i].Adjusted; a.Shrunk != nil {
			low, high = math.Min(low, a.Shrunk.Low), math.Max(high, a.Shrunk.High)
		}
	}
	low, high = math.Max(low, 0.4), math.Min(high, 2.5)
	funnel := chart.Funnel{JobsWords: "jobs with both readings", Limits: []chart.Limit{{Words: "1 in 20 by luck", Class: "inner"}, {Words: "1 in 500 by luck", Class: "outer"}}}
	for i := range list {
		a := &list[i].Adjusted
		row := firmShown{Contractor: list[i], Words: standingWords(a)}
		if s := a.Standing; s != nil {
			row.Outside = s.Watch && s.Comparison
			if a.Index != nil {
				funnel.Points = append(funnel.Points, chart.Point{Name: list[i].Name, Jobs: a.N, Effect: math.Log(*a.Index),
					Limits: []float64{math.Log(s.WatchHigh), math.Log(s.OuterHigh)}, Outside: row.Outside})
			}
		}
		row.Picture = rangeOf(&list[i], low, high)
		f.Firms = append(f.Firms, row)
	}
	if len(funnel.Points) < 3 {
		return // no picture of chance with two
	}
	funnel.Summary = comparisonLead(list)
	pic := funnel.Draw()
	f.Funnel = &pic
}

// rangeOf draws what a contractor leaves against homes like his, on a scale of
// indexes that all rows share; nothing where nothing is known.
func rangeOf(c *performance.Contractor, low, high float64) *chart.Picture {
	a := &c.Adjusted
	if a.Shrunk == nil {
		return nil
	}
	s := a.Standing
	r := chart.Range{Value: math.Log(a.Shrunk.Index), Low: math.Log(a.Shrunk.Low), High: math.Log(a.Shrunk.High), Outside: s != nil && s.Watch && s.Comparison,
		Scale: [2]float64{math.Log(low), math.Log(high)}, Label: fmt.Sprintf("%s: %s, between %s and %s", c.Name, changeWords(a.Shrunk.Index), changeWords(a.Shrunk.Low), changeWords(a.Shrunk.High))}
	if a.Index != nil {
		own := math.Log(*a.Index)
		r.Own = &own
	}
	pic := r.Draw()
	return &pic
}

// changeWords says an index: "12 % more" or "5 % less".
func changeWords(index float64) string {
	switch percent := math.Round(100 * (index - 1)); {
	case percent > 0:
		return Number(percent, 0) + " % more"
	case percent < 0:
		return Number(-percent, 0) + " % less"
	}
	return "as expected"
}

func firmsTable(list []performance.Contractor) *Table {
	t := &Table{Name: "contractors", Columns: []string{"contractor_id", "name", "jobs_count", "used_count", "pooled_reduction_ratio", "index_ratio", "index_ratio_low", "index_ratio_high",
		"pooled_index_ratio", "pooled_index_ratio_low", "pooled_index_ratio_high"}}
	text := func(f *float64) string {
		if f == nil {
			return ""
		}
		return fmt.Sprint(*f)
	}
	for i := range list {
		c := &list[i]
		row := []string{c.ContractorID.String(), c.Name, fmt.Sprint(c.JobsCount), fmt.Sprint(c.UsedCount), text(c.Pooled.Ratio), text(c.Adjusted.Index), text(c.Adjusted.Low), text(c.Adjusted.High), "", "", ""}
		if s := c.Adjusted.Shrunk; s != nil {
			row[8], row[9], row[10] = text(&s.Index), text(&s.Low), text(&s.High)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}
