package rules

import (
	"slices"

	"ductledger/domain"
)

var sameMethodBeforeAfter = Rule{
	Key: "same_method_before_after", Title: "Both readings by one method",
	Why:      "Two readings that were prepared differently differ by more than the work did.",
	Judged:   "Before and after are read by one method, one that the program asks for, at one home pressure and with the same preparation. Total leakage and leakage to outside never mix.",
	None:     "one of the readings is lacking",
	Severity: MustFix, Missing: Blocks, Cure: NoCure, Softens: true,
	Parameters: []Parameter{{"house_pressure_within_pa", "Pa", 1, 0, 10, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "Fan test of total leakage before and after, registers sealed both times.",
		Broken: "Total leakage before, leakage to outside after.",
	},
	check: func(c *check) {
		if !c.asked() {
			return
		}
		if before, after := c.readings(); before != nil && after != nil {
			c.sameMethod(before, after)
		}
		if before, after := c.job.pans(domain.Before), c.job.pans(domain.After); c.set.asksLeakage() && before != nil && after != nil {
			c.sameMethod(before, after)
		}
	},
}

func (c *check) sameMethod(before, after *Of[domain.Measurement]) {
	b, a := before.Record, after.Record
	p := c.on(after.Subject())
	switch {
	case b.Method != a.Method:
		p.fault("it is ", methodName(a.Method), ", the one before ", methodName(b.Method))
	case a.Method != domain.Pan && len(c.set.MethodsAsked) > 0 && !slices.Contains(c.set.MethodsAsked, a.Method):
		p.fault("both are ", methodName(a.Method), ", which the program does not ask for")
	}
	within := c.limit("house_pressure_within_pa")
	switch {
	case b.HousePressurePa == nil && a.HousePressurePa == nil:
		if a.Method != domain.FanTotal && b.Method == a.Method {
			p.lack("the home's pressure before and after")
		}
	case b.HousePressurePa == nil:
		p.lack("the home's pressure before")
	case a.HousePressurePa == nil:
		p.lack("the home's pressure after")
	case over(max(*b.HousePressurePa-*a.HousePressurePa, *a.HousePressurePa-*b.HousePressurePa), within):
		p.fault("the home was held at ", number(*a.HousePressurePa), " Pa, before at ", number(*b.HousePressurePa), " Pa; the program wants within ", number(within), " Pa")
	}
	switch {
	case b.SetUp == nil:
		p.lack("what was prepared for the reading before")
	case a.SetUp == nil:
		p.lack("what was prepared for the reading after")
	default:
		for _, tick := range b.SetUp {
			if !slices.Contains(a.SetUp, tick) {
				p.fault(spaced(tick), " is ticked for the reading before and not for this one")
			}
		}
		for _, tick := range a.SetUp {
			if !slices.Contains(b.SetUp, tick) {
				p.fault(spaced(tick), " is ticked for this reading and not for the one before")
			}
		}
	}
	p.done()
}
