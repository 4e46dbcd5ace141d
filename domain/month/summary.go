package month

import (
	"strings"

	"ductledger/domain/bag"
)

// SummaryName is the workbook that a person opens first.
const SummaryName = "summary.xlsx"

// SummaryPages are the tables of which the workbook shows every row: only such
// whose length does not grow with the month.
func SummaryPages() []string { return []string{ContractorsTable, ReconciliationTable} }

const bagInfo = "bag-info.txt"

// Summary is the front page of the workbook, and the figures of README.txt:
// whose month it is, how it stands, and what it comes to. excluded are the
// reasons counted at the end of the reconciliation, in its order.
func Summary(excluded []string) []bag.Line {
	head := func(what, label string) bag.Line { return bag.Line{What: what, File: bagInfo, Row: label} }
	lines := []bag.Line{
		{What: "The package"},
		head("From", "Source-Organization"), head("Programme", "Programme"), head("Month", "Month"), head("Time zone of the month", "Time-Zone"),
		head("The month had ended", "Month-Finished"), head("Invented data", "Demo"), head("Revision", "Revision"),
		head("As of (UTC)", "As-Of"), head("Entry of the ledger", "Position"), head("Entry of the month before", "Previous-Position"),
		head("Version of the tables", "Schema-Version"),
	}
	for _, part := range []struct{ heading, column string }{{"New in this month", "new"}, {"All months so far", "cumulative"}} {
		lines = append(lines, bag.Line{What: part.heading})
		for _, m := range Measures() {
			lines = append(lines, reconciled(m.Title, m.Shown, m.Name, part.column, m.ShownPlaces))
		}
	}
	lines = append(lines, bag.Line{What: "In none of these figures"})
	for _, reason := range excluded {
		lines = append(lines, reconciled(excludedTitle(reason), "records", reason, "excluded_count", 0))
	}
	return lines
}

func reconciled(what, unit, measure, column string, places int) bag.Line {
	return bag.Line{What: what, Unit: unit, File: ReconciliationTable + ".csv", Row: measure, Column: column, Decimals: places}
}

// excludedTitle is a reason in words.
func excludedTitle(reason string) string {
	plain := func(code string) string { return strings.ReplaceAll(code, "_", " ") }
	if code, ok := strings.CutPrefix(reason, ExcludedNoReduction); ok {
		return "Jobs of this month without a reduction: " + plain(code)
	}
	switch reason {
	case ExcludedHeld:
		return "Records that were held"
	case ExcludedLate:
		return "Records that came late"
	}
	return "Jobs that are " + plain(strings.TrimPrefix(reason, ExcludedJob))
}
