package rules

var endClosureBlank = Rule{
	Key: "end_closure_blank", Title: "The blank is cut larger than the duct",
	Why:      "A blank without a margin has nothing to screw to and leaks at all four sides.",
	Judged:   "Where blank and trunk are measured: the blank is larger than the inside of the duct by the margin on every side, and its corners are notched by the same. A sloped blank may be longer.",
	None:     "no size of a blank is recorded",
	Fix:      "Cut the next one larger.",
	Severity: Note, Missing: Silent, Cure: OnSite, Hazard: SharpMetal,
	Parameters: []Parameter{{"margin_in", "in", 0.25, 0.125, 2, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "Duct 14 × 5 in inside, blank 14.5 × 5.5 in.",
		Broken: "Duct 14 × 5 in inside, blank 14 × 5.5 in.",
	},
	check: func(c *check) {
		margin := c.limit("margin_in")
		for e := range c.job.closures() {
			if !e.sloped() {
				continue
			}
			if e.form.BlankWidthIn == nil || e.form.BlankLengthIn == nil || e.trunk == nil ||
				e.trunk.InsideWidthIn == nil || e.trunk.InsideHeightIn == nil {
				c.notApplicable("no size of a blank is recorded")
				continue
			}
			width, length := *e.trunk.InsideWidthIn+2*margin, *e.trunk.InsideHeightIn+2*margin
			p := c.on(e.repair.Subject())
			if under(*e.form.BlankWidthIn, width) || under(*e.form.BlankLengthIn, length) {
				p.fault("the blank is ", number(*e.form.BlankWidthIn), " × ", inches(*e.form.BlankLengthIn),
					"; the program wants ", number(width), " × ", inches(length))
			}
			if notch := e.form.CornerNotchIn; notch == nil {
				p.lack("the notch at its corners")
			} else if under(*notch, margin) || over(*notch, margin) {
				p.fault("its corners are notched ", inches(*notch), "; the program wants ", inches(margin))
			}
			p.done()
		}
	},
}
