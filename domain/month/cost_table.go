package month

import (
	"maps"
	"slices"

	"ductledger/domain/pack"
)

// Levels of costs.csv.
const (
	costOfAll      = "all"
	costOfCategory = "category"
	costOfFund     = "fund_source"
	costOfHeading  = "fund_and_category"
)

// A CostRow is one row of costs.csv: homes and money of this month's jobs, and
// of all that stands.
type CostRow struct {
	ID, Level, Fund, Category   string
	Homes, Cents                int64
	CumulativeHomes, Cumulative int64
	Ceiling                     *int64 // the program's, on the average cost of a home; nil is none
}

// Rows are the costs of this month's jobs, late ones included, and of all
// months: together, by category, by fund source, and by both.
func (s *Spending) Rows(ceiling *int64) []CostRow {
	homes := func(of func(*Costs) int64) CostRow {
		return CostRow{Homes: of(&s.New) + of(&s.Late), CumulativeHomes: of(&s.Cumulative)}
	}
	all := homes(func(c *Costs) int64 { return c.homes })
	all.ID, all.Level = costOfAll, costOfAll
	byCategory, byFund := map[string]*CostRow{}, map[string]*CostRow{}
	for _, fund := range s.funds() {
		row := homes(func(c *Costs) int64 { return c.byFund[fund] })
		name, _ := heading{fund: fund}.names()
		row.ID, row.Level, row.Fund = "fund."+name, costOfFund, fund
		byFund[fund] = &row
	}
	var headings []CostRow
	for _, h := range s.Cumulative.headings() {
		fund, category := h.names()
		if byFund[h.fund] == nil { // it pays trips only
			byFund[h.fund] = &CostRow{ID: "fund." + fund, Level: costOfFund, Fund: h.fund}
		}
		if byCategory[h.category] == nil {
			byCategory[h.category] = &CostRow{ID: "category." + category, Level: costOfCategory, Category: h.category, Homes: all.Homes, CumulativeHomes: all.CumulativeHomes}
		}
		row := *byFund[h.fund]
		row.ID, row.Level, row.Category = "both."+fund+"."+category, costOfHeading, h.category
		row.Cents, row.Cumulative = s.New.cents[h]+s.Late.cents[h], s.Cumulative.cents[h]
		for _, sum := range []*CostRow{&all, byFund[h.fund], byCategory[h.category]} {
			sum.Cents += row.Cents
			sum.Cumulative += row.Cumulative
		}
		headings = append(headings, row)
	}
	rows := []CostRow{all}
	for _, category := range slices.Sorted(maps.Keys(byCategory)) {
		rows = append(rows, *byCategory[category])
	}
	for _, fund := range slices.Sorted(maps.Keys(byFund)) {
		rows = append(rows, *byFund[fund])
	}
	rows = append(rows, headings...)
	for i := range rows {
		rows[i].Ceiling = ceiling
	}
	return rows
}

// ceiling is one on the average cost of a home, so it stands beside what is
// paid in all and by each fund.
func (r *CostRow) ceiling() *int64 {
	if r.Level != costOfAll && r.Level != costOfFund {
		return nil
	}
	return r.Ceiling
}

// over tells whether the exact average is over the ceiling, where both are.
func over(of func(*CostRow) (cents, homes int64)) func(*CostRow, *pack.Rows) {
	return func(r *CostRow, c *pack.Rows) {
		ceiling := r.ceiling()
		if cents, homes := of(r); homes == 0 || ceiling == nil {
			c.Unknown()
		} else {
			c.Bool((cents+homes-1)/homes > *ceiling)
		}
	}
}

// average is cents/homes in whole cents, rounded half to even; none without a
// home.
func average(cents, homes int64) *int64 {
	if homes == 0 {
		return nil
	}
	whole, rest := cents/homes, cents%homes
	if rest < 0 {
		whole, rest = whole-1, rest+homes
	}
	if 2*rest > homes || 2*rest == homes && whole%2 != 0 {
		whole++
	}
	return &whole
}

func CostsBy() pack.TableOf[CostRow] {
	type R = CostRow
	return pack.Define(pack.Table{
		Name: CostsTable, Title: "Cost by fund source and category, and average cost of a home",
		Description: "Sums of amount_cents of payments.csv (this month's jobs, late ones included), and of all that stands (cumulative, as in reconciliation.csv). An average is cents through homes, rounded once, half to even; all that is payable is in it, trips to homes without work included. Ceiling and averages: 42 U.S.C. 6865(c) and 10 CFR 440.18 ask for one by the money of one fund, 10 CFR 440.24 for records of it.",
		PrimaryKey:  []string{"cost_id"},
	},
		field("cost_id", pack.ID, "", "both.state_fund.labor", "The row",
			text(func(r *R) string { return r.ID })),
		field("level", pack.Code, "", costOfHeading, "What is added up",
			text(func(r *R) string { return r.Level }), required, oneOf("cost_level")),
		field("fund_source", pack.Text, "", "state_fund", "The fund that pays; empty where funds are added up, or none is named",
			text(func(r *R) string { return r.Fund })),
		field("category", pack.Code, "", "labor", "Heading under which the funder counts it; empty where categories are added up, or none is named",
			text(func(r *R) string { return r.Category }), oneOf("payment_category")),
		field("homes_count", pack.Integer, "homes", "12", "Homes of this month's jobs in which work was done, wholly or in part; by a fund, those in which it pays for something",
			integer(func(r *R) int64 { return r.Homes }), required, notNegative),
		field("payable_cents", pack.Integer, cents, "690550", "Payable for this month's jobs",
			integer(func(r *R) int64 { return r.Cents }), required),
		field("average_cents", pack.Integer, "US cents per home", "57546", "payable_cents through homes_count; empty without a home",
			optional(func(r *R) *int64 { return average(r.Cents, r.Homes) })),
		field("over_ceiling", pack.Boolean, "", "false", "The exact average is more than the ceiling",
			over(func(r *R) (cents, homes int64) { return r.Cents, r.Homes })),
		field("cumulative_homes_count", pack.Integer, "homes", "140", "Homes of all months",
			integer(func(r *R) int64 { return r.CumulativeHomes }), required, notNegative),
		field("cumulative_payable_cents", pack.Integer, cents, "8056417", "Payable for the jobs of all months, as they stand",
			integer(func(r *R) int64 { return r.Cumulative }), required),
		field("cumulative_average_cents", pack.Integer, "US cents per home", "57546", "cumulative_payable_cents through cumulative_homes_count",
			optional(func(r *R) *int64 { return average(r.Cumulative, r.CumulativeHomes) })),
		field("cumulative_over_ceiling", pack.Boolean, "", "false", "The exact average is more than the ceiling",
			over(func(r *R) (cents, homes int64) { return r.Cumulative, r.CumulativeHomes })),
		field("ceiling_cents", pack.Integer, "US cents per home", "650000", "The program's ceiling on the average, of the rule set in force on the month's last day; empty where there is none",
			optional((*R).ceiling), notNegative),
	)
}
