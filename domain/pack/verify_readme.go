package pack

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// said are the other figures of README.txt: the line, and what its groups are.
// Each stands once.
type said struct {
	what   string
	form   *regexp.Regexp
	values func(*verifier) []string
}

var saidElsewhere = []said{
	{"whose month and revision it is", regexp.MustCompile(`(?m)^.+, program (\S+): (\d{4}-\d{2}), revision (\d+)\.$`),
		func(v *verifier) []string {
			return []string{v.head.Program, v.head.Month, strconv.Itoa(v.head.Revision)}
		}},
	{"the entry of the ledger", regexp.MustCompile(`(?m)^As of .+, entry (\d+) of the program's ledger\.$`),
		func(v *verifier) []string { return []string{itoa(v.head.Position)} }},
	{"how many cells have an apostrophe", regexp.MustCompile(`(?m)^  take that one away to get the text as it was\. (\d+) cells have one\.$`),
		func(v *verifier) []string { return []string{itoa(v.counts.changed)} }},
}

// rowsForm is a table of README.txt with its rows.
var rowsForm = regexp.MustCompile(`(?m)^  data/([a-z0-9_]+)\.csv +\S.*, (\d+) rows$`)

// checkSaid compares the figures of README.txt that repeat no cell.
func (v *verifier) checkSaid(text string, runs map[string]*tableRun) {
	for _, s := range saidElsewhere {
		found := s.form.FindAllStringSubmatch(text, -1)
		if len(found) != 1 || !slices.Equal(found[0][1:], s.values(v)) {
			v.fault(CheckReadme, readmeName, 0, "", "%s: it does not say %s, once", s.what, strings.Join(s.values(v), ", "))
		}
	}
	told := map[string]string{}
	for _, m := range rowsForm.FindAllStringSubmatch(text, -1) {
		told[m[1]] += m[2] + " "
	}
	for name, run := range runs {
		if want := itoa(run.totals.rows); told[name] != want+" " {
			v.fault(CheckReadme, readmeName, 0, "", "data/%s.csv has %s rows, it says %q", name, want, strings.TrimSpace(told[name]))
		}
	}
}

// figureForm is a figure of README.txt: label, value, and the cell that it repeats.
var figureForm = regexp.MustCompile(`^    (.+): (.+) \(([a-z0-9_]+\.csv), ([^ ,]+), ([a-z0-9_]+)\)$`)

// checkReadme compares every figure of README.txt with the cell that it names.
// The descriptor says its unit, and where it moves the point.
func (v *verifier) checkReadme(runs map[string]*tableRun) error {
	if v.pack.files[readmeName] == nil {
		v.fault(CheckReadme, readmeName, 0, "", "is missing")
		return nil
	}
	text, err := v.pack.read(readmeName)
	if err != nil {
		return err
	}
	v.checkSaid(string(text), runs)
	shown := map[FrontRow]string{} // by file, row and column
	rows := map[FrontRow]int64{}   // of README.txt
	n := int64(0)
	for line := range strings.Lines(string(text)) {
		n++
		if m := figureForm.FindStringSubmatch(strings.TrimRight(line, "\r\n")); m != nil {
			at := FrontRow{File: m[3], Row: m[4], Column: m[5]}
			if _, twice := shown[at]; twice {
				v.fault(CheckReadme, readmeName, n, m[1], "shows a cell twice")
			}
			shown[at], rows[at] = m[1]+": "+m[2], n
		}
	}
	said := map[FrontRow]string{}
	for _, view := range v.views {
		for _, r := range view.Lines {
			at := FrontRow{File: r.File, Row: r.Row, Column: r.Column}
			run := runs[strings.TrimSuffix(r.File, ".csv")]
			if _, wanted := shown[at]; !wanted || run == nil || run.column(r.Column) < 0 {
				continue
			}
			cell, err := v.cell(run, r.Row, r.Column)
			if err != nil {
				return err
			}
			value := Unguard(cell)
			if r.Decimals != 0 && cell != "" {
				if value, _ = moved(cell, r.Decimals); value == "" {
					continue // no figure: it will differ
				}
			}
			if value = strings.TrimSpace(value + " " + r.Unit); cell == "" {
				value = notKnown
			}
			said[at] = r.What + ": " + value
		}
	}
	v.checked(CheckReadme, "%d figures repeat their cells", len(shown))
	for at, text := range shown {
		if want, known := said[at]; !known {
			v.fault(CheckReadme, readmeName, rows[at], "", "%.60q repeats a cell that the descriptor does not name", text)
		} else if text != want {
			v.fault(CheckReadme, readmeName, rows[at], "", "%.60q, the cell gives %.60q", text, want)
		}
	}
	return nil
}

// cell is that of the row with this first cell of its key; "" where there is none.
func (v *verifier) cell(run *tableRun, key, column string) (found string, err error) {
	at, of := run.column(column), run.key[0]
	err = v.eachRow(run.layout, func(_ int64, cells []string) {
		if cells[of] == key {
			found = cells[at]
		}
	})
	return found, err
}
