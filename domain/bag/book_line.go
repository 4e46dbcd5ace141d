package bag

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// A Line of the front page says which cell of the package it repeats: of the
// row with this key, in this column, of a table of a file below data/; or a
// label of bag-info.txt. Without a file it is a heading.
type Line struct {
	What     string `json:"what"`
	Unit     string `json:"unit,omitzero"`
	File     string `json:"file,omitzero"`
	Row      string `json:"row,omitzero"`
	Column   string `json:"column,omitzero"`
	Decimals int    `json:"decimals,omitzero"` // of a whole number: places by which the point moves, 2 for dollars from cents
}

// value is the cell that a line repeats.
func (l *Line) value(h Head, tables []*keptRows) (PageCell, error) {
	if l.File == bagInfoName {
		return l.headValue(h)
	}
	for _, k := range tables {
		if l.File != k.table.Name+".csv" {
			continue
		}
		at := k.table.column(l.Column)
		if at < 0 {
			return PageCell{}, fmt.Errorf("%s has no column %q", l.File, l.Column)
		}
		i := k.row(l.Row)
		if i < 0 {
			return PageCell{}, fmt.Errorf("%s has no row %q", l.File, l.Row)
		}
		text := k.rows[i][at]
		if text == "" || l.Decimals == 0 {
			return k.table.Columns[at].pageCell(text), nil
		}
		v, why := decimal([]byte(text), 0)
		if why != "" || l.Decimals < 0 || l.Decimals > maxDecimals {
			return PageCell{}, fmt.Errorf("the point of %.40q cannot move by %d places", text, l.Decimals)
		}
		return figure(Scaled(v, l.Decimals), l.Decimals), nil
	}
	return PageCell{}, fmt.Errorf("no page shows %s", l.File)
}

// headValue reads a label of bag-info.txt that is known before the rows are.
func (l *Line) headValue(h Head) (PageCell, error) {
	switch l.Row {
	case asOfLabel:
		return PageCell{Kind: Moment, Text: h.AsOf.UTC().Format(time.DateTime)}, nil
	case "Payload-Oxum", "Changed-Cells", "Signature":
		return PageCell{}, fmt.Errorf("%s is known only when the package is whole", l.Row)
	}
	for line := range strings.Lines(string(h.bagInfo(counts{}))) {
		label, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), ": ")
		if label != l.Row {
			continue
		}
		switch label {
		case dayLabel:
			return PageCell{Kind: Day, Text: value}, nil
		case "Revision", "Position", "Previous-Position":
			return figure(value, 0), nil
		}
		return words(value), nil
	}
	return PageCell{}, nil
}

// figures are the front page's first lines for README.txt, without what its head
// says anyway; headings over the same lines share them. The rest would not fit
// on a page, and stands in the tables that the front page names.
func (b *Book) figures() string {
	type section struct{ heading, whats, values []string }
	var sections []*section
	heading := ""
	for _, row := range b.Pages[0].Rows {
		switch {
		case row[0].Kind == Heading:
			heading = row[0].Text
			continue
		case row[3].Text == bagInfoName:
			continue
		case heading != "" || len(sections) == 0:
			sections = append(sections, &section{heading: []string{heading}})
			heading = ""
		}
		value, unit := Unguard(row[1].Text), Unguard(row[2].Text)
		switch {
		case value == "":
			value = "not known"
		case unit != "":
			value += " " + unit
		}
		last := sections[len(sections)-1]
		last.whats, last.values = append(last.whats, Unguard(row[0].Text)), append(last.values, value)
	}
	if len(sections) == 0 {
		return ""
	}
	first := sections[0]
	for _, s := range sections[1:] {
		if !slices.Equal(s.whats, first.whats) {
			break
		}
		first.heading = append(first.heading, strings.ToLower(s.heading[0]))
		for n, value := range s.values {
			first.values[n] += "; " + value
		}
	}
	var out strings.Builder
	fmt.Fprintf(&out, "  %s\n", strings.Join(first.heading, "; "))
	for n, what := range first.whats {
		fmt.Fprintf(&out, "    %s: %s\n", what, first.values[n])
	}
	return out.String()
}
