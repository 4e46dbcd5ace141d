package rules

import (
	"slices"

	"ductledger/domain"
)

var photosComplete = Rule{
	Key: "photos_complete", Title: "Hidden work is photographed",
	Why:      "Once coated, a missed gap is invisible, and once closed, so is everything else: a photo is all that is left to look at.",
	Judged:   "Of what is hidden afterwards: the furnace joint before and after, each opening of the crew open and closed, each crossover's collars bare and sealed and its finished run, each treated trunk end after. For a reviewer: the survey, also where nothing was opened, the gauge at each test, the lock, and boots that were detached or had a wide gap, after. Once the crew has left, a lost photo is a question for the reviewer, and what is hidden is not opened again for one.",
	None:     "nothing was done that must be shown",
	Fix:      "Take the photo while it can still be seen. Open nothing again for it, and show nothing that was set up for it.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: CrawlSpace,
	Source: practice,
	Example: Example{
		Holds:  "Opening in the wrap photographed open at 09:46 and closed at 14:22.",
		Broken: "No photo of the rear end of trunk B after it was closed.",
	},
	check: func(c *check) {
		for _, o := range c.job.Components {
			c.photosOfPart(o)
		}
		for _, x := range c.job.Crossovers {
			c.photosOfCrossover(x)
		}
		for _, o := range c.job.Openings {
			if o.Record.Made() {
				p := c.inSight(o.Subject())
				if o.Record.In == domain.InDuct || !c.job.shows(o.ID, domain.ShowsOpen, "") {
					p = c.hidden(o.Subject())
				}
				p.shown(domain.ShowsOpen, "", "it open")
				if o.Record.ClosedAt != nil {
					p.shown(domain.ShowsClosed, "", "it closed")
				}
				p.done()
			}
		}
		c.photosOfTheRest()
	},
}

// hidden begins the judgment of work that cannot be seen any more once the
// crew has left.
func (c *check) hidden(s domain.Subject) part {
	p := c.on(s)
	if c.job.departed() {
		p.soften(Check)
		p.cure = NoCure
	}
	return p
}

// inSight begins the judgment of work that can be seen on another visit.
func (c *check) inSight(s domain.Subject) part {
	p := c.on(s)
	if c.job.departed() {
		p.soften(Check)
		p.cure = ReturnVisit
	}
	return p
}

// past begins the judgment of what a reviewer wants to see of a moment that is
// over.
func (c *check) past(s domain.Subject) part {
	p := c.on(s)
	p.soften(Check)
	p.cure = NoCure
	return p
}

// shown asks for a photo of one side of the subject. A photo of it that does
// not say what it shows may be the one: then a fact is missing, not a photo.
func (p *part) shown(side domain.Shows, section domain.Section, words string) {
	if p.c.job.shows(p.one[0].ID, side, section) {
		return
	}
	for _, s := range p.c.job.photosOf(p.one[0].ID) {
		if s.Shows == "" {
			p.lack("which of its photos shows ", words)
			return
		}
	}
	p.fault("no photo shows ", words)
}

// taken asks for a photo of the subject at a stage of the work.
func (p *part) taken(stage domain.PhotoStage) {
	if _, ok := p.c.job.photoOf(p.one[0].ID, stage); !ok {
		p.fault("no photo shows it ", string(stage), " the work")
	}
}

// takenOfEach asks for a photo of each part of a statement. One that names no
// number shows one of them.
func (p *part) takenOfEach(o Of[domain.Component], stage domain.PhotoStage) {
	shown := 0
	for i := range o.Record.Numbers {
		for photo, s := range p.c.job.photosOf(o.ID) {
			if photo.Record.Stage == stage && equal(s.Number, &o.Record.Numbers[i]) {
				shown++
				break
			}
		}
	}
	for photo, s := range p.c.job.photosOf(o.ID) {
		if photo.Record.Stage == stage && s.Number == nil {
			shown++
		}
	}
	switch parts := o.Record.Parts(); {
	case shown >= parts:
	case parts == 1:
		p.fault("no photo shows it ", string(stage), " the work")
	default:
		p.fault("photos show ", count(shown), " of ", count(parts), " ", string(stage), " the work")
	}
}

// lackPhoto asks for the photo that goes with a part which nobody sealed.
func (p *part) lackPhoto(what string) {
	p.lack("a photo that shows ", what)
	p.photo = "Take a photo that shows " + what + ", or seal it."
}

func (c *check) photosOfPart(o Of[domain.Component]) {
	if !c.job.repaired(o.ID) {
		return
	}
	switch o.Record.Component {
	case domain.FurnaceJoint, domain.SupplyCollar:
		p := c.hidden(o.Subject())
		p.taken(domain.BeforeStage)
		p.taken(domain.AfterStage)
		p.done()
	case domain.TrunkEnd:
		p := c.hidden(o.Subject())
		p.taken(domain.AfterStage)
		p.done()
	case domain.Boot:
		if o.Record.Found == domain.FoundDetached || c.job.wideAt(o, c.wideGap) {
			p := c.inSight(o.Subject())
			p.parts = o.Record.Parts()
			p.soften(Check)
			p.takenOfEach(o, domain.AfterStage)
			p.done()
		}
	}
}

// wideAt tells whether a part had a gap over the limit.
func (a *Assembled) wideAt(o Of[domain.Component], limit float64) bool {
	if o.Record.WidestGapIn != nil && *o.Record.WidestGapIn > limit {
		return true
	}
	for r := range a.repairsOf(o.ID) {
		if r.Record.WidestGapIn != nil && *r.Record.WidestGapIn > limit {
			return true
		}
	}
	return false
}

func (c *check) photosOfCrossover(x Of[domain.Crossover]) {
	if x.Record.TakenDownAt == nil && x.Record.Action != domain.Refitted && x.Record.Action != domain.Replaced {
		return
	}
	p := c.hidden(x.Subject())
	for _, section := range sections(x.Record) {
		p.shown(domain.ShowsBare, section, "the bare collar at end "+string(section))
		p.shown(domain.ShowsSealed, section, "the sealed collar at end "+string(section))
	}
	p.shown(domain.ShowsFinished, "", "it finished")
	p.done()
}

// photosOfTheRest asks for what a reviewer wants to see.
func (c *check) photosOfTheRest() {
	opened := slices.ContainsFunc(c.job.Openings, func(o Of[domain.Opening]) bool { return o.Record.Made() })
	if opened || c.job.worked() {
		p := c.past(c.job.subject())
		if c.job.early() && !opened {
			p.cure = OnSite
		}
		if !c.job.surveyed() {
			p.fault("no photo of the survey was taken")
		}
		p.done()
	}
	for _, m := range c.job.Measurements {
		if ofTheJob(m) {
			p := c.past(m.Subject())
			p.shown(domain.ShowsGauge, "", "the gauge")
			p.done()
		}
	}
	for _, i := range c.job.Isolations {
		p := c.past(i.Subject())
		if i.Record.ReleasedAt == nil {
			p.cure = OnSite // the lock still hangs
		}
		p.shown(domain.ShowsLock, "", "the lock or the tag")
		p.done()
	}
}

func (a *Assembled) surveyed() bool {
	for _, p := range a.Photos {
		if p.Record.Stage == domain.SurveyStage {
			return true
		}
	}
	return false
}
