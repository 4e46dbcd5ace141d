package pack

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"errors"
	"io"
	"slices"
	"strings"
)

// A tableRun is what one pass over the rows of a table gathers.
type tableRun struct {
	*layout
	totals *totals
	keys   keySet
}

func (v *verifier) checkTables() error {
	layouts, err := v.describe()
	if err != nil || layouts == nil {
		return err
	}
	v.checked(CheckSchema, "")
	v.checked(CheckPrimaryKey, "no key stands twice")
	v.checked(CheckForeignKey, "every reference leads to a row")
	v.checked(CheckControl, "")
	v.checked(CheckCumulative, "")
	var changed, rows int64
	var runs []*tableRun
	byName := map[string]*tableRun{}
	for _, l := range layouts {
		run := &tableRun{layout: l, totals: newTotals(l)}
		runs, byName[l.Name] = append(runs, run), run
		if err := v.gather(run, &changed); err != nil {
			return err
		}
		rows += run.totals.rows
		v.checkTwice(run)
	}
	v.checked(CheckSchema, "%d rows in %d tables", rows, len(runs))
	if changed != v.counts.changed {
		v.fault(CheckSchema, bagInfoName, 0, "", "Changed-Cells is %d, there are %d", v.counts.changed, changed)
	}
	for _, run := range runs {
		if err := v.checkReferences(run, byName); err != nil {
			return err
		}
	}
	if err := v.checkControl(runs); err != nil {
		return err
	}
	if err := v.checkReconciliation(byName[reconciliationName]); err != nil {
		return err
	}
	if err := v.checkEntries(byName[entriesName]); err != nil {
		return err
	}
	return v.checkReadme(byName)
}

// gather judges every cell, counts, and collects keys.
func (v *verifier) gather(run *tableRun, changed *int64) error {
	ordinals := make([]int64, len(run.Columns))
	return v.eachRow(run.layout, func(row int64, cells []string) {
		for i, cell := range cells {
			var why string
			if ordinals[i], why = run.cells[i].judge(cell); why != "" {
				v.fault(CheckSchema, run.file(), row, run.Columns[i].Name, "%.40q %s", cell, why)
			}
			if run.cells[i].typ == Text && strings.HasPrefix(cell, "'") {
				*changed++
			}
		}
		run.totals.add(run.layout, cells, ordinals)
		switch v.rows++; {
		case v.rows <= maxRows:
			run.keys.take(run.key, cells, row)
		case v.rows == maxRows+1:
			v.fault(CheckPrimaryKey, run.file(), row, "", "is beyond the %d rows of a package whose keys are looked at", maxRows)
		}
	})
}

// eachRow calls use with every record below the header; row counts as a
// spreadsheet does. A file that is missing was reported before, and what cannot
// be split into rows is reported at the first pass.
func (v *verifier) eachRow(l *layout, use func(row int64, cells []string)) error {
	path := "data/" + l.file()
	if v.pack.files[path] == nil {
		return nil
	}
	return v.pack.each(path, func(r io.Reader) error {
		in := newCSVReader(r)
		for row := int64(1); ; row++ {
			cells, err := in.Read()
			switch {
			case err == io.EOF && row > 1:
				return nil
			case err == io.EOF:
				err = errors.New("has no header")
			case err == nil && row == 1 && !slices.Equal(cells, l.header()):
				err = errors.New("has another header than the descriptor says")
			}
			if err != nil {
				if !v.broken[path] {
					v.fault(CheckSchema, l.file(), row, "", "%v", err)
				}
				v.broken[path] = true
				return nil
			}
			if row > 1 {
				use(row, cells)
			}
		}
	})
}

// A keySet finds keys that stand twice, and tells whether one stands. A key is
// kept as 16 bytes of its SHA-256: 24 bytes a row.
type keySet struct {
	keys []keyAt
	buf  []byte
}

type keyAt struct {
	key [16]byte
	row int64
}

// of gives a key; false when a cell of it is not known.
func (k *keySet) of(columns []int, cells []string) (key [16]byte, known bool) {
	for _, i := range columns {
		if cells[i] == "" {
			return key, false
		}
	}
	k.buf = appendKey(k.buf[:0], columns, cells)
	sum := sha256.Sum256(k.buf)
	return [16]byte(sum[:16]), true
}

func (k *keySet) take(columns []int, cells []string, row int64) {
	if key, known := k.of(columns, cells); known {
		k.keys = append(k.keys, keyAt{key, row})
	}
}

// has looks a key up among those that are sorted.
func (k *keySet) has(key [16]byte) bool {
	_, found := slices.BinarySearchFunc(k.keys, key, func(a keyAt, key [16]byte) int { return bytes.Compare(a.key[:], key[:]) })
	return found
}

// checkTwice sorts the keys and reports the rows whose key stands in a row before.
func (v *verifier) checkTwice(run *tableRun) {
	k := &run.keys
	slices.SortFunc(k.keys, func(a, b keyAt) int {
		return cmp.Or(bytes.Compare(a.key[:], b.key[:]), cmp.Compare(a.row, b.row))
	})
	var pairs [][2]int64 // the row again, and the first
	for i, first := 1, 0; i < len(k.keys); i++ {
		if k.keys[i].key != k.keys[first].key {
			first = i
			continue
		}
		pairs = append(pairs, [2]int64{k.keys[i].row, k.keys[first].row})
	}
	slices.SortFunc(pairs, func(a, b [2]int64) int { return cmp.Compare(a[0], b[0]) })
	for _, p := range pairs {
		v.fault(CheckPrimaryKey, run.file(), p[0], run.PrimaryKey[0], "stands already in row %d", p[1])
	}
}

// checkReferences looks for references of a table that lead to no row.
func (v *verifier) checkReferences(run *tableRun, byName map[string]*tableRun) error {
	for _, fk := range run.ForeignKeys {
		columns, keys := run.indexes(fk.Columns), &byName[fk.Table].keys
		err := v.eachRow(run.layout, func(row int64, cells []string) {
			if key, known := keys.of(columns, cells); known && !keys.has(key) {
				v.fault(CheckForeignKey, run.file(), row, fk.Columns[0], "%.40q is in no row of %s", cells[columns[0]], fk.Table)
			}
		})
		if err != nil {
			return err
		}
	}
	return nil
}
