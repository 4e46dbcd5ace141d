package rules

import (
	"slices"

	"ductledger/domain"
)

var tapeAloneNoSeal = Rule{
	Key: "tape_alone_no_seal", Title: "A seal is made of sealant",
	Why:      "Tape and caulk dry out and let go, mesh and metal let air through; what they held leaks as before.",
	Judged:   "Each repair lists a material that the program takes for a seal at that joint: mastic, and at a crossover bands, unless its rule set names others. Closures from below and duct board are no exception. One that only fastens needs none where another repair seals the same parts.",
	None:     "nothing was repaired",
	Fix:      "Seal the joint with mastic, or what the program lists for it.",
	Severity: MustFix, Missing: Asks, Cure: OnSite, Hazard: CrawlSpace,
	Source: practice,
	Example: Example{
		Holds:  "Boot A3 sealed with mastic.",
		Broken: "Boot A3 sealed with tape.",
	},
	check: func(c *check) {
		for _, r := range c.job.Repairs {
			p := c.on(r.Subject())
			switch {
			case c.set.seals(r.Record) || c.sealedByAnother(r):
			case len(r.Record.Materials) == 0:
				p.lack("what it was made of")
			default:
				p.fault("it is made of ", materialWords(r.Record.Materials), "; the program wants ", materialWords(c.set.sealantsAt(r.Record.Repair)))
			}
			p.done()
		}
	},
}

// What is a seal where the program names nothing.
var (
	usualSealants     = []domain.Material{domain.Mastic}
	crossoverSealants = []domain.Material{domain.Mastic, domain.Bands}
)

// sealantsAt are the materials that the program takes for a seal at a joint.
func (s *Set) sealantsAt(joint domain.RepairSort) []domain.Material {
	for _, own := range s.sealants {
		if own.Repair == joint {
			return own.Materials
		}
	}
	if joint == domain.RepairCrossover {
		return crossoverSealants
	}
	return usualSealants
}

// seals tells whether a repair lists a sealant.
func (s *Set) seals(r *domain.Repair) bool { return r.Has(s.sealantsAt(r.Repair)...) }

// sealedByAnother tells whether a repair only fastens, and others seal every
// part that it names.
func (c *check) sealedByAnother(fastens Of[domain.Repair]) bool {
	if r := fastens.Record; len(r.ComponentIDs) == 0 || len(r.Materials)+len(r.Fasteners) == 0 ||
		slices.ContainsFunc(r.Materials, func(m domain.Material) bool { return m != domain.Bracket }) {
		return false
	}
	for _, id := range fastens.Record.ComponentIDs {
		sealed := false
		for r := range c.job.repairsOf(id) {
			sealed = sealed || r.ID != fastens.ID && c.set.seals(r.Record)
		}
		if !sealed {
			return false
		}
	}
	return true
}

// materialWords names materials: sheet metal and tape.
func materialWords(materials []domain.Material) string {
	var words string
	for i, m := range slices.Compact(slices.Clone(materials)) {
		switch {
		case i > 0 && i == len(materials)-1:
			words += " or "
		case i > 0:
			words += ", "
		}
		words += spaced(string(m))
	}
	return words
}
