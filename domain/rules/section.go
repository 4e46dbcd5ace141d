package rules

import "ductledger/domain"

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
