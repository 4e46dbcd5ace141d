package rules

import (
	"slices"

	"ductledger/domain"
)

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
