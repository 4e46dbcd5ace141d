package month

import (
	"time"

	"ductledger/domain"
	"ductledger/domain/pack"
)

// A PeriodRow is a row of months.csv: what stands of the jobs that count in a
// month, in the year so far, and in all months; inspections and complaints by
// the day that they name.
type PeriodRow struct {
	Period, Kind string
	Sums         Sums
	Inspections  int64
	Passed       int64
	CallBacks    int64
	AtFault      int64 // of the crew, and closed
}

// Kinds and names of periods.
const (
	periodMonth = "month"
	periodYear  = "year"
	periodAll   = "all"
	yearSoFar   = "year_so_far"
	allMonths   = "all_months"
)

// shownMonths is how many months stand beside each other: a year, and the month
// a year before.
const shownMonths = 13

// Periods gathers them for a package.
type Periods struct {
	months map[domain.Month]*PeriodRow
}

// Take adds what stands of a job.
func (p *Periods) Take(h *History, r *Range) {
	if h.Month <= r.Month {
		s := p.of(h.Month)
		s.Sums = s.Sums.Plus(h.SumsAt(r.Position))
	}
}

// Inspected and Complained count what a month has of them.
func (p *Periods) Inspected(m domain.Month, count, passed int64) {
	p.of(m).Inspections += count
	p.of(m).Passed += passed
}

// Complained counts call-backs.
func (p *Periods) Complained(m domain.Month, count, atFault int64) {
	p.of(m).CallBacks += count
	p.of(m).AtFault += atFault
}

func (p *Periods) of(m domain.Month) *PeriodRow {
	if p.months == nil {
		p.months = map[domain.Month]*PeriodRow{}
	}
	if p.months[m] == nil {
		p.months[m] = &PeriodRow{Period: string(m), Kind: periodMonth}
	}
	return p.months[m]
}

func (r *PeriodRow) add(o *PeriodRow) {
	r.Sums = r.Sums.Plus(o.Sums)
	r.Inspections, r.Passed, r.CallBacks, r.AtFault = r.Inspections+o.Inspections, r.Passed+o.Passed, r.CallBacks+o.CallBacks, r.AtFault+o.AtFault
}

// Rows are the last months, oldest first, the year of the package's month up to
// it, and all months up to it.
func (p *Periods) Rows(m domain.Month) []PeriodRow {
	year, all := PeriodRow{Period: yearSoFar, Kind: periodYear}, PeriodRow{Period: allMonths, Kind: periodAll}
	for of, row := range p.months {
		if of > m {
			continue
		}
		all.add(row)
		if of[:4] == m[:4] {
			year.add(row)
		}
	}
	var rows []PeriodRow
	for _, of := range monthsUpTo(m) {
		rows = append(rows, *p.of(of))
	}
	return append(rows, year, all)
}

// monthsUpTo are the months that are shown, oldest first.
func monthsUpTo(m domain.Month) (months []domain.Month) {
	first, err := time.Parse("2006-01", string(m))
	if err != nil {
		return []domain.Month{m}
	}
	for i := shownMonths - 1; i >= 0; i-- {
		months = append(months, domain.MonthOf(first.AddDate(0, -i, 0), time.UTC))
	}
	return months
}

// PeriodsTable is months.csv.
func PeriodsTable() pack.TableOf[PeriodRow] {
	type R = PeriodRow
	return pack.Define(pack.Table{
		Name: MonthsTable, Title: "Month by month, the year so far and all months",
		Description: "One row for each of the last thirteen months, for the year up to this month, and for all months: the jobs that count in it, as they stand at the package's position. Corrections move the month that they correct. all_months is cumulative of reconciliation.csv.",
		PrimaryKey:  []string{"period"},
	},
		field("period", pack.Text, "", "2026-10", "The month; year_so_far or all_months",
			text(func(p *R) string { return p.Period })),
		field("kind", pack.Code, "", periodMonth, "What the row is of",
			text(func(p *R) string { return p.Kind }), required, oneOf("period_kind")),
		field("homes_count", pack.Integer, "homes", "14", "Accepted jobs: one for each home",
			integer(func(p *R) int64 { return p.Sums[jobsAccepted] }), required, notNegative),
		field("completed_count", pack.Integer, "homes", "12", "of which completed",
			integer(func(p *R) int64 { return p.Sums[jobsCompleted] }), required, notNegative),
		field("payable_cents", pack.Integer, cents, "690550", "What they are paid, held-back share included",
			integer(func(p *R) int64 { return p.Sums[payableCents] }), required),
		field("held_back_cents", pack.Integer, cents, "69055", "of which held back until inspection",
			integer(func(p *R) int64 { return p.Sums[heldBackCents] }), required),
		field("with_reduction_count", pack.Integer, "homes", "11", "Homes with total leakage before and after",
			integer(func(p *R) int64 { return p.Sums[jobsWithReduction] }), required, notNegative),
		field("reduction_cfm25", pack.Number, cfm25, "1274.3", "Their total leakage removed, added up",
			optionalTenths(func(p *R) *int64 { return &p.Sums[reductionTenths] }), required, tenths),
		field("with_outside_reduction_count", pack.Integer, "homes", "0", "Homes with leakage to outside before and after",
			integer(func(p *R) int64 { return p.Sums[jobsWithOutside] }), required, notNegative),
		field("outside_reduction_cfm25", pack.Number, cfm25, "0.0", "Their leakage to outside removed, added up; never added to total leakage",
			optionalTenths(func(p *R) *int64 { return &p.Sums[outsideReductionTenths] }), required, tenths),
		field("with_energy_saved_count", pack.Integer, "homes", "11", "Homes with an estimate of energy by delivery effectiveness",
			integer(func(p *R) int64 { return p.Sums[jobsWithSaving] }), required, notNegative),
		field("energy_saved_kwh", pack.Integer, kWhAYear, "6600", "What they save of heating energy in a year, added up: an estimate by delivery effectiveness",
			integer(func(p *R) int64 { return p.Sums[savedKWh] }), required),
		field("with_deemed_energy_saved_count", pack.Integer, "homes", "0", "Homes with an estimate of energy by figures that the program adopted",
			integer(func(p *R) int64 { return p.Sums[jobsWithDeemedSaving] }), required, notNegative),
		field("deemed_energy_saved_kwh", pack.Integer, kWhAYear, "0", "What they save of heating energy in a year, added up: an estimate by figures that the program adopted; never added to energy_saved_kwh",
			integer(func(p *R) int64 { return p.Sums[deemedSavedKWh] }), required),
		field("inspections_count", pack.Integer, "inspections", "2", "Inspections of that day that passed or failed",
			integer(func(p *R) int64 { return p.Inspections }), required, notNegative),
		field("inspections_passed_count", pack.Integer, "inspections", "2", "of which passed",
			integer(func(p *R) int64 { return p.Passed }), required, notNegative),
		field("call_backs_count", pack.Integer, "call-backs", "1", "Complaints that were reported on a day of it",
			integer(func(p *R) int64 { return p.CallBacks }), required, notNegative),
		field("call_backs_at_fault_count", pack.Integer, "call-backs", "0", "of which closed at the crew's fault",
			integer(func(p *R) int64 { return p.AtFault }), required, notNegative),
	)
}

// Overview is the workbook's first sheet: this month beside the one before, the
// year so far and all months, in words and dollars; energy by those methods by
// which the program estimates.
func Overview(program string, fund string, m domain.Month, energy EnergyMethods) *pack.Overview {
	title := program + ": " + monthName(m, "January 2006")
	if fund != "" {
		title += ", " + fund
	}
	months := monthsUpTo(m)
	o := &pack.Overview{Title: title, Table: MonthsTable, Periods: []pack.Period{
		{Name: monthName(m, "January 2006"), Row: string(m)},
		{Name: monthName(months[max(len(months)-2, 0)], "January 2006"), Row: string(months[max(len(months)-2, 0)])},
		{Name: string(m[:4]) + " so far", Row: yearSoFar}, {Name: "All months so far", Row: allMonths}},
		Rows: []pack.OverviewRow{
			{What: "Homes", Column: "homes_count", ByMonth: true, Chart: true},
			{What: "of which completed", Unit: "homes", Column: "completed_count"},
			{What: "Paid for them", Unit: dollars, Column: "payable_cents", Decimals: 2, ByMonth: true, Chart: true},
			{What: "of which held back until inspection", Unit: dollars, Column: "held_back_cents", Decimals: 2},
			{What: "Duct leakage removed", Unit: cfm25, Column: "reduction_cfm25", ByMonth: true, Chart: true},
			{What: "in so many homes with readings before and after", Unit: "homes", Column: "with_reduction_count"},
			{What: "Duct leakage to outside removed", Unit: cfm25, Column: "outside_reduction_cfm25"},
		}}
	if energy.Effectiveness {
		o.Rows = append(o.Rows, pack.OverviewRow{What: "Energy saved, an estimate by delivery effectiveness", Unit: kWhAYear, Column: "energy_saved_kwh", ByMonth: true, Chart: true},
			pack.OverviewRow{What: "in so many homes", Unit: "homes", Column: "with_energy_saved_count"})
	}
	if energy.Deemed {
		o.Rows = append(o.Rows, pack.OverviewRow{What: "Energy saved, an estimate by figures that the program adopted", Unit: kWhAYear, Column: "deemed_energy_saved_kwh", ByMonth: true, Chart: true},
			pack.OverviewRow{What: "in so many homes", Unit: "homes", Column: "with_deemed_energy_saved_count"})
	}
	o.Rows = append(o.Rows, []pack.OverviewRow{
		{What: "Inspections", Column: "inspections_count", ByMonth: true},
		{What: "of which passed", Unit: "inspections", Column: "inspections_passed_count"},
		{What: "Call-backs", Column: "call_backs_count", ByMonth: true, Chart: true},
		{What: "of which at the crew's fault", Unit: "call-backs", Column: "call_backs_at_fault_count"},
	}...)
	for _, of := range months {
		o.Months = append(o.Months, pack.Period{Name: monthName(of, "Jan 2006"), Row: string(of)})
	}
	return o
}

// EnergyMethods are those by which a program estimates, or estimated, energy.
type EnergyMethods struct{ Effectiveness, Deemed bool }

// EnergyMethodsOf finds them in the rule sets that began by a day; the first
// holds from the beginning.
func EnergyMethodsOf(sets []*domain.RuleSet, day domain.Date) (m EnergyMethods) {
	var first *domain.RuleSet
	for _, set := range sets {
		if first == nil || set.FromOn < first.FromOn {
			first = set
		}
	}
	for _, set := range sets {
		if set.FromOn > day && set != first {
			continue
		}
		for i := range set.EnergyFigures {
			m.Effectiveness = m.Effectiveness || set.EnergyFigures[i].Typical != nil
			m.Deemed = m.Deemed || set.EnergyFigures[i].DeemedKWh != nil
		}
	}
	return m
}

// shows tells whether a measure says anything of such a program.
func (m EnergyMethods) shows(measure int) bool {
	switch measure {
	case jobsWithSaving, savedKWh:
		return m.Effectiveness
	case jobsWithDeemedSaving, deemedSavedKWh:
		return m.Deemed
	}
	return true
}

func monthName(m domain.Month, form string) string {
	first, err := time.Parse("2006-01", string(m))
	if err != nil {
		return string(m)
	}
	return first.Format(form)
}
