package domain

// RuleSet is what the program asks from a day on: rules and their limits,
// the tests, the basis and prices of pay. It is immutable once in force.
type RuleSet struct {
	Name             string        `json:"name"`
	FromOn           Date          `json:"from_on"`
	Rules            []RuleSetting `json:"rules,omitzero"` // what differs from the defaults
	MethodsAsked     []Method      `json:"methods_asked,omitzero"`
	PayBasis         PayBasis      `json:"pay_basis,omitzero"`
	AcceptNeeds      string        `json:"accept_needs,omitzero"` // review (default), final_inspection
	PaysFoundWrap    *bool         `json:"pays_found_wrap,omitzero"`
	Sealants         []Sealants    `json:"sealants,omitzero" validate:"omitempty,max=9,unique=Repair,dive"` // what differs from the defaults
	Prices           []Price       `json:"prices,omitzero"`
	HoldBackRatio    *float64      `json:"hold_back_ratio,omitzero"`
	CostCeilingCents *int64        `json:"cost_ceiling_cents,omitzero"` // average per unit
	// Contractors with fewer jobs in a month are not told apart in its package.
	SuppressBelowCount *int `json:"suppress_below_count,omitzero"`
}

// RuleSetting changes one rule for a program.
type RuleSetting struct {
	Rule       string             `json:"rule"`
	Off        *bool              `json:"off,omitzero"`
	Severity   string             `json:"severity,omitzero"`
	Parameters map[string]float64 `json:"parameters,omitzero"`
}

// Sealants are the materials that a program takes for a seal at one sort of
// joint. Absent: mastic, and at a crossover bands too.
type Sealants struct {
	Repair    RepairSort `json:"repair"`
	Materials []Material `json:"materials" validate:"min=1,max=10,unique"`
}

// Price is one line of the price schedule.
type Price struct {
	Line         string   `json:"line"` // home, cfm25_removed, crossover_replaced, trip_fee, call_back
	SectionCount *int     `json:"section_count,omitzero"`
	AmountCents  int64    `json:"amount_cents"`
	PaidRatio    *float64 `json:"paid_ratio,omitzero"` // call_back: share of what the job is paid, besides the amount
	FloorCents   *int64   `json:"floor_cents,omitzero"`
	CapCents     *int64   `json:"cap_cents,omitzero"`
	FundSource   string   `json:"fund_source,omitzero"`
	Category     string   `json:"category,omitzero"` // labour, materials, support, health_and_safety
}

// Fits tells whether the price is for homes of so many sections.
func (p *Price) Fits(sections int64) bool {
	return p.SectionCount == nil || int64(*p.SectionCount) == sections
}

func (*RuleSet) Kind() Kind  { return RuleSetKind }
func (*RuleSet) Job() UUID   { return UUID{} }
func (*RuleSet) Refs() []Ref { return nil }
