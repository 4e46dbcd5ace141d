package domain

import "slices"

// What the program asks from a day on: rules and their limits, the tests, the basis and prices of pay. It is immutable
// once in force, and begins on a later day than it was recorded, a program's first excepted.
type RuleSet struct {
	Name string `json:"name" validate:"min=1,max=120"`
	// The first day on which it is in force.
	FromOn Date `json:"from_on"`
	// What differs from the defaults; a rule that is not named keeps them.
	Rules []RuleSetting `json:"rules,omitzero" validate:"omitempty,max=100,dive"`
	// The tests that a job must bring. Empty or absent, none is asked.
	MethodsAsked []Method `json:"methods_asked,omitzero" validate:"omitempty,max=4,unique"`
	// A fixed sum per home, or by the leakage removed.
	PayBasis PayBasis `json:"pay_basis,omitzero"`
	// What must stand before a job is accepted; absent means review.
	AcceptNeeds string `json:"accept_needs,omitzero" validate:"omitempty,oneof=review final_inspection"`
	// What must stand before staff assign a job to a contractor; absent means nothing. A crew that began a job by itself
	// is not stopped by it: the finding owner_permission says what is missing.
	AssignNeeds []AssignNeed `json:"assign_needs,omitzero" validate:"omitempty,min=1,max=1,unique"`
	// How well a test of leakage is known, and when it decides nothing.
	Tests *TestLimits `json:"tests,omitzero"`
	// How jobs are inspected.
	Inspecting *Inspecting `json:"inspecting,omitzero"`
	// In which order homes are served, and from which leakage on.
	Triage *Triage `json:"triage,omitzero"`
	// Months after the acceptance of a job in which a complaint is a call-back of its contractor; absent means 12.
	WarrantyMonthsCount *int `json:"warranty_months_count,omitzero" validate:"omitempty,gte=0,lte=120"`
	// What waits until the pictures have arrived of the photos that rules ask for; absent means neither.
	PicturesNeededFor PicturesNeededFor `json:"pictures_needed_for,omitzero"`
	// Whether a picture is kept as it was taken too, with all that the phone wrote into it, for staff alone; absent means no.
	KeepsOriginalPictures *bool `json:"keeps_original_pictures,omitzero"`
	// Months after the acceptance of a job after which its pictures are erased; absent, none is.
	PicturesKeptMonthsCount *int `json:"pictures_kept_months_count,omitzero" validate:"omitempty,gte=1,lte=600"`
	// Whether closing an opening that was found is paid; absent means no.
	PaysFoundWrap *bool `json:"pays_found_wrap,omitzero"`
	// The materials that the program takes for a seal, by sort of joint, where they differ from the defaults.
	Sealants []Sealants `json:"sealants,omitzero" validate:"omitempty,max=9,dive"`
	// The funds that pay, each by a word of the program's own. A job names one of them; where there is one, a job that
	// names none means that one. Absent, they are those that the prices name.
	FundSources []string `json:"fund_sources,omitzero" validate:"omitempty,min=1,max=20,unique,dive,snake,min=2,max=60"`
	// The parks in which the program works. Where they are given, a home is in one of them or names none.
	Parks []string `json:"parks,omitzero" validate:"omitempty,min=1,max=500,unique,dive,min=1,max=120"`
	// The price schedule.
	Prices []Price `json:"prices,omitzero" validate:"omitempty,max=200,dive"`
	// The share of pay held back until inspection.
	HoldBackRatio *float64 `json:"hold_back_ratio,omitzero" validate:"omitempty,gte=0,lte=1" step:"0.001"`
	// The ceiling on the average cost of a home in US cents, held against the average of each month's package. For federal
	// money it is 6,500 dollars, raised each year by the lesser of the rise of consumer prices and 3 % (42 U.S.C.
	// 6865(c)).
	CostCeilingCents *int64 `json:"cost_ceiling_cents,omitzero" validate:"omitempty,gte=0"`
	// Contractors with fewer accepted jobs in a month than this are not told apart in its package, with others beside them
	// so that totals do not reveal their counts; absent, none is hidden.
	SuppressBelowCount *int `json:"suppress_below_count,omitzero" validate:"omitempty,gte=2,lte=1000"`
	// By which the heating energy that a job saves in a year is estimated: the first that fits the job and its home. Absent,
	// nothing is estimated.
	EnergyFigures []EnergyFigure `json:"energy_figures,omitzero" validate:"omitempty,min=1,max=60,dive"`
}

// EnergyFigure says how the heating energy is estimated that a job saves in a year: by delivery effectiveness, from the
// leakage before and after in a home that is typical, or by a sum that the program adopted. One of `typical` and
// `deemed_kwh` stands.
type EnergyFigure struct {
	// Only for homes of that heating zone; absent, for homes of every zone.
	HeatingZone string `json:"heating_zone,omitzero" validate:"omitempty,snake,min=2,max=60"`
	// Only for homes of so many sections.
	SectionCount *int `json:"section_count,omitzero" validate:"omitempty,gte=1,lte=3"`
	// Only for homes that are heated so.
	FurnaceKind FurnaceSort `json:"furnace_kind,omitzero"`
	// Only for jobs that are paid so.
	PayBasis PayBasis `json:"pay_basis,omitzero"`
	// The home and its ducts, from which delivery effectiveness is computed.
	Typical *TypicalHeating `json:"typical,omitzero"`
	// What each completed job saves in a year in kWh, whatever was read there.
	DeemedKWh *float64 `json:"deemed_kwh,omitzero" validate:"omitempty,gt=0,lte=100000" step:"1"`
	// Only for `deemed_kwh`: its relative standard uncertainty; absent means 0.119, which is 150 of 1,258 kWh.
	DeemedURatio *float64 `json:"deemed_u_ratio,omitzero" validate:"omitempty,gte=0,lte=1" step:"0.001"`
	// Who published the figures, where and when.
	Source string `json:"source" validate:"min=1,max=200"`
}

// TypicalHeating is a home as the program takes one for typical: how it is heated, and the ducts that its leakage is
// read in. What a job knows of its own home stands in its readings.
type TypicalHeating struct {
	// What the readings are of. A job that was read in another quantity gets no estimate.
	Quantity Quantity `json:"quantity"`
	// Of the leakage at 25 Pa, the share that the supply ducts lose to outside while the furnace runs.
	SupplyLeakRatio float64 `json:"supply_leak_ratio" validate:"gt=0,lte=1" step:"0.01"`
	// The share that the return draws in from outside; absent means 0.
	ReturnLeakRatio *float64 `json:"return_leak_ratio,omitzero" validate:"omitempty,gte=0,lte=1" step:"0.01"`
	// Air through the furnace in cfm.
	FanFlowCFM float64 `json:"fan_flow_cfm" validate:"gte=1,lte=100000" step:"1"`
	// Heat put into that air in Btu/h.
	HeatingOutputBtuH float64 `json:"heating_output_btu_h" validate:"gte=1,lte=10000000" step:"1"`
	// Air of the rooms in °F.
	IndoorF float64 `json:"indoor_f" validate:"gte=-100,lte=200" step:"1"`
	// Air around the supply ducts in the heating season in °F, not above the rooms'.
	SupplyAmbientF float64 `json:"supply_ambient_f" validate:"gte=-100,lte=200" step:"1"`
	// Air around the return in °F; absent, that of the rooms.
	ReturnAmbientF *float64 `json:"return_ambient_f,omitzero" validate:"omitempty,gte=-100,lte=200" step:"1"`
	// Surface of the supply ducts in ft².
	SupplyAreaFt2 float64 `json:"supply_area_ft2" validate:"gte=0,lte=100000" step:"1"`
	// R-value of their wall in h·ft²·°F/Btu; needed where there is a surface.
	SupplyRValue *float64 `json:"supply_r_value,omitzero" validate:"omitempty,gte=0.01,lte=1000" step:"0.1"`
	// Surface of the return ducts in ft²; absent means none.
	ReturnAreaFt2 *float64 `json:"return_area_ft2,omitzero" validate:"omitempty,gte=0,lte=100000" step:"1"`
	// R-value of their wall; needed where there is a surface.
	ReturnRValue *float64 `json:"return_r_value,omitzero" validate:"omitempty,gte=0.01,lte=1000" step:"0.1"`
	// Heating energy of a year before the work in kWh; absent, it is computed from the next three.
	HeatingEnergyKWh *float64 `json:"heating_energy_kwh,omitzero" validate:"omitempty,gt=0,lte=1000000" step:"1"`
	// Heat that walls, floor, roof, windows and draught lose, in Btu/(h·°F).
	UABtuHF *float64 `json:"ua_btu_h_f,omitzero" validate:"omitempty,gt=0,lte=100000" step:"1"`
	// Degree days of a year to the home's own balance point in °F·day.
	DegreeDays *float64 `json:"degree_days_f_day,omitzero" validate:"omitempty,gt=0,lte=30000" step:"1"`
	// Heat out over energy in; 1 for an electric furnace, above 1 for a heat pump.
	EquipmentEfficiency *float64 `json:"equipment_efficiency,omitzero" validate:"omitempty,gte=0.1,lte=10" step:"0.01"`
	// Relative standard uncertainty of the year's energy; absent means 0.1, and 0.2 where it is computed from degree days.
	EnergyURatio *float64 `json:"energy_u_ratio,omitzero" validate:"omitempty,gte=0,lte=1" step:"0.001"`
	// Relative standard uncertainty of the model: leakage at 25 Pa stands in for what is lost while the furnace runs; absent
	// means 0.25.
	ModelURatio *float64 `json:"model_u_ratio,omitzero" validate:"omitempty,gte=0,lte=1" step:"0.001"`
}

// Fits tells whether the figure is for the job and its home. Where a fact is not
// known a figure that asks for it does not fit.
func (f *EnergyFigure) Fits(home *Home, basis PayBasis) bool {
	return (f.HeatingZone == "" || f.HeatingZone == home.HeatingZone) && (f.SectionCount == nil || *f.SectionCount == home.SectionCount) &&
		(f.FurnaceKind == "" || f.FurnaceKind == home.FurnaceKind) && (f.PayBasis == "" || f.PayBasis == basis)
}

// AssignNeed is what must stand before a job is assigned.
type AssignNeed string

// NeedsPermission is the owner's permission, recorded with the home.
const NeedsPermission AssignNeed = "permission"

// TestLimits say how well a test of leakage is known, and how wide its 95 % interval may be. Widths are half of the
// interval over the leakage.
type TestLimits struct {
	// The standard uncertainty of doing a test again, set up anew, as a share of the leakage; absent means 0.02. Pairs of
	// tests that were done again tell a program its own.
	RepeatabilityURatio *float64 `json:"repeatability_u_ratio,omitzero" validate:"omitempty,gte=0,lte=0.5" step:"0.001"`
	// Up to this width a fan test is `good`; absent means 0.1.
	FanGoodRatio *float64 `json:"fan_good_ratio,omitzero" validate:"omitempty,gte=0,lte=10" step:"0.01"`
	// Beyond this width a fan test is `undecided`, between the two `weak`; absent means 0.5.
	FanUndecidedRatio *float64 `json:"fan_undecided_ratio,omitzero" validate:"omitempty,gte=0,lte=10" step:"0.01"`
	// The standard error of a fitted exponent beyond which a fan test is `weak`; absent means 0.05.
	FanExponentSE *float64 `json:"fan_exponent_se,omitzero" validate:"omitempty,gte=0,lte=1" step:"0.001"`
	// Up to this width a subtraction is `good`; absent means 0.5.
	SubtractionGoodRatio *float64 `json:"subtraction_good_ratio,omitzero" validate:"omitempty,gte=0,lte=10" step:"0.01"`
	// Beyond this width a subtraction is `undecided`; absent means 1, where its interval reaches 0.
	SubtractionUndecidedRatio *float64 `json:"subtraction_undecided_ratio,omitzero" validate:"omitempty,gte=0,lte=10" step:"0.01"`
}

// Inspecting says how many jobs are inspected, and what a failure brings.
type Inspecting struct {
	// Share of each contractor's jobs of a month that is drawn at random, in percent; absent means 5.
	SharePercent *int `json:"share_percent,omitzero" validate:"omitempty,gte=5,lte=100"`
	// Jobs that are drawn by their risk on average in a month; absent means none.
	TopUpCount *float64 `json:"top_up_count,omitzero" validate:"omitempty,gte=0,lte=10000"`
	// Share of the jobs that a crew begins which is visited unannounced during the work, in percent; absent means none. Only
	// where jobs are drawn as they are sent in.
	VisitPercent *int `json:"visit_percent,omitzero" validate:"omitempty,gte=0,lte=100"`
	// The random part is drawn as jobs are sent in, and a job that is drawn is accepted after an inspection that passed, or
	// that the resident refused; absent means no. A month in which no draw has begun accepts nothing.
	BeforeAcceptance *bool `json:"before_acceptance,omitzero"`
	// Working days, Monday to Friday, in which a contractor may reply before a failed inspection counts against it; absent
	// means 10.
	ReplyWorkingDaysCount *int `json:"reply_working_days_count,omitzero" validate:"omitempty,gte=0,lte=60"`
	// A failed inspection after the work opens an accepted job again at once; absent means no: it stands on the office's list.
	ReopensFailed *bool `json:"reopens_failed,omitzero"`
}

// Triage says in which order waiting homes are served. The points of a household's priority facts (10 CFR 440.16(b)) add
// up; of equal points who applied first goes first. What sealing is likely to bring is told beside it and moves nobody.
type Triage struct {
	// Absent means 1, as of each.
	ElderlyPoints          *int `json:"elderly_points,omitzero" validate:"omitempty,gte=0,lte=100"`
	DisabledPoints         *int `json:"disabled_points,omitzero" validate:"omitempty,gte=0,lte=100"`
	ChildrenPoints         *int `json:"children_points,omitzero" validate:"omitempty,gte=0,lte=100"`
	HighEnergyUsePoints    *int `json:"high_energy_use_points,omitzero" validate:"omitempty,gte=0,lte=100"`
	HighEnergyBurdenPoints *int `json:"high_energy_burden_points,omitzero" validate:"omitempty,gte=0,lte=100"`
	// The leakage in cfm25 from which on work starts; absent, from any.
	StartFromCFM25 *float64 `json:"start_from_cfm25,omitzero" validate:"omitempty,gt=0,lte=5000" step:"0.1"`
}

// PriorityPoints are those of each fact, in the order of PriorityFacts.
func (s *RuleSet) PriorityPoints() (points [5]int) {
	t := &Triage{}
	if s != nil && s.Triage != nil {
		t = s.Triage
	}
	for i, own := range [...]*int{t.ElderlyPoints, t.DisabledPoints, t.ChildrenPoints, t.HighEnergyUsePoints, t.HighEnergyBurdenPoints} {
		points[i] = 1
		if own != nil {
			points[i] = *own
		}
	}
	return points
}

// Defaults of what a rule set leaves out. Common practice, without a source [cp].
const (
	DefaultSharePercent     = 5
	DefaultReplyWorkingDays = 10
	DefaultWarrantyMonths   = 12
)

// Drawing is how jobs are drawn where a request does not say it otherwise.
func (s *RuleSet) Drawing() (sharePercent int, topUp float64, visitPercent int) {
	sharePercent = DefaultSharePercent
	if s == nil || s.Inspecting == nil {
		return sharePercent, 0, 0
	}
	i := s.Inspecting
	if i.SharePercent != nil {
		sharePercent = *i.SharePercent
	}
	if i.TopUpCount != nil {
		topUp = *i.TopUpCount
	}
	if i.VisitPercent != nil {
		visitPercent = *i.VisitPercent
	}
	return sharePercent, topUp, visitPercent
}

// InspectsBeforeAcceptance tells whether a drawn job waits for its inspection.
func (s *RuleSet) InspectsBeforeAcceptance() bool {
	return s != nil && s.Inspecting != nil && s.Inspecting.BeforeAcceptance != nil && *s.Inspecting.BeforeAcceptance
}

// ReopensFailed tells whether a failed inspection opens an accepted job again.
func (s *RuleSet) ReopensFailed() bool {
	return s != nil && s.Inspecting != nil && s.Inspecting.ReopensFailed != nil && *s.Inspecting.ReopensFailed
}

// ReplyWorkingDays is how long a contractor may reply to a failed inspection.
func (s *RuleSet) ReplyWorkingDays() int {
	if s == nil || s.Inspecting == nil || s.Inspecting.ReplyWorkingDaysCount == nil {
		return DefaultReplyWorkingDays
	}
	return *s.Inspecting.ReplyWorkingDaysCount
}

// WarrantyMonths is how long a complaint counts as a call-back.
func (s *RuleSet) WarrantyMonths() int {
	if s == nil || s.WarrantyMonthsCount == nil {
		return DefaultWarrantyMonths
	}
	return *s.WarrantyMonthsCount
}

// PicturesNeededFor is what a program lets wait for pictures.
type PicturesNeededFor string

const (
	PicturesForAcceptance PicturesNeededFor = "acceptance"
	PicturesForPayment    PicturesNeededFor = "payment"
	PicturesForNeither    PicturesNeededFor = "neither"
)

// NeedsToAssign tells whether something must stand before a job is assigned.
func (s *RuleSet) NeedsToAssign(need AssignNeed) bool {
	return s != nil && slices.Contains(s.AssignNeeds, need)
}

// AwaitsPictures tells whether anything waits for pictures.
func (s *RuleSet) AwaitsPictures() bool {
	return s.PicturesNeededFor == PicturesForAcceptance || s.PicturesNeededFor == PicturesForPayment
}

// RuleSetting changes one rule for a program.
type RuleSetting struct {
	Rule string `json:"rule" validate:"snake,min=3,max=60"`
	// The rule is not judged.
	Off *bool `json:"off,omitzero"`
	// Stops acceptance, asks a reviewer, or is only shown.
	Severity string `json:"severity,omitzero" validate:"omitempty,oneof=must_fix check note"`
	// Limits of the rule by name; each name ends in the unit of its value.
	Parameters map[string]float64 `json:"parameters,omitzero" validate:"omitempty,max=20,dive,keys,snake,max=60,endkeys"`
}

// Sealants are the materials that a program takes for a seal at one sort of
// joint. Absent: mastic, and at a crossover bands too.
type Sealants struct {
	// The sort of joint.
	Repair RepairSort `json:"repair"`
	// Any of these is a seal there.
	Materials []Material `json:"materials" validate:"min=1,max=10,unique"`
}

// Price is one line of the price schedule.
type Price struct {
	// What is paid for. `call_back` is taken back, once for each call-back that is closed at the crew's fault, from the
	// funds that paid; in all never more than the job was paid. Its price is that of the day on which it was reported.
	Line string `json:"line" validate:"oneof=home cfm25_removed crossover_replaced trip_fee call_back"`
	// Only for homes of so many sections.
	SectionCount *int `json:"section_count,omitzero" validate:"omitempty,gte=1,lte=3"`
	// US cents per home, per cfm25 removed, per crossover, per trip or per call-back.
	AmountCents int64 `json:"amount_cents" validate:"gte=0"`
	// Only for `call_back`: the share of what the job is paid that is taken back besides `amount_cents`.
	PaidRatio *float64 `json:"paid_ratio,omitzero" validate:"omitempty,gte=0,lte=1" step:"0.001"`
	// The least that the line pays for a job in US cents.
	FloorCents *int64 `json:"floor_cents,omitzero" validate:"omitempty,gte=0"`
	// The most that the line pays for a job in US cents.
	CapCents *int64 `json:"cap_cents,omitzero" validate:"omitempty,gte=0"`
	// Only for jobs of that fund; not for `call_back`. Absent, for jobs of every fund. What a line comes to is paid by the
	// job's own fund.
	FundSource string `json:"fund_source,omitzero" validate:"omitempty,snake,min=2,max=60"`
	// The heading under which the funder counts it; not for `call_back`.
	Category string `json:"category,omitzero" validate:"omitempty,oneof=labor materials support health_and_safety"`
}

// Fits tells whether the price is for homes of so many sections and jobs of the
// fund.
func (p *Price) Fits(sections int64, fund string) bool {
	return (p.SectionCount == nil || int64(*p.SectionCount) == sections) && (p.FundSource == "" || p.FundSource == fund)
}

// WithoutFund stands for the fund of jobs of which nobody can tell it, where a
// program has several. A word of a program has no dash.
const WithoutFund = "no-fund"

// Funds are the funds that pay; none where neither the set nor a price names
// one.
func (s *RuleSet) Funds() []string {
	switch {
	case s == nil:
		return nil
	case len(s.FundSources) > 0:
		return s.FundSources
	}
	var funds []string
	for i := range s.Prices {
		if fund := s.Prices[i].FundSource; fund != "" && !slices.Contains(funds, fund) {
			funds = append(funds, fund)
		}
	}
	return funds
}

// Fund is the fund that a job is for: the one that it names, or the only one
// there is; empty where nobody can tell.
func (s *RuleSet) Fund(named string) string {
	if funds := s.Funds(); named == "" && len(funds) == 1 {
		return funds[0]
	}
	return named
}

// Quantity is what the program's first method of leakage reads; total leakage
// where it names none.
func (s *RuleSet) Quantity() Quantity {
	for _, m := range s.MethodsAsked {
		if q := m.Quantity(); q != "" {
			return q
		}
	}
	return TotalLeakage
}

func (*RuleSet) Kind() Kind  { return RuleSetKind }
func (*RuleSet) Job() UUID   { return UUID{} }
func (*RuleSet) Refs() []Ref { return nil }

// RuleSetOn is the one of some rule sets that is in force on a day; nil of none.
func RuleSetOn(sets []*RuleSet, day Date) (inForce *RuleSet) {
	for _, s := range sets {
		if s.RatherInForce(inForce, day) {
			inForce = s
		}
	}
	return inForce
}

// RatherInForce tells whether on a day this set is in force rather than the
// other, which may be nil: the newest that began by then. Before the first one's
// day the first is in force: it holds from the beginning.
func (s *RuleSet) RatherInForce(other *RuleSet, day Date) bool {
	switch {
	case other == nil:
		return true
	case (s.FromOn <= day) != (other.FromOn <= day):
		return s.FromOn <= day
	case s.FromOn <= day:
		return s.FromOn > other.FromOn
	}
	return s.FromOn < other.FromOn
}
