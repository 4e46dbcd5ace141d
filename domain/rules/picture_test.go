package rules

import (
	"strings"
	"testing"

	"ductledger/domain"
)

// arrivals judges the clean job with pictures that are owed: those of the photos
// for which owed says so.
func arrivals(t *testing.T, for_ domain.PicturesNeededFor, owed func(*domain.Photo) bool, change ...func(*jobUnderTest)) (Result, Verdict) {
	t.Helper()
	j := clean(t)
	for _, c := range change {
		c(j)
	}
	set, faults := NewSet(domain.UUID{9}, &domain.RuleSet{PicturesNeededFor: for_})
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	a := j.assemble()
	for i := range a.Photos {
		e := *a.Photos[i].Entry
		if e.BytesState = domain.BytesStored; owed(a.Photos[i].Record) {
			e.BytesState = domain.BytesAwaited
		}
		a.Photos[i].Entry = &e
	}
	return ComputeAndJudge(set, a)
}

func shows(kind domain.Kind, side domain.Shows) func(*domain.Photo) bool {
	return func(p *domain.Photo) bool { return p.Subjects[0].Kind == kind && p.Subjects[0].Shows == side }
}

func none(*domain.Photo) bool  { return false }
func every(*domain.Photo) bool { return true }

// What was taken and has not arrived is another thing than what was not taken,
// and waits only where the program says so.
func TestTakenAndNotArrived(t *testing.T) {
	closed := shows(domain.OpeningKind, domain.ShowsClosed)
	for _, c := range []struct {
		name     string
		wait     domain.PicturesNeededFor
		owed     func(*domain.Photo) bool
		severity Severity
		findings int
		pay      int
	}{
		{"nothing waits", domain.PicturesForNeither, every, "", 0, 0},
		{"said nothing", "", every, "", 0, 0},
		{"all arrived", domain.PicturesForAcceptance, none, "", 0, 0},
		{"acceptance", domain.PicturesForAcceptance, closed, MustFix, 3, 0}, // the crew's three openings
		{"payment", domain.PicturesForPayment, closed, Note, 3, 3},
		{"the two gauges", domain.PicturesForAcceptance, shows(domain.MeasurementKind, domain.ShowsGauge), MustFix, 2, 0},
		{"one boot of the survey in each section is enough, two are asked for", domain.PicturesForPayment, func(p *domain.Photo) bool { return p.Stage == domain.SurveyStage }, Note, 4, 4},
	} {
		result, v := arrivals(t, c.wait, c.owed)
		if len(v.Findings) != c.findings || result.PicturesOwed != c.pay {
			t.Errorf("%s: %d findings, %d owed: %s", c.name, len(v.Findings), result.PicturesOwed, show(v.Findings))
			continue
		}
		for _, f := range v.Findings {
			if f.Rule != "photos_complete" || f.Severity != c.severity || f.Subjects[0].Kind != domain.PhotoKind || !strings.Contains(f.Detail, "has not arrived") || f.Cure != Office {
				t.Errorf("%s: %s", c.name, show(f))
			}
		}
		if want := c.findings; c.severity == MustFix && v.PicturesOwed() != want {
			t.Errorf("%s: %d must be fixed by sending", c.name, v.PicturesOwed())
		}
	}
}

// A picture that shows the same as one that arrived is not waited for; a photo
// that was never taken stays a finding of its own; a waived picture is not owed.
func TestWhichPicturesAreWaitedFor(t *testing.T) {
	second := func(j *jobUnderTest) {
		_, id := nth[domain.Opening](j, 0)
		p := *j.photoOf(id, domain.AfterStage)
		p.SHA256 = strings.Repeat("ab", 32)
		j.add(&p)
	}
	if _, v := arrivals(t, domain.PicturesForAcceptance, func(p *domain.Photo) bool { return p.SHA256 == strings.Repeat("ab", 32) }, second); len(v.Findings) != 0 {
		t.Errorf("one too many: %s", show(v.Findings))
	}
	lost := func(j *jobUnderTest) { _, id := nth[domain.Opening](j, 0); j.dropPhotos(id, domain.AfterStage) }
	_, v := arrivals(t, domain.PicturesForAcceptance, shows(domain.OpeningKind, domain.ShowsClosed), lost)
	kinds := map[domain.Kind]int{}
	for _, f := range v.Findings {
		kinds[f.Subjects[0].Kind]++
	}
	if len(v.Findings) != 3 || kinds[domain.OpeningKind] != 1 || kinds[domain.PhotoKind] != 2 {
		t.Errorf("one not taken, two not arrived: %s", show(v.Findings))
	}
	waive := func(j *jobUnderTest) {
		_, id := nth[domain.Opening](j, 0)
		photo := j.photoOf(id, domain.AfterStage)
		for _, i := range j.items {
			if i.Record == domain.Record(photo) {
				j.add(&domain.Waiver{JobID: j.job, Finding: domain.FindingRef{Rule: "photos_complete", Subjects: []domain.Subject{{Kind: domain.PhotoKind, ID: i.ID}}}})
				break
			}
		}
	}
	if result, v := arrivals(t, domain.PicturesForPayment, shows(domain.OpeningKind, domain.ShowsClosed), waive); result.PicturesOwed != 2 || len(v.Findings) != 2 {
		t.Errorf("a waived one is owed: %d, %s", result.PicturesOwed, show(v.Findings))
	}
	working := func(j *jobUnderTest) { j.jobRecord().State = domain.InWork }
	if _, v := arrivals(t, domain.PicturesForAcceptance, shows(domain.OpeningKind, domain.ShowsClosed), working); v.Counts.MustFix != 0 || v.Counts.Note < 3 {
		t.Errorf("while the crew works, pictures are still to come: %+v", v.Counts)
	}
}
