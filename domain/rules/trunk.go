package rules

import (
	"slices"
	"strings"

	"ductledger/domain"
)

var sectionDescribed = Rule{
	Key: "section_described", Title: "Each section's trunk and every outlet are described",
	Why:      "An outlet that nobody wrote down is one that nobody sealed.",
	Judged:   "Each section with ducts has its trunk. The trunk tells how many boots and how many branch takeoffs it feeds, and each of them stands in one record, its own or a statement about many. A statement's count and numbers fit those of the trunk. Where the furnace stands is a fact of the home.",
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
		if !c.job.furnacePlaced() {
			c.need(furnacePositionFact)
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
		c.unducted(home.DuctedSections)
	},
}

// unducted holds what is described against the sections that the home is said to
// have ducts in.
func (c *check) unducted(ducted []domain.Section) {
	p := c.on(c.job.homeSubject())
	var told []domain.Section
	for _, part := range c.job.Components {
		s := part.Record.Section
		if part.Record.Component != domain.FurnaceJoint && s != "" && !slices.Contains(ducted, s) && !slices.Contains(told, s) {
			told = append(told, s)
			p.fault("section ", string(s), " is said to hold no ducts, and a ", spaced(string(part.Record.Component)), " is described there")
		}
	}
	if len(told) > 0 {
		p.done()
	}
}

func plural(name string, n int) string {
	if n == 1 {
		return name
	}
	return name + "s"
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
		p.fault(plural(name, len(beyond)), " ", strings.Join(beyond, ", "), " beyond the ", count(*fed), " that it feeds")
	}
	if len(absent) > 0 {
		p.lack(plural(name, len(absent)), " ", strings.Join(absent, ", "), " of ", count(*fed))
	}
}

var sectionReached = Rule{
	Key: "section_reached", Title: "Each section with ducts gets warm air",
	Why:      "A section whose crossover nobody recorded may hang on nothing: its rooms stay cold.",
	Judged:   "Each ducted section holds a furnace, or is joined to one that does through recorded crossovers.",
	None:     "no work on ducts was done",
	Fix:      "Look for the crossover that feeds it or the furnace in it, and record what is there.",
	Severity: MustFix, Missing: Blocks, Cure: Office,
	Source: practice,
	Example: Example{
		Holds:  "Furnace in A, crossover A→B recorded.",
		Broken: "Furnace in A, ducts in A and B, no crossover recorded.",
	},
	check: func(c *check) {
		home := c.job.home()
		switch {
		case !c.job.worked():
			return
		case home.SectionCount == 1:
			c.notApplicable("the home has one section")
			return
		case len(home.DuctedSections) == 0:
			c.need(ductedSectionsFact)
			return
		case home.FurnaceSection == "" && len(home.OtherFurnaceSections) == 0:
			c.need(furnaceSectionFact)
			return
		}
		p := c.on(c.job.homeSubject())
		reached := c.job.reachedSections()
		for _, section := range home.DuctedSections {
			if !reached[place(section)] {
				if c.job.early() {
					p.lack("what joins section ", string(section), " to a furnace")
					continue
				}
				p.fault("no recorded crossover joins section ", string(section), " to a furnace")
			}
		}
		p.done()
	},
}

// sectionsCount is one more than a home can have.
const sectionsCount = 4

// place numbers the sections A, B, C; anything else shares the last place.
func place(s domain.Section) int {
	if len(s) == 1 && s[0] >= 'A' && s[0] < 'A'+sectionsCount-1 {
		return int(s[0] - 'A')
	}
	return sectionsCount - 1
}

// reachedSections are the sections that a furnace feeds, by place.
func (a *Assembled) reachedSections() (reached [sectionsCount]bool) {
	if a.home().FurnaceSection != "" {
		reached[place(a.home().FurnaceSection)] = true
	}
	for _, s := range a.home().OtherFurnaceSections {
		reached[place(s)] = true
	}
	return a.joined(reached)
}

// joinedTo are the sections that share their air with one, by place.
func (a *Assembled) joinedTo(section domain.Section) [sectionsCount]bool {
	var from [sectionsCount]bool
	from[place(section)] = true
	return a.joined(from)
}

// joined adds what crossovers join.
func (a *Assembled) joined(reached [sectionsCount]bool) [sectionsCount]bool {
	for range a.Crossovers { // after as many rounds nothing new is reached
		for _, x := range a.Crossovers {
			from, to := place(x.Record.FromSection), place(x.Record.ToSection)
			if reached[from] || reached[to] {
				reached[from], reached[to] = true, true
			}
		}
	}
	return reached
}

var trunkSealed = Rule{
	Key: "trunk_sealed", Title: "Each trunk is sealed or was tight",
	Why:      "A seam or a hole in the trunk loses what the whole section should get.",
	Judged:   "Each trunk was found tight, or a repair covers it. One that was found holed has its holes on record, which are judged one by one. One out of reach, with a reason, is for a reviewer.",
	None:     "no trunk is recorded",
	Fix:      "Seal it where it leaks.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: ReopenedDuct,
	Source: practice,
	Example: Example{
		Holds:  "Trunk B found tight.",
		Broken: "Trunk B found leaky, and nothing repairs it.",
	},
	check: func(c *check) {
		if !c.job.worked() {
			return
		}
		for _, t := range c.job.Components {
			if t.Record.Component != domain.Trunk {
				continue
			}
			p := c.on(t.Subject())
			if t.Record.Found != domain.FoundHoled || c.job.repaired(t.ID) {
				c.sealed(&p, t)
			} else if !c.job.holed(t.Record.Section) {
				p.lack("its holes, each as an opening")
			}
			p.done()
		}
	},
}

// holed tells whether a hole that was found in the ducts of a section is on
// record.
func (a *Assembled) holed(section domain.Section) bool {
	for _, o := range a.Openings {
		if o.Record.In == domain.InDuct && o.Record.Origin != domain.ByCrew && o.Record.Section == section {
			return true
		}
	}
	return false
}

var holeInDuctSealed = Rule{
	Key: "hole_in_duct_sealed", Title: "A hole found in a duct is sealed",
	Why:      "Air does not ask who made the hole.",
	Judged:   "Each hole that was found in a duct has a time at which it was closed. One out of reach, with a reason and a photo, is for a reviewer. Wrap that was found open is exempt.",
	None:     "no hole was found in a duct",
	Fix:      "Seal it as you would your own cut: patch, mastic under and over.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: ReopenedDuct,
	Source: practice,
	Example: Example{
		Holds:  "A hole of a pipe fitter in trunk A, patched at 11:40.",
		Broken: "The same hole, left open.",
	},
	check: func(c *check) {
		for _, o := range c.job.Openings {
			if o.Record.In != domain.InDuct || o.Record.Made() {
				continue
			}
			p := c.on(o.Subject())
			switch {
			case o.Record.ClosedAt != nil:
			case o.Record.Closure != nil:
				p.lack("when it was closed")
			case o.Record.NotReachedReason == "":
				p.fault("it is still open")
			case !c.job.photographed(o.ID):
				p.lackPhoto("why it could not be reached")
			default:
				p.forReviewer("could not be reached; a reason and a photo are recorded")
			}
			p.done()
		}
	},
}

var trunkSeamInReach = Rule{
	Key: "trunk_seam_in_reach", Title: "A hand opening seals the seam in reach",
	Why:      "The arm is in the trunk already; the seam beside it leaks, and nobody opens the trunk for it again.",
	Judged:   "Where the crew opened a trunk by hand, a seam of that trunk was sealed, or the trunk was found tight.",
	None:     "the crew opened no trunk",
	Fix:      "Seal the seam that can be reached through the opening.",
	Severity: Note, Missing: Silent, Cure: OnSite, Hazard: ReopenedDuct,
	Source: practice,
	Example: Example{
		Holds:  "Hand opening in trunk A, seam of trunk A sealed.",
		Broken: "Hand opening in trunk A, no seam sealed.",
	},
	check: func(c *check) {
		for _, o := range c.job.Openings {
			if !o.Record.Made() || o.Record.In != domain.InDuct {
				continue
			}
			p := c.on(o.Subject())
			switch {
			case o.Record.Section == "":
				p.lack("its section")
			case !c.job.seamSealed(o.Record.Section):
				p.fault("no seam of trunk ", string(o.Record.Section), " was sealed through it")
			}
			p.done()
		}
	},
}

// seamSealed tells whether a seam of the trunk in a section was sealed, or
// the trunk was found tight.
func (a *Assembled) seamSealed(section domain.Section) bool {
	for _, part := range a.Components {
		if part.Record.Component != domain.Trunk || part.Record.Section != section {
			continue
		}
		if part.Record.Found == domain.FoundTight {
			return true
		}
		for r := range a.repairsOf(part.ID) {
			if r.Record.Repair == domain.RepairTrunkSeam {
				return true
			}
		}
	}
	return false
}

var takeoffSealed = Rule{
	Key: "takeoff_sealed", Title: "Takeoffs and collars are sealed to the trunk",
	Why:      "A collar that leaks loses the air of a whole branch or section.",
	Judged:   "Each branch takeoff and both collars of each crossover are sealed to the trunk, or were found tight and a photo shows it. A takeoff out of reach, with a reason, is for a reviewer.",
	None:     "no takeoff and no crossover is recorded",
	Fix:      "Seal it to the trunk with mastic.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: ReopenedDuct,
	Source: practice,
	Example: Example{
		Holds:  "Both collars of crossover A→B sealed to their trunks.",
		Broken: "The collar at end B not sealed.",
	},
	check: func(c *check) {
		if !c.job.worked() {
			return
		}
		for _, t := range c.job.Components {
			if t.Record.Component != domain.BranchTakeoff {
				continue
			}
			p := c.onPart(t)
			switch {
			case c.job.repaired(t.ID):
			case t.Record.Found == domain.FoundTight:
				if !c.job.photographed(t.ID) {
					p.lackPhoto("it tight")
				}
			default:
				c.sealed(&p, t)
			}
			p.done()
		}
		for _, x := range c.job.Crossovers {
			if unreached(x.Record) {
				c.notApplicable("the crossover could not be reached")
				continue
			}
			p := c.on(x.Subject())
			for _, section := range sections(x.Record) {
				c.collar(&p, x, section)
			}
			p.done()
		}
	},
}

// collar judges the collar at one end of a crossover.
func (c *check) collar(p *part, x Of[domain.Crossover], section domain.Section) {
	end := endOf(x.Record, section)
	switch {
	case end == nil:
		p.lack("the collar at end ", string(section))
	case end.CollarSealed != nil && *end.CollarSealed:
	case end.CollarFound == domain.FoundTight:
		for _, s := range c.job.photosOf(x.ID) {
			if s.Section == section {
				return
			}
		}
		p.lackPhoto("the collar at end " + string(section) + " tight")
	case end.CollarSealed == nil:
		p.lack("whether the collar at end ", string(section), " is sealed to the trunk")
	default:
		p.fault("the collar at end ", string(section), " is not sealed to the trunk")
	}
}
