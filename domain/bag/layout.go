package bag

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
)

// Limits of a description. They keep a hostile descriptor from costing more
// than the file itself.
const (
	maxTables   = 200
	maxColumns  = 500
	maxDecimals = 9
	maxPattern  = 500 // characters of a pattern
)

var nameForm = regexp.MustCompile(`^[a-z][a-z0-9_]{0,62}$`)

// A layout is a table made ready for judging cells.
type layout struct {
	Table
	cells []cellRule // one a column
	key   []int      // columns of the primary key
}

// newLayout reports everything that is wrong with a table by itself.
func newLayout(t Table) (*layout, error) {
	l := &layout{Table: t}
	var errs []error
	bad := func(format string, args ...any) {
		errs = append(errs, fmt.Errorf("table %q: "+format, append([]any{t.Name}, args...)...))
	}
	if !nameForm.MatchString(t.Name) {
		bad("the name is not lower-case letters, digits and underscores (at most 63)")
	}
	if len(t.Columns) == 0 || len(t.Columns) > maxColumns {
		bad("has %d columns, 1 to %d are possible", len(t.Columns), maxColumns)
	}
	seen := map[string]bool{}
	for _, c := range t.Columns {
		if !nameForm.MatchString(c.Name) {
			bad("column %q: the name is not lower-case letters, digits and underscores (at most 63)", c.Name)
		}
		if seen[c.Name] {
			bad("column %q: stands twice", c.Name)
		}
		seen[c.Name] = true
		rule, err := newCellRule(c)
		if err != nil {
			bad("column %q: %w", c.Name, err)
		}
		l.cells = append(l.cells, rule)
	}
	if len(t.PrimaryKey) == 0 {
		bad("has no primary key")
	}
	for _, name := range t.PrimaryKey {
		i := t.column(name)
		if i < 0 {
			bad("primary key: no column %q", name)
			continue
		}
		l.key = append(l.key, i)
		l.cells[i].required = true
	}
	return l, errors.Join(errs...)
}

// newLayouts also checks what tables say about each other.
func newLayouts(tables []Table) ([]*layout, error) {
	if len(tables) == 0 || len(tables) > maxTables {
		return nil, fmt.Errorf("%d tables, 1 to %d are possible", len(tables), maxTables)
	}
	var errs []error
	var out []*layout
	seen := map[string]bool{}
	for _, t := range tables {
		l, err := newLayout(t)
		errs = append(errs, err)
		out = append(out, l)
		if seen[t.Name] {
			errs = append(errs, fmt.Errorf("table %q: stands twice", t.Name))
		}
		seen[t.Name] = true
		for _, fk := range t.ForeignKeys {
			errs = append(errs, fk.check(t, tables))
		}
	}
	return out, errors.Join(errs...)
}

func (fk ForeignKey) check(t Table, tables []Table) error {
	to := tableNamed(tables, fk.Table)
	if to == nil {
		return fmt.Errorf("table %q: foreign key: no table %q", t.Name, fk.Table)
	}
	if len(fk.Columns) == 0 || len(fk.Columns) != len(to.PrimaryKey) {
		return fmt.Errorf("table %q: foreign key: %d columns, the key of %q has %d", t.Name, len(fk.Columns), fk.Table, len(to.PrimaryKey))
	}
	for _, name := range fk.Columns {
		if t.column(name) < 0 {
			return fmt.Errorf("table %q: foreign key: no column %q", t.Name, name)
		}
	}
	return nil
}

// CheckTables says everything that is wrong with a set of descriptions; nil
// when a package can be written with them.
func CheckTables(tables []Table) error {
	_, err := newLayouts(tables)
	if tableNamed(tables, controlName) != nil {
		err = errors.Join(err, fmt.Errorf("table %q: the name is taken by the control totals", controlName))
	}
	for _, t := range tables {
		for _, c := range t.Columns {
			if c.Description == "" {
				err = errors.Join(err, fmt.Errorf("table %q: column %q: no description", t.Name, c.Name))
			}
		}
	}
	return err
}

func (l *layout) indexes(names []string) []int {
	out := make([]int, len(names))
	for i, name := range names {
		out[i] = l.column(name)
	}
	return out
}

func itoa(n int64) string { return strconv.FormatInt(n, 10) }
