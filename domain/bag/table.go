package bag

// Type says what the cells of a column are, and how they are written.
type Type string

// The types. In Table Schema an ID and a Code are strings with a pattern, a
// Month is a yearmonth.
const (
	Text     Type = "string"   // any text; the only type whose cells Guard may change
	ID       Type = "id"       // names a row; begins with a letter
	Code     Type = "code"     // a word of a closed list; begins with a letter
	Date     Type = "date"     // 2026-10-31
	DateTime Type = "datetime" // RFC 3339 with offset
	Month    Type = "month"    // 2026-10
	Integer  Type = "integer"  // whole number
	Number   Type = "number"   // decimal text with at most Decimals digits after the point
	Boolean  Type = "boolean"  // true, false
)

// A Table describes one file (or its parts, when it is split) of the package.
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
// type allows. Minimum and Maximum are inclusive, written as a cell would be.
// All judge the cell as it stands in the file, a guard included, as a program
// does that knows the schema only: a MaxLength needs room for the apostrophe.
type Constraints struct {
	Required  bool
	Unique    bool
	Minimum   string // Integer, Number, Date, Month
	Maximum   string
	MaxLength int      // characters, of a Text
	Pattern   string   // the whole cell must match (RE2)
	Enum      []string // the only values
}

// A ForeignKey says that the cells of Columns, where known, are the primary
// key of a row in Table.
type ForeignKey struct {
	Columns []string
	Table   string
}

// FileOf is the name of part n (1, 2, …) of a table that has parts.
func (t Table) fileOf(part, parts int64) string {
	if parts <= 1 {
		return t.Name + ".csv"
	}
	return t.Name + "-" + itoa(part) + ".csv"
}

// numeric tells the types that have a control sum.
func (c Column) numeric() bool { return c.Type == Integer || c.Type == Number }

func (t Table) column(name string) int {
	for i, c := range t.Columns {
		if c.Name == name {
			return i
		}
	}
	return -1
}

func tableNamed(tables []Table, name string) *Table {
	for i := range tables {
		if tables[i].Name == name {
			return &tables[i]
		}
	}
	return nil
}
