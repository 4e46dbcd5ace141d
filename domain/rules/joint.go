package rules

import (
	"math"

	"ductledger/domain"
)

var bootSealed = Rule{
	Key: "boot_sealed", Title: "Each boot is sealed or was tight",
	Why:      "Air that leaves at a boot heats the belly, not the room above it.",
	Judged:   "Each boot, and each riser below one, was found tight or is covered by a repair: where joists run crosswise both joints, to the trunk and to the floor, lengthwise the one or two that are there. One that could not be reached, with a reason, is for a reviewer.",
	None:     "no boot is recorded",
	Fix:      "Seal its joints to trunk and floor.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: CrawlSpace,
	Source: practice,
	Example: Example{
		Holds:  "Boot A3 found leaky, sealed with mastic.",
		Broken: "Boot A3 found leaky, covered by no repair.",
	},
	check: func(c *check) {
		if !c.job.worked() {
			return
		}
		asked := false
		for _, b := range c.job.Components {
			if b.Record.Component != domain.Boot && b.Record.Component != domain.Riser {
				continue
			}
			asked = true
			p := c.onPart(b)
			c.sealed(&p, b)
			p.done()
		}
		if asked && c.job.home().JoistDirection == "" {
			c.need(joistDirectionFact)
		}
	},
}

// sealed judges a part that a repair must cover unless it was found tight.
func (c *check) sealed(p *part, o Of[domain.Component]) {
	switch found := o.Record.Found; {
	case c.job.repaired(o.ID), found == domain.FoundTight:
	case found == domain.FoundNotAccessible && o.Record.FoundReason != "":
		p.forReviewer("could not be reached; the reason is recorded")
	case found == domain.FoundNotAccessible:
		p.lack("why it could not be reached")
	case found == "":
		p.lack("how it was found, or its repair")
	default:
		p.untreated(found)
	}
}

// forReviewer says what was left, with a reason.
func (p *part) forReviewer(words ...string) {
	p.soften(Check)
	p.cure, p.fix = ReturnVisit, "A reviewer decides whether the reason holds, or the crew goes back to it."
	p.fault(words...)
}

// untreated says that a part was found faulty and left so. On a job that says
// partial, and why, that is a question.
func (p *part) untreated(found domain.Found) {
	if job := p.c.job.Job.Record; job.Outcome == domain.Partial && job.OutcomeReason != "" {
		p.forReviewer("found ", spaced(string(found)), " and left so; the job says why")
		return
	}
	p.fault("found ", spaced(string(found)), ", and nothing repairs it")
}

var trunkBracketScrews = Rule{
	Key: "trunk_bracket_screws", Title: "An angle bracket is screwed on both legs",
	Why:      "A bracket that holds on one leg swings, and the joint cracks.",
	Judged:   "Each repair with an angle bracket has enough screws in the trunk, more of them in a long one, and the other leg is fastened.",
	None:     "no bracket was used",
	Fix:      "Set the missing screws.",
	Severity: Check, Missing: Silent, Cure: OnSite, Hazard: SharpMetal,
	Parameters: []Parameter{
		{"screws_count", "screws", 3, 1, 12, practice},
		{"screw_each_in", "in", 6, 1, 24, practice},
	},
	Source: practice,
	Example: Example{
		Holds:  "Bracket of 14 in with 3 screws in the trunk, other leg fastened.",
		Broken: "Bracket with 2 screws in the trunk.",
	},
	check: func(c *check) {
		for _, r := range c.job.Repairs {
			if !r.Record.Has(domain.Bracket) && r.Record.BracketTrunkScrewsCount == nil {
				continue
			}
			if c.job.home().JoistDirection == domain.Crosswise {
				c.notApplicable("joists run crosswise")
				continue
			}
			p := c.on(r.Subject())
			switch screws := r.Record.BracketTrunkScrewsCount; {
			case screws == nil:
				p.lack("its screws in the trunk")
			case *screws < c.bracketScrews(r.Record):
				p.fault("the bracket has ", some(float64(*screws), "screw"), " in the trunk; the program wants ", count(c.bracketScrews(r.Record)))
			}
			p.yes(r.Record.BracketOtherLegFastened, "the bracket's other leg is not fastened", "whether the other leg is fastened", "")
			p.done()
		}
	},
}

// bracketScrews is how many screws a bracket needs in the trunk: the least
// number, or one for each so many inches.
func (c *check) bracketScrews(r *domain.Repair) int {
	least := int(c.limit("screws_count"))
	if r.BracketLengthIn == nil {
		return least
	}
	return max(least, int(math.Ceil(*r.BracketLengthIn/c.limit("screw_each_in")-slack)))
}
