package rules

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"ductledger/domain"
)

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
