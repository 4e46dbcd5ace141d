package month

import (
	"slices"
	"strings"

	"ductledger/domain/pack"
)

// SummaryName is the workbook that a person opens first.
const SummaryName = "summary.xlsx"

// SummarySheets are the tables of which the workbook shows every row: only such
// whose length does not grow with the month.
func SummarySheets() []string {
	return []string{MonthsTable, CostsTable, ContractorsTable, ReconciliationTable}
}

const bagInfo = "bag-info.txt"

// Summary is the front sheet of the workbook, and chosen figures of it are
// README.txt's: whose month it is, how it stands, and what it comes to. excluded are the
// reasons counted at the end of the reconciliation, in its order.
func Summary(costs []CostRow, excluded []string, energy EnergyMethods) []pack.FrontRow {
	head := func(what, label string) pack.FrontRow { return pack.FrontRow{What: what, File: bagInfo, Row: label} }
	lines := []pack.FrontRow{
		{What: "The package"},
		head("From", "Source-Organization"), head("Program", "Program"), head("Month", "Month"), head("Fund", "Fund-Source"), head("Time zone of the month", "Time-Zone"),
		head("The month had ended", "Month-Finished"), head("Invented data", "Demo"), head("Revision", "Revision"),
		head("As of, by the clock of that zone", "As-Of"), head("Entry of the ledger", "Position"), head("Entry of the month before", "Previous-Position"),
		head("Version of the tables", "Schema-Version"),
	}
	for _, part := range []struct {
		heading, column string
		readme          []int // measures that README.txt shows: it has one page
	}{
		{"New in this month", "new", []int{jobsAccepted, jobsCompleted, timesReturned, reductionTenths, outsideReductionTenths, savedKWh, deemedSavedKWh, payableCents, heldBackCents}},
		{"All months so far", "cumulative", []int{jobsAccepted, reductionTenths, outsideReductionTenths, savedKWh, deemedSavedKWh, payableCents}},
	} {
		lines = append(lines, pack.FrontRow{What: part.heading, InReadme: true})
		for i, m := range Measures() {
			if !energy.shows(i) {
				continue
			}
			row := reconciled(m.Title, m.Shown, m.Name, part.column, m.ShownPlaces)
			row.InReadme = slices.Contains(part.readme, i)
			lines = append(lines, row)
		}
	}
	lines = append(lines, costLines(costs)...)
	lines = append(lines, pack.FrontRow{What: "In none of these figures"})
	for _, reason := range excluded {
		lines = append(lines, reconciled(excludedTitle(reason), "records", reason, "excluded_count", 0))
	}
	return lines
}

func reconciled(what, unit, measure, column string, places int) pack.FrontRow {
	return pack.FrontRow{What: what, Unit: unit, File: ReconciliationTable + ".csv", Row: measure, Column: column, Decimals: places}
}

// excludedTitle is a reason in words.
func excludedTitle(reason string) string {
	plain := func(code string) string { return strings.ReplaceAll(code, "_", " ") }
	if code, ok := strings.CutPrefix(reason, ExcludedNoReduction); ok {
		return "Jobs of this month without a reduction: " + plain(code)
	}
	switch reason {
	case ExcludedNoFund:
		return "Jobs that name no fund: in no fund's package"
	case ExcludedHeld:
		return "Records that were held"
	case ExcludedContractors:
		return "Contractors whose counts are suppressed"
	case ExcludedLate:
		return "Records that came late"
	}
	return "Jobs that are " + plain(strings.TrimPrefix(reason, ExcludedJob))
}

// costLines are the money by fund source and category, and what a home costs.
// Where one fund pays all, sums over funds would only say it again.
func costLines(costs []CostRow) []pack.FrontRow {
	funds := 0
	for i := range costs {
		if costs[i].Level == costOfFund {
			funds++
		}
	}
	lines := []pack.FrontRow{{What: "Payable for this month's jobs, by fund source and category"}}
	cell := func(what, unit string, row *CostRow, column string, places int) {
		lines = append(lines, pack.FrontRow{What: what, Unit: unit, File: CostsTable + ".csv", Row: row.ID, Column: column, Decimals: places})
	}
	for i := range costs {
		if row := &costs[i]; row.Level == costOfHeading || row.Level == costOfCategory && funds > 1 {
			cell(row.title(), dollars, row, "payable_cents", 2)
		}
	}
	lines = append(lines, pack.FrontRow{What: "Average cost of a home"})
	for i := range costs {
		row := &costs[i]
		if row.Level != costOfFund && (row.Level != costOfAll || funds == 1) {
			continue
		}
		cell(row.title()+": homes worked on in this month", "homes", row, "homes_count", 0)
		cell(row.title()+": average of this month", dollars, row, "average_cents", 2)
		cell(row.title()+": average of all months so far", dollars, row, "cumulative_average_cents", 2)
		cell(row.title()+": ceiling on the average", dollars, row, "ceiling_cents", 2)
		cell(row.title()+": average of all months so far is over the ceiling", "", row, "cumulative_over_ceiling", 0)
	}
	return lines
}

// title is what a row of costs.csv adds up, in words.
func (r *CostRow) title() string {
	fund, category := r.Fund, strings.ReplaceAll(r.Category, "_", " ")
	if fund == "" {
		fund = "no fund named"
	}
	if category == "" {
		category = "no category named"
	}
	switch r.Level {
	case costOfAll:
		return "All funds"
	case costOfCategory:
		return "All funds, " + category
	case costOfFund:
		return fund
	}
	return fund + ", " + category
}
