package rules

import "ductledger/domain"

// The facts of a home that several rules rest on. A missing one is one
// finding on that fact, however many rules ask for it.
type homeFact int

const (
	furnaceKindFact homeFact = iota
	furnaceSectionFact
	ductedSectionsFact
	joistDirectionFact
	wrapKindFact
	combustionFact
	factsCount
)

// need says that the rule cannot tell because a fact of the home is missing.
func (c *check) need(fact homeFact) {
	if c.missing == Silent {
		c.notJudged()
	} else {
		c.tally().Outcomes.NotRecorded++
	}
	if c.needs[fact] != Blocks {
		c.needs[fact] = c.missing
	}
}

// homeFactRule makes the rule that stands for one fact.
func homeFactRule(key, title, why, what string, fact homeFact, known func(*domain.Home) bool) Rule {
	return Rule{
		Key: key, Title: title, Why: why,
		Judged:   "Asked for only where another rule needs the fact on this job; as heavy as the heaviest of them.",
		None:     "no rule needs the fact on this job",
		Severity: MustFix, Missing: Blocks, Cure: OnSite,
		Fix:     "Look at the home and record " + what + ".",
		Source:  practice,
		Example: Example{Holds: "The home says " + what + ".", Broken: "A rule asks for it and the home does not say " + what + "."},
		check: func(c *check) {
			switch {
			case known(c.job.home()):
				c.holds()
			case c.needs[fact] == Blocks, c.needs[fact] == Asks:
				p := c.on(c.job.homeSubject())
				p.missing = c.needs[fact]
				p.lack(what)
				p.done()
			}
		},
	}
}

var furnaceKindRecorded = homeFactRule("furnace_kind_recorded", "What heats the home is recorded",
	"What must be isolated, and which joint is the one next to the blower, follow from the kind of furnace.",
	"what kind of furnace heats it", furnaceKindFact,
	func(h *domain.Home) bool { return h.FurnaceKind != "" })

var furnaceSectionRecorded = homeFactRule("furnace_section_recorded", "The section that holds the furnace is recorded",
	"Only from there can be told which sections get warm air.",
	"which section holds the furnace", furnaceSectionFact,
	func(h *domain.Home) bool { return h.FurnaceSection != "" })

var ductedSectionsRecorded = homeFactRule("ducted_sections_recorded", "The sections that hold ducts are recorded",
	"A section with ducts and no way to a furnace stays cold, and nobody sees it from below.",
	"which sections hold ducts", ductedSectionsFact,
	func(h *domain.Home) bool { return len(h.DuctedSections) > 0 })

var joistDirectionRecorded = homeFactRule("joist_direction_recorded", "The direction of the joists is recorded",
	"Crosswise joists put a riser between trunk and floor, and with it a second joint that leaks.",
	"which way the floor joists run", joistDirectionFact,
	func(h *domain.Home) bool { return h.JoistDirection != "" })

var wrapKindRecorded = homeFactRule("wrap_kind_recorded", "What closes the belly is recorded",
	"Fabric is stapled and board is screwed: how a cut is closed follows from what was cut.",
	"what closes the belly: fabric, board or nothing", wrapKindFact,
	func(h *domain.Home) bool { return h.WrapKind != "" })

var combustionAppliancesRecorded = homeFactRule("combustion_appliances_recorded", "Combustion appliances are recorded",
	"Sealing ducts changes how air moves in a home, and with it the draft of whatever burns there.",
	"which combustion appliances are in it, or that there is none", combustionFact,
	func(h *domain.Home) bool { return h.CombustionAppliances != nil || burns(h) })
