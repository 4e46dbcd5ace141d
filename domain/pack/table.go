package pack

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
)

// Type says what the cells of a column are, and how they are written.
type Type string

// The types. In Table Schema an ID and a Code are strings with a pattern, a
// Month is a yearmonth.
const (
	Text     Type = "string"   // any text of one line; the only type whose cells Guard may change
	ID       Type = "id"       // names a row; begins with a letter
	Code     Type = "code"     // a word of a closed list; begins with a letter
	Date     Type = "date"     // 2026-10-31
	DateTime Type = "datetime" // RFC 3339 with offset
	Month    Type = "month"    // 2026-10
	Integer  Type = "integer"  // whole number
	Number   Type = "number"   // decimal text with at most Decimals digits after the point
	Boolean  Type = "boolean"  // true, false
)

// A Table describes one file of the package.
type Table struct {
	Name        string // file name without .csv: jobs
	Title       string
	Description string
	Columns     []Column
	PrimaryKey  []string
	ForeignKeys []ForeignKey
}

// A Column describes the cells below one header.
type Column struct {
	Name        string // ends in its unit where it has one: leakage_cfm25
	Type        Type
	Unit        string // as a person writes it: cfm, Pa, US cents
	Decimals    int    // of a Number: digits after the point, 0 to 9
	Description string
	Example     string // a cell as it stands in the file
	Constraints Constraints
}

// Constraints bound the cells of a column; the zero value allows all that the
// type allows. Minimum is inclusive, written as a cell would be.
type Constraints struct {
	Required bool
	Minimum  string   // Integer, Number, Date, Month
	Enum     []string // the only values
}

// A ForeignKey says that the cells of Columns, where known, are the primary
// key of a row in Table.
type ForeignKey struct {
	Columns []string
	Table   string
}

// A Field is a column of rows that are made of an R, with the function that
// gives its value: exactly one cell.
type Field[R any] struct {
	Column
	Value func(*R, *Rows)
}

// A TableOf is a table whose rows are each made of an R.
type TableOf[R any] struct {
	Table
	values []func(*R, *Rows)
}

// Define makes a table of its columns.
func Define[R any](t Table, fields ...Field[R]) TableOf[R] {
	out := TableOf[R]{Table: t}
	for _, f := range fields {
		out.Columns = append(out.Columns, f.Column)
		out.values = append(out.values, f.Value)
	}
	return out
}

// Row writes the row that is made of r.
func (t *TableOf[R]) Row(rows *Rows, r *R) error {
	for _, value := range t.values {
		value(r, rows)
	}
	return rows.End()
}

// file is the table's file below data/.
func (t Table) file() string { return t.Name + ".csv" }

// numeric tells the types that have a control sum.
func (c Column) numeric() bool { return c.Type == Integer || c.Type == Number }

func (t Table) column(name string) int {
	return slices.IndexFunc(t.Columns, func(c Column) bool { return c.Name == name })
}

func (t Table) header() []string {
	names := make([]string, len(t.Columns))
	for i, c := range t.Columns {
		names[i] = c.Name
	}
	return names
}

func tableNamed(tables []Table, name string) *Table {
	if i := slices.IndexFunc(tables, func(t Table) bool { return t.Name == name }); i >= 0 {
		return &tables[i]
	}
	return nil
}

// Limits of a description. They keep a hostile descriptor from costing more
// than the file itself.
const (
	maxTables   = 200
	maxColumns  = 500
	maxDecimals = 9
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
	for i, c := range t.Columns {
		if !nameForm.MatchString(c.Name) {
			bad("column %q: the name is not lower-case letters, digits and underscores (at most 63)", c.Name)
		}
		if t.column(c.Name) < i {
			bad("column %q: stands twice", c.Name)
		}
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
	for i, t := range tables {
		l, err := newLayout(t)
		errs = append(errs, err)
		out = append(out, l)
		if slices.ContainsFunc(tables[:i], func(o Table) bool { return o.Name == t.Name }) {
			errs = append(errs, fmt.Errorf("table %q: stands twice", t.Name))
		}
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
