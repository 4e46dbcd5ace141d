package pack

import (
	"regexp"
	"strings"
)

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
