package rules

import "ductledger/domain"

// How wrap is joined, as the wire has it.
const (
	clinchedStaples      = "clinched_staples"
	stitched             = "stitched"
	fastenersWithWashers = "fasteners_with_washers"
)

var wrapClosureMaterial = Rule{
	Key: "wrap_closure_material", Title: "The wrap is closed with what holds",
	Why:      "Tape and plain staples let go within a winter; then insulation falls and the pipes freeze.",
	Judged:   "A fabric wrap is closed with fabric, joined by clinched staples or better; a rigid board with board, fasteners with washers, and a lap.",
	None:     "the crew closed no wrap",
	Fix:      "Close it again: fabric with clinched staples, board with a lap and fasteners with washers.",
	Severity: Check, Missing: Asks, Cure: ReturnVisit, Hazard: CrawlSpace,
	Source: practice + "; SWS 3.0102.7 for board",
	Example: Example{
		Holds:  "Fabric wrap closed with fabric and clinched staples.",
		Broken: "Fabric wrap closed with fabric and tape.",
	},
	check: func(c *check) {
		for _, o := range c.job.Openings {
			if o.Record.In != domain.InWrap || !closed(o.Record) {
				continue
			}
			p := c.onWrap(o)
			switch c.job.home().WrapKind {
			case domain.NoWrap:
				c.notApplicable("the home has no wrap")
				continue
			case "":
				if o.Record.Made() {
					c.need(wrapKindFact)
				} else {
					c.notJudged()
				}
				continue
			case domain.RigidBoard:
				p.board(closureOf(o.Record))
			default:
				p.fabric(closureOf(o.Record))
			}
			p.done()
		}
	},
}

// onWrap begins the judgment of closed wrap. Closing what was found open is
// a kindness: what is not said of it stays unsaid.
func (c *check) onWrap(o Of[domain.Opening]) part {
	p := c.on(o.Subject())
	if !o.Record.Made() {
		p.missing = Silent
	}
	return p
}

func (p *part) fabric(w *domain.Closure) {
	switch w.WrapMaterial {
	case "":
		p.lack("what closes it")
	case string(domain.FabricWrap):
	default:
		p.fault("it is closed with ", spaced(w.WrapMaterial), "; the program wants fabric")
	}
	switch w.WrapJoining {
	case "":
		p.lack("how the fabric is joined")
	case clinchedStaples, stitched, fastenersWithWashers:
	default:
		p.fault("the fabric is joined by ", spaced(w.WrapJoining), "; the program wants clinched staples or better")
	}
}

func (p *part) board(w *domain.Closure) {
	switch w.WrapMaterial {
	case "":
		p.lack("what closes it")
	case string(domain.RigidBoard):
	default:
		p.fault("it is closed with ", spaced(w.WrapMaterial), "; the program wants board")
	}
	switch w.WrapJoining {
	case "":
		p.lack("how the board is fastened")
	case fastenersWithWashers:
	default:
		p.fault("the board is held by ", spaced(w.WrapJoining), "; the program wants fasteners with washers")
	}
	switch {
	case w.LapIn == nil:
		p.lack("the lap of board on board")
	case *w.LapIn <= 0:
		p.fault("board does not lap over board")
	}
}

var insulationPutBack = Rule{
	Key: "insulation_put_back", Title: "Insulation is back in the belly",
	Why:      "A bare patch of floor stays cold, and pipes in it freeze.",
	Judged:   "Under each opening of the wrap that the crew closed, insulation was put back.",
	None:     "the crew closed no wrap",
	Fix:      "Open it, put insulation back, and close it.",
	Severity: Check, Missing: Asks, Cure: OnSite, Hazard: OldMaterials,
	Source: practice,
	Example: Example{
		Holds:  "Wrap closed, insulation back.",
		Broken: "Wrap closed over an empty belly.",
	},
	check: func(c *check) {
		for _, o := range c.job.Openings {
			if o.Record.In != domain.InWrap || !closed(o.Record) {
				continue
			}
			if c.job.home().WrapKind == domain.NoWrap {
				c.notApplicable("the home has no wrap")
				continue
			}
			if o.Record.InsulationFound != nil && !*o.Record.InsulationFound {
				c.notApplicable("the cavity was found empty")
				continue
			}
			p := c.onWrap(o)
			p.yes(closureOf(o.Record).InsulationBack, "insulation was not put back", "whether insulation is back", "")
			p.done()
		}
	},
}
