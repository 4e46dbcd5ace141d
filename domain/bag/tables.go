package bag

import (
	"errors"
	"io"
)

// A tableRun is what one pass over the rows of a table gathers.
type tableRun struct {
	*layout
	files  []string
	totals []*totals // by file
	keys   []*keySet // primary key first, then the unique columns
	broken bool      // a row could not be split: later faults would only echo
}

func (v *verifier) checkTables() error {
	layouts, files, err := v.describe()
	if err != nil || layouts == nil {
		return err
	}
	v.checked(CheckSchema, "")
	v.checked(CheckPrimaryKey, "no key stands twice")
	v.checked(CheckForeignKey, "every reference leads to a row")
	v.checked(CheckControl, "")
	v.checked(CheckCumulative, "")
	var changed, rows int64
	runs := make([]*tableRun, len(layouts))
	byName := map[string]*tableRun{}
	referred := map[string]bool{}
	for _, l := range layouts {
		for _, fk := range l.ForeignKeys {
			referred[fk.Table] = true
		}
	}
	for i, l := range layouts {
		runs[i] = &tableRun{layout: l, files: files[l.Name]}
		byName[l.Name] = runs[i]
		if err := v.firstPass(runs[i], &changed); err != nil {
			return err
		}
		for _, t := range runs[i].totals {
			rows += t.rows
		}
		if !referred[l.Name] {
			if err := v.checkKeys(runs[i], nil); err != nil {
				return err
			}
		}
	}
	v.checked(CheckSchema, "%d rows in %d tables", rows, len(runs))
	if changed != v.counts.changed {
		v.fault(CheckSchema, bagInfoName, 0, "", "Changed-Cells is %d, there are %d", v.counts.changed, changed)
	}
	for _, run := range runs {
		if referred[run.Name] {
			if err := v.checkKeys(run, runs); err != nil {
				return err
			}
		}
	}
	if err := v.checkControl(runs); err != nil {
		return err
	}
	if err := v.checkReconciliation(byName[reconciliationName]); err != nil {
		return err
	}
	return v.checkBooks(byName)
}

// firstPass judges every cell, counts, and gathers keys.
func (v *verifier) firstPass(run *tableRun, changed *int64) error {
	run.keys = []*keySet{{columns: run.key, check: CheckPrimaryKey, keys: v.spare}}
	v.spare = nil // one table's at a time
	for i, c := range run.cells {
		if c.unique {
			run.keys = append(run.keys, &keySet{columns: []int{i}, check: CheckSchema})
		}
	}
	ordinals := make([]int64, len(run.Columns))
	for part, file := range run.files {
		t := newTotals(run.layout)
		run.totals = append(run.totals, t)
		err := v.eachRow(run, file, func(row int64, cells [][]byte) {
			for i, cell := range cells {
				var why string
				if ordinals[i], why = run.cells[i].judge(cell); why != "" {
					v.fault(CheckSchema, file, row, run.Columns[i].Name, "%.40q %s", cell, why)
				}
				if run.cells[i].typ == Text && len(cell) > 0 && cell[0] == '\'' {
					*changed++
				}
			}
			t.add(run.layout, cells, ordinals)
			for _, keys := range run.keys {
				keys.take(cells, part, row)
			}
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// eachRow calls use with every record below the header; row counts as a
// spreadsheet does. A file that is missing was reported before.
func (v *verifier) eachRow(run *tableRun, file string, use func(row int64, cells [][]byte)) error {
	path := "data/" + file
	if v.bag.files[path] == nil {
		return nil
	}
	return v.bag.each(path, func(r io.Reader) error {
		in := newCSVReader(r)
		for row := int64(1); row <= maxRows; row++ {
			cells, err := in.next()
			switch {
			case err == io.EOF && row > 1:
				return nil
			case err == io.EOF:
				err = errors.New("has no header")
			case err == nil && row == 1 && !sameCells(cells, run.header()):
				err = errors.New("has another header than the descriptor says")
			case err == nil && len(cells) != len(run.Columns):
				err = errors.New("has another number of cells than the header")
			}
			if err != nil {
				run.broken = true
				v.fault(CheckSchema, file, row, "", "%v", err)
				return nil
			}
			if row > 1 {
				use(row, cells)
			}
		}
		run.broken = true
		v.fault(CheckSchema, file, maxRows, "", "has more rows than %d", maxRows)
		return nil
	})
}
