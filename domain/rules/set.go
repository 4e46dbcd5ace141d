package rules

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"ductledger/domain"
)

// Rule is one thing that a program asks of a job: data, and one pure
// function that looks at the assembled job and says what it found.
type Rule struct {
	Key      string
	Title    string
	Why      string // the reason, for somebody who is tired
	Judged   string // how it is judged, in one or two sentences
	None     string // the fact that makes it not apply, where nothing of its kind is recorded
	Fix      string // what cures a fault; not used where Cure is none
	Severity Severity
	Missing  Missing
	Cure     Cure
	// Softens: a program that pays a fixed sum does not pay by readings, so
	// that a fault is asked about and blocks nothing.
	Softens    bool
	Hazard     Hazard
	SafetyTalk bool // a breach is lifted only after a safety talk with the crew
	Parameters []Parameter
	Source     string
	Example    Example

	check func(*check)
}

// Parameter is a limit of a rule that a program may set.
type Parameter struct {
	Name    string  `json:"name"`
	Unit    string  `json:"unit"`
	Default float64 `json:"default"`
	Low     float64 `json:"low"`  // least value that a program may set
	High    float64 `json:"high"` // greatest value that a program may set
	Source  string  `json:"source"`
}

// Example shows in words one case that holds and one that does not.
type Example struct {
	Holds  string `json:"holds"`
	Broken string `json:"broken"`
}

// Sources that many rules share.
const (
	practice = "common practice"
	statute  = "42 U.S.C. 6865(c)(2)"
)

// all is the table of rules in the order of the work. One more rule is one
// more row, with its cases in the tests.
var all = []*Rule{
	&sectionDescribed,
	&surveyBeforeCutting, &wrapCutRecorded, &openingHasTarget, &crewOpeningClosed, &holeInDuctSealed, &foundDamageNotCharged,
	&wrapClosureMaterial, &insulationPutBack,
	&ductPatchOverlap, &ductPatchCoated, &masticThickness, &cutEdgeGuarded, &accessBelowFurnace,
	&wideGapReinforced, &gapCheckedBeforeMastic, &tapeAloneNoSeal, &loosePartFastened,
	&trunkSealed, &bootSealed, &trunkBracketScrews, &takeoffSealed, &trunkSeamInReach,
	&furnaceJointTreated, &furnaceJointHeld, &furnaceAccessLicensed, &energyIsolated, &meterProven, &isolationReleased,
	&trunkEndTreated, &endClosureClearOfOutlets, &endClosureFacesAir, &endClosureFastened, &endClosureBoardSet, &endClosureBlank,
	&sectionReached, &crossoverTakenDown, &crossoverTiesTensioned, &crossoverLinerDepth,
	&crossoverCollarScrews, &crossoverSizeKept, &crossoverOffGround, &crossoverSupported, &flexSag,
	&readingsInOrder, &sameMethodBeforeAfter, &everyRegisterRead, &panTarget,
	&instrumentInCalibration, &leakageNotHigherAfter,
	&photosComplete, &photoOfOneHome, &replacedTwice, &deviceNotHeard, &describedTwice, &parentNotVoided, &deviceClock, &kitConfirmed, &timesStand, &factsStandAfterReturn,
	&airAtEveryOutlet, &outcomeShown, &materialsAsListed,
	&combustionChecked, &carbonMonoxideTold, &stopRespected, &stopCleared, &visitTimesRecorded, &crewCertified, &crewMemberSupervised, &homeNotTreatedBefore, &fundSourceNamed,
	&ownerPermission, &residentConsent, &appointmentKept, &someoneHome, &priorDamageShown, &hazardRead,
	&returnDrawsCrawlAir, &closetPressure, &temperatureRise, &externalStatic, &registersAndFilter,
	// The facts of the home come last: only then is known which of them a
	// rule needed.
	&furnaceKindRecorded, &furnaceSectionRecorded, &furnacePositionRecorded, &ductedSectionsRecorded,
	&joistDirectionRecorded, &wrapKindRecorded, &combustionAppliancesRecorded,
}

// Keys gives the keys of the rules in the order of the work.
func Keys() []string {
	out := make([]string, len(all))
	for i, r := range all {
		out[i] = r.Key
	}
	return out
}

// placeOf is the row of a rule in the table; -1 for a word that is no key.
func placeOf(key string) int {
	return slices.IndexFunc(all, func(r *Rule) bool { return r.Key == key })
}

// Severity is what a fault means for the job.
type Severity string

const (
	MustFix Severity = "must_fix" // the job is not accepted until it is cured or waived
	Check   Severity = "check"    // a reviewer must answer it
	Note    Severity = "note"     // shown to the crew, counted for training, blocks nothing
)

// Missing is what happens when a fact that a rule needs is not recorded.
type Missing string

const (
	Blocks Missing = "blocks" // a finding that counts like must_fix
	Asks   Missing = "asks"   // a finding that counts like check
	Silent Missing = "silent" // no finding; counted as not judged, never as held
)

// Cure is where a fault can be put right.
type Cure string

const (
	OnSite      Cure = "on_site"
	ReturnVisit Cure = "return_visit"
	Office      Cure = "office"
	// NoCure: what is past cannot be put right. The finding never tells how
	// to make the record pass; only a waiver closes it.
	NoCure Cure = "none"
)

// Outcome is what a rule says about one subject.
type Outcome string

const (
	Holds         Outcome = "holds"
	Broken        Outcome = "broken"
	NotRecorded   Outcome = "not_recorded"
	NotApplicable Outcome = "not_applicable"
	NotJudged     Outcome = "not_judged"
	Waived        Outcome = "waived"
)

// Hazard is what can hurt in the work that a rule is about.
type Hazard string

const (
	NoHazard      Hazard = ""
	Electricity   Hazard = "electricity"
	CombustionGas Hazard = "combustion_gas"
	SharpMetal    Hazard = "sharp_metal"
	CrawlSpace    Hazard = "crawl_space"
	HeatInSpace   Hazard = "heat"
	OldMaterials  Hazard = "old_materials"
	ReopenedDuct  Hazard = "reopened_duct" // a hand goes into a duct again: heavier than the sharp metal there
	// Those that follow belong to no finding and stand on the job-start card.
	Droppings  Hazard = "droppings"
	Mold       Hazard = "mold"
	LoosePiers Hazard = "loose_piers"
	HeatTape   Hazard = "heat_tape"
	Breathing  Hazard = "breathing"
)

// cautions is the job-start card: what a crew reads before it goes under a
// home, and of which a finding repeats the line about its own work. Each line
// is short and defers to local code and licensed people. None says that a
// danger is gone.
var cautions = []Caution{
	{CombustionGas, "Gas or carbon monoxide: everybody out, call the fire department or gas utility from outside, nobody returns until they allow it. Local code governs."},
	{Electricity, "Electricity can kill. Only licensed people work inside a furnace; test for voltage before you touch. Local code governs."},
	{ReopenedDuct, "Cut and test the furnace's power again before a hand goes back into a duct; the blower can start by itself."},
	{CrawlSpace, "Crawl spaces can hold bad air, live wires, water and animals: look first, never go in alone, follow local rules."},
	{LoosePiers, "Do not go under a home whose piers or blocks are loose, leaning or cracked; a licensed installer looks at them first."},
	{Breathing, "Wear a fitted respirator in dust, insulation and sealant fumes; bring in fresh air; come out when you feel dizzy. Follow local rules."},
	{OldMaterials, "Old wrap, tape and insulation can hold asbestos or lead: do not disturb it. Local law says who may handle it."},
	{Droppings, "Droppings and nests carry disease: do not sweep or blow them dry, wear respirator and gloves, follow the health department."},
	{Mold, "Mold: do not stir it up, wear a respirator, tell the office when there is more than a small patch. Local rules govern."},
	{HeatTape, "Heat tape on pipes is live: do not cut, cover or move it. A licensed electrician deals with damaged tape."},
	{HeatInSpace, "Heat builds up under a home: drink, rest, stop when somebody feels unwell. Follow local rules for work in heat."},
	{SharpMetal, "Cut metal is sharp: wear cut-resistant gloves and sleeves and follow local rules."},
}

// Caution is one line of the job-start card.
type Caution struct {
	Hazard Hazard `json:"hazard"`
	Words  string `json:"words"`
}

// StartCard gives the lines that a crew reads before the work begins.
func StartCard() []Caution { return append([]Caution(nil), cautions...) }

// Caution is the short warning that goes with each finding about a hazard;
// empty where there is none.
func (h Hazard) Caution() string {
	for _, c := range cautions {
		if c.Hazard == h {
			return c.Words
		}
	}
	return ""
}

// Set is what one program asks from a day on: the rules with its limits.
// The zero Set is no set; DefaultSet and NewSet make one.
type Set struct {
	ID            domain.UUID
	MethodsAsked  []domain.Method // empty: one fan test before and one after
	PaysFoundWrap bool
	Funds         []string // that pay; a job names one of them
	// PicturesFor is what waits for pictures; empty: neither acceptance nor payment.
	PicturesFor domain.PicturesNeededFor
	sealants    []domain.Sealants // the program's own, by sort of joint
	tests       domain.TestLimits
	from        domain.Date // its first day
	energy      []domain.EnergyFigure
	settings    []setting // one for each rule of the table
}

// setting is one rule as a program has it.
type setting struct {
	off      bool
	severity Severity
	limits   []float64 // in the order of the rule's parameters
	none     []string  // the rule's None alone, made once and not for each job
}

// DefaultSet is a program that changes nothing.
func DefaultSet() Set {
	set, _ := NewSet(domain.UUID{}, nil)
	return set
}

// NewSet lays a program's settings over the defaults. Every fault is
// reported, with its place in the record; what is at fault keeps its default.
func NewSet(id domain.UUID, rs *domain.RuleSet) (Set, []domain.Fault) {
	set := Set{ID: id, settings: make([]setting, len(all))}
	for i, r := range all {
		set.settings[i] = setting{severity: r.Severity, none: []string{r.None}}
		for _, p := range r.Parameters {
			set.settings[i].limits = append(set.settings[i].limits, p.Default)
		}
	}
	if rs == nil {
		return set, nil
	}
	set.MethodsAsked = slices.Clone(rs.MethodsAsked)
	set.PaysFoundWrap = rs.PaysFoundWrap != nil && *rs.PaysFoundWrap
	if rs.AwaitsPictures() {
		set.PicturesFor = rs.PicturesNeededFor
	}
	set.sealants = slices.Clone(rs.Sealants)
	set.Funds = slices.Clone(rs.Funds())
	set.from, set.energy = rs.FromOn, slices.Clone(rs.EnergyFigures)
	faults := append(priceFaults(rs), energyFaults(rs)...)
	if rs.Tests != nil {
		set.tests = *rs.Tests
		faults = append(faults, testFaults(set.tests)...)
	}
	seen := make([]bool, len(all))
	for i, change := range rs.Rules {
		at := "/rules/" + strconv.Itoa(i)
		place := placeOf(change.Rule)
		switch {
		case place < 0:
			faults = append(faults, domain.Fault{Pointer: at + "/rule", Code: "unknown_rule",
				Detail: fmt.Sprintf("%.60q is no rule", change.Rule)})
			continue
		case seen[place]:
			faults = append(faults, domain.Fault{Pointer: at + "/rule", Code: "repeated",
				Detail: change.Rule + " is set twice"})
			continue
		}
		seen[place] = true
		faults = append(faults, set.settings[place].change(all[place], change, at)...)
	}
	return set, faults
}

// change lays one setting over a rule's defaults.
func (s *setting) change(r *Rule, change domain.RuleSetting, at string) (faults []domain.Fault) {
	s.off = change.Off != nil && *change.Off
	switch severity := Severity(change.Severity); severity {
	case "":
	case MustFix, Check, Note:
		s.severity = severity
	default:
		faults = append(faults, domain.Fault{Pointer: at + "/severity", Code: "unknown_severity",
			Detail: fmt.Sprintf("%.60q is none of must_fix, check, note", change.Severity)})
	}
	names := make([]string, 0, len(change.Parameters))
	for name := range change.Parameters {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		value := change.Parameters[name]
		where := at + "/parameters/" + name
		i := slices.IndexFunc(r.Parameters, func(p Parameter) bool { return p.Name == name })
		if i < 0 {
			faults = append(faults, domain.Fault{Pointer: where, Code: "unknown_parameter",
				Detail: fmt.Sprintf("%s has no parameter %.60q", r.Key, name)})
			continue
		}
		p := r.Parameters[i]
		code := ""
		switch {
		case math.IsNaN(value):
			code = "not_finite"
		case value < p.Low:
			code = "too_small"
		case value > p.High:
			code = "too_large"
		}
		if code != "" {
			faults = append(faults, domain.Fault{Pointer: where, Code: code,
				Detail: fmt.Sprintf("%v %s is outside %v to %v %s", value, p.Unit, p.Low, p.High, p.Unit)})
			continue
		}
		s.limits[i] = value
	}
	return faults
}

// asksPan tells whether the program's method has a pan pass.
func (s *Set) asksPan() bool { return slices.Contains(s.MethodsAsked, domain.Pan) }

// asksLeakage tells whether the program asks for a leakage by fan or
// subtraction; a program that names no method asks for one.
func (s *Set) asksLeakage() bool {
	return len(s.MethodsAsked) == 0 || slices.ContainsFunc(s.MethodsAsked, func(m domain.Method) bool { return m != domain.Pan })
}

// callBackLine is the price that is taken back, not paid.
const callBackLine = "call_back"

// priceFaults finds what a price of this line cannot say. What a call-back
// takes back returns to the funds and categories that had paid.
func priceFaults(rs *domain.RuleSet) (faults []domain.Fault) {
	for i := range rs.Prices {
		p, at := &rs.Prices[i], "/prices/"+strconv.Itoa(i)
		not := func(given bool, field, detail string) {
			if given {
				faults = append(faults, domain.Fault{Pointer: at + "/" + field, Code: "not_here", Detail: detail, Fix: "leave it out"})
			}
		}
		if p.Line == callBackLine {
			not(p.FundSource != "", "fund_source", "what a call-back takes back returns to the funds that paid")
			not(p.Category != "", "category", "what a call-back takes back returns to the categories that were paid")
		} else {
			not(p.PaidRatio != nil, "paid_ratio", "only a call_back takes a share of what was paid")
			if p.FundSource != "" && !slices.Contains(rs.Funds(), p.FundSource) {
				faults = append(faults, domain.Fault{Pointer: at + "/fund_source", Code: "not_listed",
					Detail: fmt.Sprintf("%s is none of the rule set's fund_sources: %s", p.FundSource, strings.Join(rs.Funds(), ", ")), Fix: "name one of them, or add it to fund_sources"})
			}
		}
	}
	return faults
}

var fundSourceNamed = Rule{
	Key: "fund_source_named", Title: "The job names the fund that pays for it",
	Why:      "Money goes where the job says; a job that names no fund would be charged to somebody by chance.",
	Judged:   "Where the program has several funds, the job names one of them. Where it has one, a job that names none means that one.",
	None:     "the program pays from one fund",
	Fix:      "Give the job the fund that it is for.",
	Severity: MustFix, Missing: Blocks, Cure: Office,
	Source: practice,
	Example: Example{
		Holds:  "The program pays from state_fund and utility_fund; the job says utility_fund.",
		Broken: "The job says city_fund, which the program does not have.",
	},
	check: func(c *check) {
		named := c.job.Job.Record.FundSource
		if len(c.set.Funds) == 0 || len(c.set.Funds) == 1 && (named == "" || named == c.set.Funds[0]) {
			return
		}
		p := c.on(c.job.subject())
		switch {
		case named == "":
			p.lack("the fund that pays for the job")
		case !slices.Contains(c.set.Funds, named):
			p.fault("the job names ", spaced(named), "; the program pays from ", spaced(strings.Join(c.set.Funds, ", ")))
		}
		p.done()
	},
}

// Page is what a reader wants to know of one rule, with the limits of one
// program. It is made of the same data by which jobs are judged.
type Page struct {
	Key           string          `json:"key"`
	Title         string          `json:"title"`
	Why           string          `json:"why"`
	Judged        string          `json:"judged"` // how it is judged
	Severity      Severity        `json:"severity"`
	SeverityWords string          `json:"severity_words"`
	Missing       Missing         `json:"missing"`
	MissingWords  string          `json:"missing_words"`
	Cure          Cure            `json:"cure"`
	CureWords     string          `json:"cure_words"`
	Fix           string          `json:"fix"`
	NotApplicable string          `json:"not_applicable,omitzero"` // the fact that makes it not apply
	Softens       bool            `json:"softens"`                 // where a fixed sum is paid
	Caution       string          `json:"caution,omitzero"`
	Parameters    []PageParameter `json:"parameters"`
	Source        string          `json:"source"`
	Example       Example         `json:"example"`
	Off           bool            `json:"off"`
}

// PageParameter is a limit with the value that the program has set.
type PageParameter struct {
	Parameter
	Value float64 `json:"value"`
}

// Pages gives the pages of all rules in the order of the work.
func Pages(set Set) []Page {
	pages := make([]Page, len(all))
	for i := range all {
		pages[i] = page(set, i)
	}
	return pages
}

func page(set Set, i int) Page {
	r, s := all[i], set.settings[i]
	p := Page{
		Key: r.Key, Title: r.Title, Why: r.Why, Judged: r.Judged,
		Severity: s.severity, SeverityWords: s.severity.words(),
		Missing: r.Missing, MissingWords: r.Missing.words(),
		Cure: r.Cure, CureWords: r.Cure.words(), Fix: r.Fix,
		NotApplicable: r.None, Softens: r.Softens, Caution: r.Hazard.Caution(),
		Parameters: []PageParameter{}, Source: r.Source, Example: r.Example, Off: s.off,
	}
	if r.Cure == NoCure {
		p.Fix = r.noCure()
	}
	for n, parameter := range r.Parameters {
		p.Parameters = append(p.Parameters, PageParameter{parameter, s.limits[n]})
	}
	return p
}

func (s Severity) words() string {
	switch s {
	case MustFix:
		return "The job is not accepted until it is put right or waived."
	case Check:
		return "A reviewer must answer it."
	}
	return "Shown to the crew and counted for training; it blocks nothing."
}

func (m Missing) words() string {
	switch m {
	case Blocks:
		return "Where the fact is missing the job is not accepted until it is recorded or waived."
	case Asks:
		return "Where the fact is missing a reviewer must answer it."
	}
	return "Where the fact is missing the rule is not judged, and not counted as held."
}

func (c Cure) words() string {
	switch c {
	case OnSite:
		return "It can be put right while the crew is there."
	case ReturnVisit:
		return "It can be put right on another visit."
	case Office:
		return "It can be put right at a desk."
	}
	return "Nothing puts it right; only the agency's staff can lift it."
}
