package rules

import (
	"slices"
	"strings"

	"ductledger/domain"
)

var sectionDescribed = Rule{
	Key: "section_described", Title: "Each section's trunk and every outlet are described",
	Why:      "An outlet that nobody wrote down is one that nobody sealed.",
	Judged:   "Each section with ducts has its trunk. The trunk tells how many boots and how many branch takeoffs it feeds, and each of them stands in one record, its own or a statement about many. A statement's count and numbers fit those of the trunk.",
	None:     "no work on ducts was done",
	Fix:      "Count the outlets of the section again and record each of them.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: CrawlSpace,
	Source: practice,
	Example: Example{
		Holds:  "Trunk A feeds 7 boots: one statement covers 1, 3, 4, 6 and 7, boots 2 and 5 have records of their own.",
		Broken: "Trunk A feeds 7 boots, the statement names boot 8.",
	},
	check: func(c *check) {
		home := c.job.home()
		switch {
		case !c.job.worked():
			return
		case len(home.DuctedSections) == 0:
			c.need(ductedSectionsFact)
			return
		}
		absent := c.on(c.job.subject())
		for _, section := range home.DuctedSections {
			described := false
			for _, t := range c.job.Components {
				if t.Record.Component == domain.Trunk && (t.Record.Section == section || t.Record.Section == "" && home.SectionCount == 1) {
					described = true
					c.outletsOf(t)
				}
			}
			if !described {
				absent.lack("the trunk, ends and outlets of section ", string(section))
			}
		}
		if len(absent.lacks) > 0 {
			absent.done()
		}
	},
}

// outletsOf holds the outlets that are described against those that a trunk
// feeds.
func (c *check) outletsOf(trunk Of[domain.Component]) {
	p := c.on(trunk.Subject())
	c.fitting(&p, trunk.Record, domain.Boot, trunk.Record.BootsCount)
	c.fitting(&p, trunk.Record, domain.BranchTakeoff, trunk.Record.TakeoffsCount)
	p.done()
}

func (c *check) fitting(p *part, trunk *domain.Component, sort domain.ComponentSort, fed *int) {
	name := spaced(string(sort))
	var seen []int
	unnumbered := 0
	for _, o := range c.job.Components {
		r := o.Record
		if r.Component != sort || r.Section != trunk.Section {
			continue
		}
		switch {
		case fed == nil: // said once, below
		case r.Count != nil && *r.Count != *fed:
			p.fault("a record counts ", some(float64(*r.Count), name), ", the trunk ", number(float64(*fed)))
		}
		if r.Number == nil && len(r.Numbers) == 0 {
			unnumbered++
		}
		for _, part := range partsOf(r) {
			if part.Number != nil {
				seen = append(seen, *part.Number)
			}
		}
	}
	if fed == nil {
		p.lack("how many ", name, "s it feeds")
		return
	}
	if unnumbered > 0 {
		p.lack("the number of ", some(float64(unnumbered), name))
	}
	var beyond, absent []string
	for _, n := range seen {
		if n > *fed {
			beyond = append(beyond, count(n))
		}
	}
	for n := 1; n <= *fed && unnumbered == 0; n++ {
		if !slices.Contains(seen, n) {
			absent = append(absent, count(n))
		}
	}
	if len(beyond) > 0 {
		p.fault(name, " ", strings.Join(beyond, ", "), " beyond the ", count(*fed), " that it feeds")
	}
	if len(absent) > 0 {
		p.lack(name, " ", strings.Join(absent, ", "), " of ", count(*fed))
	}
}
