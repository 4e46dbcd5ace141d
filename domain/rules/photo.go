package rules

import (
	"iter"
	"slices"
	"time"

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

var surveyBeforeCutting = Rule{
	Key: "survey_before_cutting", Title: "Look inside before you cut",
	Why:      "Each cut in the wrap is a hole to close again; a look through the registers tells where to cut.",
	Judged:   "For each trunk in whose section the crew opened anything: enough boots have a survey photo both ways that is older than the first opening there.",
	None:     "the crew opened nothing",
	Severity: Check, Missing: Asks, Cure: NoCure, Hazard: CrawlSpace,
	Parameters: []Parameter{{"boots_count", "boots", 2, 1, 10, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "Boots A2 and A5 photographed both ways at 08:40, first opening in section A at 09:45.",
		Broken: "Only boot A2 photographed before the first opening in section A.",
	},
	check: func(c *check) {
		for _, t := range c.job.Components {
			if t.Record.Component != domain.Trunk || !c.job.openedIn(t.Record.Section) {
				continue
			}
			c.survey(t)
		}
	},
}

// survey judges the look into one trunk before the first opening below it.
func (c *check) survey(trunk Of[domain.Component]) {
	first := c.job.firstOpening(trunk.Record.Section)
	boots, looked, late := 0, 0, 0
	for _, b := range c.job.Components {
		if b.Record.Component != domain.Boot || b.Record.Section != trunk.Record.Section {
			continue
		}
		boots += b.Record.Parts()
		for at := range c.job.looks(b) {
			if first == nil || at.Before(*first) {
				looked++
			} else {
				late++
			}
		}
	}
	asked := min(int(c.limit("boots_count")), boots)
	p := c.on(trunk.Subject())
	switch {
	case boots == 0:
		p.lack("its boots")
	case looked+late == 0:
		p.lack("a look into ", count(asked), " of its boots, both ways, before the first opening")
	case looked < asked:
		p.fault("boots looked into both ways before the first opening: ", count(looked), "; the program wants ", count(asked))
	case first == nil || c.job.untimed(trunk.Record.Section):
		p.lack("when the first opening was made")
	}
	p.done()
}

// looks yields when survey photos showed each boot of a record both ways. A
// photo of a statement that names no number shows one of its boots.
func (a *Assembled) looks(boot Of[domain.Component]) iter.Seq[time.Time] {
	return func(yield func(time.Time) bool) {
		for i := range boot.Record.Numbers {
			if at, seen := a.lookedInto(boot.ID, &boot.Record.Numbers[i]); seen && !yield(at) {
				return
			}
		}
		if at, seen := a.lookedInto(boot.ID, nil); seen {
			yield(at)
		}
	}
}

// lookedInto tells whether survey photos show a boot both ways, and when the
// later of them was taken.
func (a *Assembled) lookedInto(boot domain.UUID, number *int) (at time.Time, seen bool) {
	var front, rear time.Time
	for photo, s := range a.photosOf(boot) {
		if photo.Record.Stage != domain.SurveyStage || !equal(s.Number, number) {
			continue
		}
		t := photo.Record.TakenAt
		switch s.Shows {
		case domain.ShowsBothWays:
			if !seen || t.Before(at) {
				at, seen = t, true
			}
		case domain.ShowsFront:
			front = t
		case domain.ShowsRear:
			rear = t
		}
	}
	if !seen && !front.IsZero() && !rear.IsZero() {
		at, seen = front, true
		if rear.After(front) {
			at = rear
		}
	}
	return at, seen
}

func (a *Assembled) openedIn(section domain.Section) bool {
	for _, o := range a.Openings {
		if o.Record.Made() && o.Record.Section == section {
			return true
		}
	}
	return false
}

// untimed tells whether an opening of the crew in a section has no time: it may
// have been the first.
func (a *Assembled) untimed(section domain.Section) bool {
	return slices.ContainsFunc(a.Openings, func(o Of[domain.Opening]) bool {
		return o.Record.Made() && o.Record.Section == section && o.Record.MadeAt == nil
	})
}

// firstOpening is when the crew first opened anything in a section; nil when
// no opening there has a time.
func (a *Assembled) firstOpening(section domain.Section) *time.Time {
	var first *time.Time
	for _, o := range a.Openings {
		if at := o.Record.MadeAt; o.Record.Made() && o.Record.Section == section && at != nil && (first == nil || at.Before(*first)) {
			first = at
		}
	}
	return first
}
