package pack

// reconciliationName is the table that carries the line from month to month.
const reconciliationName = "reconciliation"

// ReconciliationTable describes data/reconciliation.csv. Each line of kind
// measure satisfies, in integers of its unit,
//
//	cumulative = previous_cumulative + new + late + corrections_net - voided
//
// and previous_cumulative is the cumulative of the package of the month
// before. Each line of kind excluded counts records that are in no figure, by
// reason. Verify applies the equation to a table of this name wherever it
// stands in the set; a package without one holds no such promise and fails.
func ReconciliationTable() Table { return Reconciliation().Table }

// Reconciliation is the table with the values of its rows.
func Reconciliation() TableOf[ReconciliationRow] {
	type row = ReconciliationRow
	field := func(name string, typ Type, description, example string, c Constraints, value func(*row, *Rows)) Field[row] {
		return Field[row]{Column{Name: name, Type: typ, Description: description, Example: example, Constraints: c}, value}
	}
	sum := func(name, description string, of func(*row) int64) Field[row] {
		return field(name, Integer, description+"; empty on a line of kind excluded", "12", Constraints{}, func(r *row, c *Rows) {
			if r.Excluded {
				c.Unknown()
			} else {
				c.Int(of(r))
			}
		})
	}
	count := field("excluded_count", Integer, "Records left out; empty on a line of kind measure", "3", Constraints{Minimum: "0"}, func(r *row, c *Rows) {
		if r.Excluded {
			c.Int(r.Count)
		} else {
			c.Unknown()
		}
	})
	count.Unit = "records"
	return Define(Table{
		Name: reconciliationName, Title: "Reconciliation with the month before",
		Description: "cumulative = previous_cumulative + new + late + corrections_net - voided, per measure; records that are in no figure, counted by reason.",
		PrimaryKey:  []string{"measure"},
	},
		field("measure", Code, "What is counted, or why it is excluded", "jobs_accepted", Constraints{Required: true}, func(r *row, c *Rows) { c.Text(r.Measure) }),
		field("kind", Code, "measure: the equation holds; excluded: records left out of every figure", "measure", Constraints{Required: true, Enum: []string{"measure", "excluded"}}, func(r *row, c *Rows) { c.Text(r.kind()) }),
		field("unit", Text, "Unit of the line's integers", "tenths of cfm25", Constraints{Required: true}, func(r *row, c *Rows) { c.Text(r.Unit) }),
		sum("previous_cumulative", "Cumulative of the package of the month before", func(r *row) int64 { return r.Previous }),
		sum("new", "Of jobs accepted in this month", func(r *row) int64 { return r.New }),
		sum("late", "Of jobs of an earlier month that arrived since its package", func(r *row) int64 { return r.Late }),
		sum("corrections_net", "New less old value of what was corrected since the package before", func(r *row) int64 { return r.CorrectionsNet }),
		sum("voided", "What was voided since the package before", func(r *row) int64 { return r.Voided }),
		sum("cumulative", "All that stands at this package's position", (*row).Cumulative),
		count,
	)
}

// A ReconciliationRow is one measure from month to month, in integers of its
// unit, or the count of records left out for one reason.
type ReconciliationRow struct {
	Measure, Unit                               string
	Previous, New, Late, CorrectionsNet, Voided int64
	Excluded                                    bool
	Count                                       int64 // of records left out
}

// ExcludedRow counts records left out for one reason.
func ExcludedRow(reason string, count int64) ReconciliationRow {
	return ReconciliationRow{Measure: reason, Unit: "records", Excluded: true, Count: count}
}

// Cumulative is what the row adds up to.
func (r *ReconciliationRow) Cumulative() int64 {
	return r.Previous + r.New + r.Late + r.CorrectionsNet - r.Voided
}

func (r *ReconciliationRow) kind() string {
	if r.Excluded {
		return "excluded"
	}
	return "measure"
}

// Places of the columns above.
const (
	recMeasure = iota
	recKind
	recUnit
	recPrevious
	recNew
	recLate
	recCorrections
	recVoided
	recCumulative
	recExcluded
)

// balance says in which column a line of ReconciliationTable does not hold,
// and why; "" when it does.
func balance(cells []string, v []int64) (column int, why string) {
	if cells[recKind] != "measure" {
		if cells[recExcluded] == "" {
			return recExcluded, "is empty on a line of kind excluded"
		}
		return 0, ""
	}
	for i := recPrevious; i <= recCumulative; i++ {
		if cells[i] == "" {
			return i, "is empty on a line of kind measure"
		}
	}
	// 18 digits each: five of them fit 64 bits.
	if sum := v[recPrevious] + v[recNew] + v[recLate] + v[recCorrections] - v[recVoided]; sum != v[recCumulative] {
		return recCumulative, "is " + itoa(v[recCumulative]) + ", but previous_cumulative + new + late + corrections_net - voided is " + itoa(sum)
	}
	return 0, ""
}
