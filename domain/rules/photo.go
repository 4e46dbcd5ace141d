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

// A photo's record comes first and its picture later, perhaps never. Where the
// program lets acceptance or payment wait for pictures, the job is judged once
// more by the photos alone whose pictures have arrived. What is at fault only
// then rests on pictures that nobody has seen: each of them is a finding of
// photos_complete, about the photo.

// awaitPictures adds a finding for each picture that a rule asks for and that
// has not arrived. It stops the acceptance or is a note, as the program says,
// and lies before the job is sent in with what is still to come.
func (c *check) awaitPictures() {
	if c.set.PicturesFor == "" {
		return
	}
	owed := c.job.owedPictures()
	if len(owed) == 0 {
		return
	}
	asked := c.askedFor(owed)
	place := placeOf(photosComplete.Key)
	c.at, c.rule, c.limits = place, all[place], c.set.settings[place].limits
	c.severity, c.missing = Note, Silent
	if c.set.PicturesFor == domain.PicturesForAcceptance && !c.job.early() {
		c.severity, c.missing = MustFix, Blocks
	}
	before := len(c.found)
	for i, p := range owed {
		if asked[i] {
			c.awaitPicture(p)
		}
	}
	if c.set.PicturesFor == domain.PicturesForPayment {
		c.result.PicturesOwed = len(c.found) - before // a waived one is owed no more
	}
}

func (c *check) awaitPicture(photo Of[domain.Photo]) {
	p := c.on(photo.Subject())
	p.cure, p.hazard = Office, NoHazard
	p.fix = "Bring the device that took it to a signal and leave its app open until the picture is sent. Take no other one in its place."
	if photo.BytesState == domain.BytesRefused {
		p.fault("taken, and what came of its picture was refused: it is not what the record announced, or no picture")
	} else {
		p.fault("taken, and its picture has not arrived")
	}
	p.done()
}

// owedPictures are the photos in force whose pictures somebody has still to
// send. One of a job that is only tried out has no state and is not owed.
func (a *Assembled) owedPictures() (owed []Of[domain.Photo]) {
	for _, p := range a.Photos {
		if p.BytesState.Owed() {
			owed = append(owed, p)
		}
	}
	return owed
}

// askedFor tells of each of the owed photos whether a rule asks for it: what the
// rules find without these photos and do not find with them names a record that
// it shows. Where none of them shows such a record, all are asked for: better to
// wait for one too many than to pay for one that nobody has seen.
func (c *check) askedFor(owed []Of[domain.Photo]) []bool {
	job, set := *c.job, *c.set
	set.PicturesFor = ""
	job.Photos = slices.DeleteFunc(slices.Clone(job.Photos), func(p Of[domain.Photo]) bool { return p.BytesState.Owed() })
	job.repairs, job.shots = nil, nil
	job.index() // its places are those of the photos that are left
	_, arrived := computeAndJudge(set, &job)
	asked := make([]bool, len(owed))
	for i := range arrived.Findings {
		f := &arrived.Findings[i]
		if slices.ContainsFunc(c.found, func(g Finding) bool {
			return g.Rule == f.Rule && g.Detail == f.Detail && slices.Equal(g.Subjects, f.Subjects)
		}) {
			continue
		}
		named := false
		for n, p := range owed {
			if p.showsOne(f.Subjects) {
				asked[n], named = true, true
			}
		}
		for n, p := range owed {
			if !named && (f.Rule != surveyBeforeCutting.Key && f.Rule != photosComplete.Key || p.Record.Stage == domain.SurveyStage) {
				asked[n] = true
			}
		}
	}
	return asked
}

func (o Of[T]) showsOne(subjects []domain.Subject) bool {
	p, ok := any(o.Record).(*domain.Photo)
	return ok && slices.ContainsFunc(p.Subjects, func(s domain.PhotoSubject) bool {
		return slices.Contains(subjects, domain.Subject{Kind: s.Kind, ID: s.ID})
	})
}

// PicturesOwed counts the findings that must be mended by sending a picture.
// They tell nothing of the crew's work: records always come before pictures.
func (v *Verdict) PicturesOwed() (n int) {
	for i := range v.Findings {
		if f := &v.Findings[i]; f.Rule == photosComplete.Key && f.Severity == MustFix && f.Subjects[0].Kind == domain.PhotoKind {
			n++
		}
	}
	return n
}

var photoOfOneHome = Rule{
	Key: "photo_of_one_home", Title: "Each photo shows this home",
	Why:      "A picture that was sent for two homes shows one of them at most: what it should prove of the other stands on nothing.",
	Judged:   "No picture of the job, to the byte, was sent for another home too. Another job at the same home may have it.",
	None:     "no photo was taken",
	Fix:      "Find out which home it shows; for the other one send the right picture as a new photo that replaces it.",
	Severity: Check, Missing: Silent, Cure: Office,
	Source: practice,
	Example: Example{
		Holds:  "Every picture was sent for this home only.",
		Broken: "The photo of the closed boot A5 was sent for another home the week before.",
	},
	check: func(c *check) {
		for _, p := range c.job.Photos {
			on := c.on(p.Subject())
			if homes := c.job.homesWith(p.Record.SHA256); homes > 0 {
				on.fault("the very same picture was sent for ", some(float64(homes), "other job"), " at another home")
			}
			on.done()
		}
	},
}

// homesWith counts the jobs at other homes that have the picture too.
func (a *Assembled) homesWith(sha256 string) int {
	for _, same := range a.Outside.SamePhotos {
		if same.SHA256 == sha256 {
			return len(same.JobIDs)
		}
	}
	return 0
}
