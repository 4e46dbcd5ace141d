package rules

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"ductledger/domain"
)

// Set is what one program asks from a day on: the rules with its limits.
// The zero Set is no set; DefaultSet and NewSet make one.
type Set struct {
	ID            domain.UUID
	MethodsAsked  []domain.Method // empty: one fan test before and one after
	PaysFoundWrap bool
	Funds         []string          // that pay; a job names one of them
	sealants      []domain.Sealants // the program's own, by sort of joint
	tests         domain.TestLimits
	settings      []setting // one for each rule of the table
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
	set.sealants = slices.Clone(rs.Sealants)
	set.Funds = slices.Clone(rs.Funds())
	faults := priceFaults(rs)
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
