package rules

import (
	"iter"

	"ductledger/domain"
)

// patches yields the openings in ducts that the crew closed, whoever made them.
func (a *Assembled) patches() iter.Seq2[Of[domain.Opening], *domain.Closure] {
	return func(yield func(Of[domain.Opening], *domain.Closure) bool) {
		for _, o := range a.Openings {
			if o.Record.In == domain.InDuct && closed(o.Record) && !yield(o, closureOf(o.Record)) {
				return
			}
		}
	}
}

var ductPatchOverlap = Rule{
	Key: "duct_patch_overlap", Title: "The patch laps over the hole on all sides",
	Why:      "Mastic holds on a lap; on an edge it cracks at the first winter.",
	Judged:   "Each patch over a hole in a duct laps on all sides, whoever made the hole; a narrow one that is coated and fastened is a question. Where the lap is not recorded it follows from both sizes, the patch in the middle.",
	None:     "the crew patched no duct",
	Fix:      "Take the patch off and set a wider one.",
	Severity: MustFix, Missing: Asks, Cure: OnSite, Hazard: ReopenedDuct,
	Parameters: []Parameter{{"lap_in", "in", 1, 0.25, 6, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "Patch of 10 × 10 in over a hole of 8 × 8 in: 1 in on all sides.",
		Broken: "Patch of 9 × 9 in over a hole of 8 × 8 in: 0.5 in.",
	},
	check: func(c *check) {
		for o, patch := range c.job.patches() {
			p := c.on(o.Subject())
			lap, known := lapOf(o.Record, patch)
			if yes(patch.MasticUnder) && yes(patch.MasticOver) && yes(patch.PatchFastened) {
				p.soften(Check) // a patch that holds is not torn off for a narrow lap
				p.fix = "A reviewer decides whether the patch stays: coated and fastened it may hold. Do not tear off one that does."
				if c.job.departed() {
					p.cure = NoCure
				}
			}
			switch {
			case !known:
				p.lack("how far the patch laps over the hole")
			case under(lap, c.limit("lap_in")):
				p.fault("the patch laps ", inches(rounded(lap)), "; the program wants ", inches(c.limit("lap_in")), " on all sides")
			}
			p.done()
		}
	},
}

// lapOf is the least lap of a patch, in in: as recorded, else half of what the
// patch is wider and longer than the hole.
func lapOf(o *domain.Opening, patch *domain.Closure) (lap float64, known bool) {
	if patch.PatchLapIn != nil {
		return *patch.PatchLapIn, true
	}
	if o.WidthIn == nil || o.LengthIn == nil || patch.PatchWidthIn == nil || patch.PatchLengthIn == nil {
		return 0, false
	}
	return min(*patch.PatchWidthIn-*o.WidthIn, *patch.PatchLengthIn-*o.LengthIn) / 2, true
}

var ductPatchCoated = Rule{
	Key: "duct_patch_coated", Title: "Mastic lies under the patch and over it",
	Why:      "Under the patch it seals, over it it holds; one without the other lets go.",
	Judged:   "Each patch over a hole in a duct has mastic under it and over it.",
	None:     "the crew patched no duct",
	Fix:      "Set the patch in mastic and coat it.",
	Severity: MustFix, Missing: Asks, Cure: OnSite, Hazard: ReopenedDuct,
	Source: practice,
	Example: Example{
		Holds:  "Mastic under the patch and over it.",
		Broken: "A dry patch, coated from outside only.",
	},
	check: func(c *check) {
		for o, patch := range c.job.patches() {
			p := c.on(o.Subject())
			p.yes(patch.MasticUnder, "no mastic lies under the patch", "whether mastic lies under the patch", "")
			p.yes(patch.MasticOver, "no mastic lies over the patch", "whether mastic lies over the patch", "")
			p.done()
		}
	},
}

var masticThickness = Rule{
	Key: "mastic_thickness", Title: "Mastic on a patch is thick enough",
	Why:      "Thin mastic dries into a skin that cracks.",
	Judged:   "On the patch over the crew's opening the mastic reaches the limit. The crew measures it with a gauge and records yes or no; no other mastic is measured.",
	None:     "the crew patched no duct",
	Fix:      "Coat the patch once more.",
	Severity: Check, Missing: Silent, Cure: OnSite, Hazard: CrawlSpace,
	Parameters: []Parameter{{"thickness_mils", "mils", 75, 10, 250, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "The gauge shows 80 mils, the limit is 75 mils.",
		Broken: "The gauge shows 40 mils, the limit is 75 mils.",
	},
	check: func(c *check) {
		for o, patch := range c.job.patches() {
			p := c.on(o.Subject())
			if patch.ThicknessReached != nil && !*patch.ThicknessReached {
				p.fault("the mastic is too thin by the gauge; the program wants ", number(c.limit("thickness_mils")), " mils")
			} else if patch.ThicknessReached == nil {
				p.lack("whether the mastic is thick enough by the gauge")
			}
			p.done()
		}
	},
}
