package bag

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
func ReconciliationTable() Table {
	sum := func(name, description string) Column {
		return Column{Name: name, Type: Integer, Description: description + "; empty on a line of kind excluded", Example: "12"}
	}
	return Table{
		Name: reconciliationName, Title: "Reconciliation with the month before",
		Description: "cumulative = previous_cumulative + new + late + corrections_net - voided, per measure; records that are in no figure, counted by reason.",
		PrimaryKey:  []string{"measure"},
		Columns: []Column{
			{Name: "measure", Type: Code, Description: "What is counted, or why it is excluded", Example: "jobs_accepted", Constraints: Constraints{Required: true}},
			{Name: "kind", Type: Code, Description: "measure: the equation holds; excluded: records left out of every figure", Example: "measure", Constraints: Constraints{Required: true, Enum: []string{"measure", "excluded"}}},
			{Name: "unit", Type: Text, Description: "Unit of the line's integers", Example: "tenths of cfm25", Constraints: Constraints{Required: true}},
			sum("previous_cumulative", "Cumulative of the package of the month before"),
			sum("new", "Of jobs accepted in this month"),
			sum("late", "Of jobs of an earlier month that arrived since its package"),
			sum("corrections_net", "New less old value of what was corrected since the package before"),
			sum("voided", "What was voided since the package before"),
			sum("cumulative", "All that stands at this package's position"),
			{Name: "excluded_count", Type: Integer, Unit: "records", Description: "Records left out; empty on a line of kind measure", Example: "3", Constraints: Constraints{Minimum: "0"}},
		},
	}
}

// A ReconciliationLine is one measure from month to month, in integers of its
// unit.
type ReconciliationLine struct {
	Measure, Unit                               string
	Previous, New, Late, CorrectionsNet, Voided int64
}

// Cumulative is what the line adds up to.
func (l ReconciliationLine) Cumulative() int64 {
	return l.Previous + l.New + l.Late + l.CorrectionsNet - l.Voided
}

// Cells are the line as a row of ReconciliationTable.
func (l ReconciliationLine) Cells() []string {
	return []string{l.Measure, "measure", l.Unit, itoa(l.Previous), itoa(l.New), itoa(l.Late),
		itoa(l.CorrectionsNet), itoa(l.Voided), itoa(l.Cumulative()), ""}
}

// ExcludedCells are the row that counts records left out for one reason.
func ExcludedCells(reason string, count int64) []string {
	return []string{reason, "excluded", "records", "", "", "", "", "", "", itoa(count)}
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
func balance(cells [][]byte, v []int64) (column int, why string) {
	if string(cells[recKind]) != "measure" {
		if len(cells[recExcluded]) == 0 {
			return recExcluded, "is empty on a line of kind excluded"
		}
		return 0, ""
	}
	for i := recPrevious; i <= recCumulative; i++ {
		if len(cells[i]) == 0 {
			return i, "is empty on a line of kind measure"
		}
	}
	// 18 digits each: five of them fit 64 bits.
	if sum := v[recPrevious] + v[recNew] + v[recLate] + v[recCorrections] - v[recVoided]; sum != v[recCumulative] {
		return recCumulative, "is " + itoa(v[recCumulative]) + ", but previous_cumulative + new + late + corrections_net - voided is " + itoa(sum)
	}
	return 0, ""
}
