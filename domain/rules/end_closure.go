package rules

import "ductledger/domain"

var endClosureFacesAir = Rule{
	Key: "end_closure_faces_air", Title: "A sloped blank turns its back to the end wall",
	Why:      "A blank turned round sends the air the wrong way and loads its screws.",
	Judged:   "A sloped blank or flashing has its back to the home's end wall.",
	None:     "no sloped blank was set",
	Fix:      "Turn it round.",
	Severity: Check, Missing: Asks, Cure: OnSite, Hazard: ReopenedDuct,
	Source: practice,
	Example: Example{
		Holds:  "Sloped metal blank at the rear end of trunk A, its back to the end wall.",
		Broken: "The same blank with its back to the furnace.",
	},
	check: func(c *check) {
		for e := range c.job.closures() {
			if !e.sloped() {
				continue
			}
			p := c.on(e.repair.Subject())
			p.yes(e.form.BackToEndWall, "its back is not to the end wall", "whether its back is to the end wall", "")
			p.done()
		}
	},
}

var endClosureFastened = Rule{
	Key: "end_closure_fastened", Title: "A sloped blank is screwed and sealed all round",
	Why:      "The air of the blower pushes on it day and night; what is only stuck there falls.",
	Judged:   "A sloped blank or flashing has screws, any number, and is sealed all round.",
	None:     "no sloped blank was set",
	Fix:      "Screw it and seal it all round.",
	Severity: MustFix, Missing: Asks, Cure: OnSite, Hazard: ReopenedDuct,
	Parameters: []Parameter{{"screws_count", "screws", 1, 1, 12, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "Sloped metal blank with 6 screws, sealed all round.",
		Broken: "Sloped metal blank held by mastic alone.",
	},
	check: func(c *check) {
		for e := range c.job.closures() {
			if !e.sloped() {
				continue
			}
			p := c.on(e.repair.Subject())
			switch screws := e.form.ScrewsCount; {
			case screws == nil:
				p.lack("its screws")
			case *screws < int(c.limit("screws_count")):
				p.fault("it has ", some(float64(*screws), "screw"), "; the program wants ", number(c.limit("screws_count")))
			}
			p.yes(e.form.Sealed, "it is not sealed all round", "whether it is sealed all round", "")
			p.done()
		}
	},
}

var endClosureBoardSet = Rule{
	Key: "end_closure_board_set", Title: "Duct board is tapered, foil to the air, mastic all round",
	Why:      "Foil is the barrier, the fiber side leaks; a tapered plug sits tight against the pressure.",
	Judged:   "A plug of duct board is cut on a taper, its foil faces the air, and mastic lies all round it.",
	None:     "no board was set",
	Fix:      "Set it again: tapered, foil to the air, mastic all round.",
	Severity: MustFix, Missing: Asks, Cure: OnSite, Hazard: ReopenedDuct,
	Source: practice,
	Example: Example{
		Holds:  "Board at the front end of trunk B, tapered, foil to the air, mastic all round.",
		Broken: "The same board with its fiber side to the air.",
	},
	check: func(c *check) {
		for e := range c.job.closures() {
			if e.form.Form != domain.BoardPlug {
				continue
			}
			p := c.on(e.repair.Subject())
			p.yes(e.form.Tapered, "the board is not cut on a taper", "whether the board is cut on a taper", "")
			p.yes(e.form.FoilToAir, "its foil does not face the air", "whether its foil faces the air", "")
			p.yes(e.form.MasticAllRound, "mastic does not lie all round it", "whether mastic lies all round it", "")
			p.done()
		}
	},
}
