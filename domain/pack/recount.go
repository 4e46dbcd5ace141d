package pack

import (
	"slices"
	"strconv"
)

// Columns of ControlTable.
const (
	ctlFile = iota
	ctlColumn
	ctlRows
	ctlKnown
	ctlTotal
	ctlIDs
	ctlCells
	ctlByRow
)

// checkControl compares the recount of every file with control.csv.
func (v *verifier) checkControl(runs []*tableRun) error {
	i := slices.IndexFunc(runs, func(r *tableRun) bool { return r.Name == controlName })
	if i < 0 || !sameColumns(runs[i].layout, ControlTable(nil)) {
		v.fault(CheckControl, descriptorName, 0, "", "does not describe the control totals")
		return nil
	}
	said := map[[2]string]*controlLine{}
	err := v.eachRow(runs[i].layout, func(row int64, cells []string) {
		line := &controlLine{row: row, cells: slices.Clone(cells)}
		key := [2]string{Unguard(line.cells[ctlFile]), Unguard(line.cells[ctlColumn])}
		if len(said) < maxMembers*maxColumns {
			said[key] = line
		}
	})
	if err != nil {
		return err
	}
	lines := 0
	for _, run := range runs {
		if run.Name == controlName {
			continue
		}
		for _, want := range run.totals.lines(run.layout) {
			lines++
			key := [2]string{run.file(), want[ctlColumn]}
			line := said[key]
			delete(said, key)
			if line == nil {
				v.fault(CheckControl, controlName+".csv", 0, "", "has no line for %s, column %s", run.file(), want[ctlColumn])
				continue
			}
			v.compare(run.totals.rows, line, want)
		}
	}
	for key, line := range sorted(said) {
		v.fault(CheckControl, controlName+".csv", line.row, "", "%s, column %s: there is no such column", key[0], key[1])
	}
	v.checked(CheckControl, "rows, sums and hashes of %d columns", lines)
	return nil
}

type controlLine struct {
	row   int64
	cells []string
}

// sorted walks the lines that are left in the order of the file.
func sorted(m map[[2]string]*controlLine) func(func([2]string, *controlLine) bool) {
	keys := make([][2]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b [2]string) int { return int(m[a].row - m[b].row) })
	return func(yield func([2]string, *controlLine) bool) {
		for _, k := range keys {
			if !yield(k, m[k]) {
				return
			}
		}
	}
}

// compare says what differs between a line and the recount, and where the
// alteration sits. counted is the recount of the same line.
func (v *verifier) compare(rows int64, line *controlLine, counted []string) {
	file, column := counted[ctlFile], counted[ctlColumn]
	said := line.cells
	if said[ctlRows] != counted[ctlRows] {
		v.fault(CheckControl, file, 0, column, "has %s rows, control.csv says %.20q", counted[ctlRows], said[ctlRows])
		return
	}
	a, ok1 := difference(counted[ctlCells], said[ctlCells])
	b, ok2 := difference(counted[ctlByRow], said[ctlByRow])
	what := "the cells differ from control.csv"
	if said[ctlTotal] != counted[ctlTotal] {
		what = "adds up to " + counted[ctlTotal] + ", control.csv says " + strconv.Quote(said[ctlTotal])
	}
	switch {
	case !ok1 || !ok2:
		v.fault(CheckControl, controlName+".csv", line.row, "cells_hash", "the hashes are not x and 16 hexadecimal digits")
	case a == 0 && b == 0:
		// The cells are those that were counted: the line itself is wrong.
		for i := range said {
			if i > ctlColumn && said[i] != counted[i] {
				v.fault(CheckControl, controlName+".csv", line.row, ControlTable(nil).Columns[i].Name, "%s, column %s: the line says %.40q, the cells give %q", file, column, said[i], counted[i])
			}
		}
	case a != 0 && b%a == 0 && b/a >= 1 && b/a <= rows:
		v.fault(CheckControl, file, b/a+1, column, "%s; one altered cell, in this row, explains all of it", what)
	case a != 0 && b == 0:
		v.fault(CheckControl, controlName+".csv", line.row, "cells_hash", "%s, column %s: the line says %.40q, the cells give %q", file, column, said[ctlCells], counted[ctlCells])
	case a == 0:
		v.fault(CheckControl, file, 0, column, "the cells are the same, but stand in other rows than control.csv says")
	default:
		v.fault(CheckControl, file, 0, column, "%s; more than one cell is altered", what)
	}
}

// difference of two hashes as control.csv writes them.
func difference(counted, said string) (int64, bool) {
	if len(said) != 17 || said[0] != 'x' {
		return 0, false
	}
	s, err := strconv.ParseUint(said[1:], 16, 64)
	c, _ := strconv.ParseUint(counted[1:], 16, 64)
	return int64(c - s), err == nil
}

// measures reads the reconciliation of a package: per measure its line, as
// numbers in the order of the columns.
func (v *verifier) measures(l *layout, use func(row int64, cells []string, n []int64)) error {
	n := make([]int64, len(l.Columns))
	return v.eachRow(l, func(row int64, cells []string) {
		for i, cell := range cells {
			var why string
			if n[i], why = l.cells[i].judge(cell); why != "" {
				return // the schema check named it
			}
		}
		use(row, cells, n)
	})
}

// checkReconciliation adds every line up and compares its beginning with the
// package of the month before.
func (v *verifier) checkReconciliation(run *tableRun) error {
	if run == nil || !sameColumns(run.layout, ReconciliationTable()) {
		v.fault(CheckCumulative, descriptorName, 0, "", "does not describe the reconciliation")
		return nil
	}
	before, err := v.previousCumulative()
	if err != nil {
		return err
	}
	lines := 0
	file := run.file()
	err = v.measures(run.layout, func(row int64, cells []string, n []int64) {
		lines++
		if column, why := balance(cells, n); why != "" {
			v.fault(CheckCumulative, file, row, run.Columns[column].Name, "%s: %s", cells[recMeasure], why)
		}
		if before == nil || cells[recKind] != "measure" {
			return
		}
		measure := cells[recMeasure]
		want, known := before[measure]
		if !known && v.grown {
			return // the package before was made when there was no such measure
		}
		if n[recPrevious] != want {
			v.fault(CheckPrevious, file, row, "previous_cumulative", "%s: is %d, the package before ends at %d", measure, n[recPrevious], want)
		}
		delete(before, measure)
	})
	if err != nil {
		return err
	}
	left := make([]string, 0, len(before))
	for measure := range before {
		left = append(left, measure)
	}
	slices.Sort(left)
	for _, measure := range left {
		v.fault(CheckPrevious, file, 0, "measure", "%s: a measure of the package before is missing", measure)
	}
	v.checked(CheckCumulative, "every line adds up (%d)", lines)
	return nil
}

// sameColumns: with these names and types in this order.
func sameColumns(l *layout, want Table) bool {
	return slices.EqualFunc(l.Columns, want.Columns, func(a, b Column) bool { return a.Name == b.Name && a.Type == b.Type })
}

// previousCumulative reads the package of the month before: nil when none was
// given, else the cumulative of each measure.
func (v *verifier) previousCumulative() (map[string]int64, error) {
	if v.opts.Previous == nil {
		return nil, nil
	}
	r, err := Verify(v.opts.Previous, v.opts.PreviousSize, VerifyOptions{MaxBytes: v.opts.MaxBytes})
	if err != nil {
		return nil, err
	}
	open, err := openContainer(v.opts.Previous, v.opts.PreviousSize, v.opts.MaxBytes)
	if err != nil {
		return nil, err
	}
	p := &verifier{findings: newFindings(), pack: open, broken: map[string]bool{}}
	if err := p.readHead(); err != nil {
		return nil, err
	}
	v.grown = p.head.SchemaVersion != v.head.SchemaVersion
	v.checked(CheckPrevious, "begins where %s ends", r.Name)
	bad := func(format string, args ...any) { v.fault(CheckPrevious, bagInfoName, 0, "", format, args...) }
	mine, _ := month(v.head.Month)
	theirs, _ := month(p.head.Month)
	switch {
	case !r.Holds:
		bad("the package before, %s, does not hold by itself", r.Name)
	case p.head.Program != v.head.Program || p.head.Demo != v.head.Demo || theirs != mine-1:
		bad("%s is not of the month before", r.Name)
	case p.head.Position != v.head.PreviousPosition:
		bad("Previous-Position is %d, %s ends at %d", v.head.PreviousPosition, r.Name, p.head.Position)
	case v.head.PreviousSHA256 != "" && v.head.PreviousSHA256 != r.SHA256:
		bad("Previous-SHA256 is not that of the file given, %s", r.SHA256)
	}
	before := map[string]int64{}
	layouts, err := p.describe()
	if err != nil {
		return nil, err
	}
	for _, l := range layouts {
		if l.Name == reconciliationName && sameColumns(l, ReconciliationTable()) {
			err = p.measures(l, func(_ int64, cells []string, n []int64) {
				if cells[recKind] == "measure" {
					before[cells[recMeasure]] = n[recCumulative]
				}
			})
		}
	}
	return before, err
}
