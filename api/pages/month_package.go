package pages

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"ductledger/api/pages/chart"
	"ductledger/domain/month"
)

// packageShown is what stands in the file of a package: the page reads the file
// as anybody does who was handed it.
type packageShown struct {
	Package     revision
	Moved       []movedShown
	Corrections []correctionShown
	More        int // corrections beyond those that the page lists
	Months      []monthRow
	Year, All   *monthRow
	Strip       *chart.Picture
	LeftOut     []leftOutShown
	TooLarge    bool
	First       bool // nothing was told before it
}

// A movedShown is a measure with what happened to it since the package before.
type movedShown struct{ Title, Unit, Before, New, Late, Corrections, Voided, Now string }

// A correctionShown is one field of one record that stands otherwise than it
// was reported.
type correctionShown struct {
	JobID, Month, Event, Field, Was, Is, At string
}

type monthRow struct {
	Month                     string
	Homes, Completed, Payable int64
	Reduction                 float64
	CallBacks, Inspections    int64
}

type leftOutShown struct {
	Words string
	Count int64
}

const (
	mostPackBytes   = 32 << 20 // of a file that a page opens; a larger one is downloaded
	mostCorrections = 200
)

// packagePage shows what a package says, and record by record what differs from
// the package before.
func (p *Pages) packagePage(ctx context.Context, v *Visit) (Page, error) {
	at := "/v1/months/" + url.PathEscape(v.Path["month"]) + "/packages/" + url.PathEscape(v.Path["name"])
	s := packageShown{}
	if err := v.Get(ctx, at, &s.Package); err != nil {
		return Page{}, err
	}
	if s.TooLarge = s.Package.BytesCount > mostPackBytes; !s.TooLarge {
		tables, err := p.tablesOf(ctx, v, at+"/file")
		if err != nil {
			return Page{}, err
		}
		s.read(tables)
	}
	lead := "Its file is too large to be shown here; it can be downloaded."
	if s.All != nil && len(s.Months) > 0 {
		last := s.Months[len(s.Months)-1]
		lead = fmt.Sprintf("%s for %s of %s; %s for %s in all.", Money(last.Payable), Count(last.Homes, "home"), Month(last.Month), Money(s.All.Payable), Count(s.All.Homes, "home"))
	}
	return Page{Title: Month(s.Package.Month) + ", " + lower(s.Package.Of()), Under: "Month", Quiet: sentence(Plain(s.Package.State)), AsOf: v.Now, Rows: len(s.Corrections), Lead: lead, Data: at,
		Table: s.table(), Body: "package", With: s}, nil
}

func lower(text string) string { return strings.ToLower(text[:1]) + text[1:] }

// tablesOf reads the tables of a package's file by their names.
func (p *Pages) tablesOf(ctx context.Context, v *Visit, address string) (map[string][]map[string]string, error) {
	a, err := p.Ask(ctx, v.Caller, http.MethodGet, address, nil, nil)
	if err != nil {
		return nil, err
	}
	if a.Close != nil {
		defer a.Close()
	}
	var file bytes.Buffer
	if a.Stream == nil {
		return nil, fmt.Errorf("%s has no bytes", address)
	}
	if err := a.Stream(&file); err != nil {
		return nil, err
	}
	archive, err := zip.NewReader(bytes.NewReader(file.Bytes()), int64(file.Len()))
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", address, err)
	}
	tables := map[string][]map[string]string{}
	for _, f := range archive.File {
		_, name, _ := strings.Cut(f.Name, "/data/")
		switch name = strings.TrimSuffix(name, ".csv"); name {
		case month.ReconciliationTable, "corrections", "months":
		default:
			continue
		}
		if tables[name], err = rowsOf(f); err != nil {
			return nil, fmt.Errorf("%s of %s: %w", name, address, err)
		}
	}
	return tables, nil
}

func rowsOf(f *zip.File) (rows []map[string]string, err error) {
	opened, err := f.Open()
	if err != nil {
		return nil, err
	}
	defer opened.Close()
	all, err := csv.NewReader(io.LimitReader(opened, mostPackBytes)).ReadAll()
	if err != nil || len(all) == 0 {
		return nil, err
	}
	for _, cells := range all[1:] {
		row := map[string]string{}
		for i, name := range all[0] {
			if i < len(cells) {
				row[name] = cells[i]
			}
		}
		rows = append(rows, row)
	}
	return rows, nil
}

func (s *packageShown) read(tables map[string][]map[string]string) {
	titles := map[string]month.Measure{}
	for _, m := range month.Measures() {
		titles[m.Name] = m
	}
	s.First = true
	for _, row := range tables[month.ReconciliationTable] {
		switch row["kind"] {
		case "measure":
			m, known := titles[row["measure"]]
			if !known || strings.HasPrefix(m.Name, "outside") && row["cumulative"] == "0" || m.Name == "jobs_with_outside_reduction" && row["cumulative"] == "0" {
				continue // by fund and category it stands in the file
			}
			s.First = s.First && whole(row["previous_cumulative"]) == 0
			cell := func(name string) string { return measureText(m, row[name]) }
			s.Moved = append(s.Moved, movedShown{m.Title, m.Shown, cell("previous_cumulative"), cell("new"), cell("late"), cell("corrections_net"), cell("voided"), cell("cumulative")})
		case "excluded":
			if n := whole(row["excluded_count"]); n > 0 {
				s.LeftOut = append(s.LeftOut, leftOutShown{sentenceStart(Plain(row["measure"])), n})
			}
		}
	}
	for i, row := range tables["corrections"] {
		if i >= mostCorrections {
			s.More++
			continue
		}
		s.Corrections = append(s.Corrections, correctionShown{strings.TrimPrefix(row["job_id"], "J"), row["original_month"], Plain(row["event"]), fieldWords(row["field"]), row["old_value"], row["new_value"], row["corrected_at"]})
	}
	for _, row := range tables["months"] {
		m := monthRow{Month: row["period"], Homes: whole(row["homes_count"]), Completed: whole(row["completed_count"]), Payable: whole(row["payable_cents"]),
			CallBacks: whole(row["call_backs_count"]), Inspections: whole(row["inspections_count"])}
		m.Reduction, _ = strconv.ParseFloat(row["reduction_cfm25"], 64)
		switch row["kind"] {
		case "month":
			s.Months = append(s.Months, m)
		case "year":
			s.Year = &m
		case "all":
			s.All = &m
		}
	}
	// What lies before the first home is no month of nothing done: nobody worked yet.
	begun := slices.IndexFunc(s.Months, func(m monthRow) bool { return m.Homes > 0 || m.Inspections > 0 || m.CallBacks > 0 })
	if begun < 0 {
		begun = max(0, len(s.Months)-1)
	}
	s.Months = s.Months[begun:]
	if len(s.Months) > 1 {
		var bars []chart.Column
		for _, m := range s.Months {
			bars = append(bars, chart.Column{Words: Month(m.Month), Value: m.Reduction})
		}
		strip := chart.Columns("Leakage removed month by month, cfm at 25 Pa; the table below has the numbers", bars, "cfm at 25 Pa removed")
		s.Strip = &strip
	}
}

func whole(text string) int64 {
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		return 0 // not told in this package
	}
	return n
}

// measureText moves the point as a person reads it.
func measureText(m month.Measure, text string) string {
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		return text
	}
	scale := 1.0
	for range m.ShownPlaces {
		scale *= 10
	}
	return Number(float64(n)/scale, m.ShownPlaces)
}

func (s *packageShown) table() *Table {
	t := &Table{Name: "corrections", Columns: []string{"job_id", "original_month", "event", "field", "old_value", "new_value", "corrected_at"}}
	for _, c := range s.Corrections {
		t.Rows = append(t.Rows, []string{c.JobID, c.Month, c.Event, c.Field, c.Was, c.Is, c.At})
	}
	return t
}

// fieldWords says the name of a member with its unit behind it: "crawl_height_in"
// is "crawl height, in".
func fieldWords(name string) string {
	for suffix, unit := range map[string]string{"_ft2": "ft²", "_ft": "ft", "_in": "in", "_pa": "Pa", "_cfm25": "cfm at 25 Pa", "_cfm": "cfm", "_cents": "cents", "_f": "°F", "_s": "s"} {
		if base, found := strings.CutSuffix(name, suffix); found && base != "" {
			return Plain(base) + ", " + unit
		}
	}
	return Plain(strings.TrimSuffix(name, "_count"))
}
