package intake

import (
	"slices"
	"testing"

	"ductledger/domain"
)

// all gives the decisions on items in the order in which they were sent.
func (w *world) all(caller domain.Caller, items ...*Item) []Decision {
	out := make([]Decision, len(items))
	for _, d := range Decide(caller, items, w.Store) {
		for i := range items {
			if d.Item == items[i] {
				out[i] = d
			}
		}
	}
	return out
}

func correct(job domain.UUID, items ...domain.Subject) *domain.Review {
	return &domain.Review{JobID: job, Decision: domain.Correct, ReasonCodes: []string{"wrong_fund"}, Items: items}
}

// A correction is taken whole or not at all, by the office, on an accepted job.
func TestCorrections(t *testing.T) {
	review := id(50)
	ofJob := domain.Subject{Kind: domain.JobKind, ID: ourJob}
	ofBoot := domain.Subject{Kind: domain.ComponentKind, ID: ourBoot}
	funded := func(state domain.JobState) *domain.Job {
		j := job(ourHome, ours, state)
		j.FundSource = "city_fund"
		return j
	}
	sealed := func() *domain.Component {
		b := boot(ourJob)
		b.Number = new(7)
		return b
	}
	for _, c := range []struct {
		name   string
		caller domain.Caller
		state  domain.JobState
		items  func(w *world) []*Item
		taken  bool
		code   domain.Code // of the review's problem
	}{
		{"a fund and a part", staff, domain.Accepted, func(w *world) []*Item {
			return []*Item{w.item(review, correct(ourJob, ofJob, ofBoot)), on(1, w.item(ourJob, funded(domain.Accepted))), on(1, w.item(ourBoot, sealed()))}
		}, true, ""},
		{"its home", admin, domain.Accepted, func(w *world) []*Item {
			return []*Item{w.item(review, correct(ourJob, domain.Subject{Kind: domain.HomeKind, ID: ourHome})), on(1, w.item(ourHome, &domain.Home{SectionCount: 2}))}
		}, true, ""},
		{"a part that is voided", staff, domain.Accepted, func(w *world) []*Item {
			return []*Item{w.item(review, correct(ourJob, ofBoot)), void(domain.ComponentKind, ourBoot, 1)}
		}, true, ""},
		{"another home", staff, domain.Accepted, func(w *world) []*Item {
			return []*Item{w.item(review, correct(ourJob, domain.Subject{Kind: domain.HomeKind, ID: otherHome})), on(1, w.item(otherHome, &domain.Home{SectionCount: 3}))}
		}, false, domain.Invalid},
		{"a part of another job", staff, domain.Accepted, func(w *world) []*Item {
			b := boot(anotherJob)
			b.Number = new(7)
			return []*Item{w.item(review, correct(ourJob, domain.Subject{Kind: domain.ComponentKind, ID: anotherBoot})), on(1, w.item(anotherBoot, b))}
		}, false, domain.Invalid},
		{"a reading", staff, domain.Accepted, func(w *world) []*Item {
			return []*Item{w.item(review, correct(ourJob, domain.Subject{Kind: domain.MeasurementKind, ID: fresh})), w.item(fresh, fanTest(nil))}
		}, false, domain.Invalid},
		{"a photo that is voided", staff, domain.Accepted, func(w *world) []*Item {
			return []*Item{w.item(review, correct(ourJob, domain.Subject{Kind: domain.PhotoKind, ID: picture})), void(domain.PhotoKind, picture, 1)}
		}, false, domain.Invalid},
		{"one item is not there", staff, domain.Accepted, func(w *world) []*Item {
			return []*Item{w.item(review, correct(ourJob, ofJob, ofBoot)), on(1, w.item(ourJob, funded(domain.Accepted)))}
		}, false, domain.Invalid},
		{"one item is stale", staff, domain.Accepted, func(w *world) []*Item {
			w.edit(ourBoot, sealed())
			b := boot(ourJob)
			b.Number = new(9)
			return []*Item{w.item(review, correct(ourJob, ofJob, ofBoot)), on(1, w.item(ourJob, funded(domain.Accepted))), on(1, w.item(ourBoot, b))}
		}, false, domain.Invalid},
		{"a job that is open", staff, domain.SentIn, func(w *world) []*Item {
			return []*Item{w.item(review, correct(ourJob, ofJob)), on(1, w.item(ourJob, funded(domain.SentIn)))}
		}, false, domain.StateNotAllowed},
		{"a crew", field, domain.Accepted, func(w *world) []*Item {
			return []*Item{w.item(review, correct(ourJob, ofBoot)), on(1, w.item(ourBoot, sealed()))}
		}, false, domain.Forbidden},
		{"nobody in particular", nameless, domain.Accepted, func(w *world) []*Item {
			return []*Item{w.item(review, correct(ourJob, ofJob)), on(1, w.item(ourJob, funded(domain.Accepted)))}
		}, false, domain.Forbidden},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWorld(t)
			w.putJob(ourJob, ourHome, ours, c.state)
			for i, d := range w.all(c.caller, c.items(w)...) {
				if d.Status.Accepted() != c.taken || d.Late || d.Corrects != (c.taken && i == 0) {
					t.Errorf("item %d: %s, late %v, corrects %v: %v", i, d.Status, d.Late, d.Corrects, d.Problem)
				}
				if i == 0 && !c.taken && d.Problem.Code != c.code {
					t.Errorf("%v, want %s", d.Problem, c.code)
				}
			}
		})
	}
}

// What an accepted job is paid by does not change by the way.
func TestMoneyOfAnAcceptedJobStays(t *testing.T) {
	for name, change := range map[string]func(*domain.Job){
		"fund":    func(j *domain.Job) { j.FundSource = "city_fund" },
		"basis":   func(j *domain.Job) { j.PayBasis = domain.Deemed },
		"outcome": func(j *domain.Job) { j.Outcome = domain.Partial },
	} {
		w := newWorld(t)
		w.putJob(ourJob, ourHome, ours, domain.Accepted)
		record := job(ourHome, ours, domain.Accepted)
		change(record)
		d := w.decide(staff, on(1, w.item(ourJob, record)))
		if d.Status != Rejected || d.Problem.Code != domain.StateNotAllowed || len(d.Problem.Faults) != 1 {
			t.Errorf("%s: %s %v", name, d.Status, d.Problem)
		}
	}
}

// Fund, pay basis, due day and priority are the office's.
func TestACrewKeepsWhatTheOfficeSet(t *testing.T) {
	w := newWorld(t)
	stored := job(ourHome, ours, domain.Assigned)
	stored.FundSource, stored.DueOn, stored.Priority, stored.PayBasis = "state_fund", "2026-10-09", "high", domain.Deemed
	w.change(ourJob, func(j *Job) { j.Record, j.Body = *stored, w.item(ourJob, stored).Body })
	sent := job(ourHome, ours, domain.InWork)
	sent.FundSource, sent.Priority, sent.OutcomeReason = "other_fund", "low", "nobody home"
	item := on(1, w.item(ourJob, sent))
	asSent := item.Digest
	d := w.decide(field, item)
	got := item.Record.(*domain.Job)
	if d.Status != Updated || got.FundSource != "state_fund" || got.DueOn != "2026-10-09" || got.Priority != "high" || got.PayBasis != domain.Deemed ||
		got.State != domain.InWork || got.OutcomeReason != "nobody home" {
		t.Errorf("%s %v: %+v", d.Status, d.Problem, got)
	}
	if item.Digest != asSent {
		t.Error("sent again, it would not be known")
	}
	// A job that a crew begins has no fund, day or priority, and is paid as the
	// program pays.
	w.InForce = &domain.RuleSet{PayBasis: domain.Deemed}
	w.put(fresh, &domain.Home{SectionCount: 1})
	begun := job(fresh, ours, domain.InWork)
	begun.FundSource, begun.DueOn, begun.Priority = "other_fund", "2026-10-09", "high"
	item = w.item(nobody, begun)
	d = w.decide(field, item)
	if got = item.Record.(*domain.Job); d.Status != Created || got.FundSource != "" || got.DueOn != "" || got.Priority != "" || got.PayBasis != domain.Deemed {
		t.Errorf("%s %v: %+v", d.Status, d.Problem, got)
	}
	// What only the office says of a home is kept from the stored body; see Keep.
	home := on(1, w.item(ourHome, &domain.Home{SectionCount: 1, YearBuilt: new(1985), Permission: &domain.Permission{Kind: domain.ByAgent, GivenOn: "2026-10-01", Reference: "none"}}))
	if d = w.decide(field, home); d.Status != Updated || home.Record.(*domain.Home).Permission != nil || !slices.Equal(home.Keep, []string{"heating_zone", "permission"}) || len(home.Texts) != 0 {
		t.Errorf("%s %v: %+v, keeps %v, texts %v", d.Status, d.Problem, home.Record, home.Keep, home.Texts)
	}
	if d = w.decide(staff, on(1, w.item(ourHome, &domain.Home{SectionCount: 1, Permission: &domain.Permission{Kind: domain.ByAgent, GivenOn: "2026-10-01"}}))); d.Item.Record.(*domain.Home).Permission == nil {
		t.Error("staff could not set the permission")
	}
}

// What the program does not have is said at once; what stood before stays.
func TestTheDoor(t *testing.T) {
	w := newWorld(t)
	w.InForce = &domain.RuleSet{FundSources: []string{"state_fund", "utility_fund"}, Parks: []string{"Invented Court"}}
	w.Ended = map[domain.UUID]domain.Date{theirs: "2026-09-30"}
	w.Homes = map[domain.UUID]domain.Home{otherHome: {Park: "Old Court"}}
	waived := func(subjects ...domain.Subject) *domain.Waiver {
		return &domain.Waiver{JobID: ourJob, Finding: domain.FindingRef{Rule: "boot_sealed", Subjects: subjects}, Reason: "agreed", AgreedConsequence: "none"}
	}
	fund := func(name string) *domain.Job {
		j := job(ourHome, ours, domain.Assigned)
		j.FundSource = name
		return j
	}
	for _, c := range []struct {
		name  string
		item  *Item
		want  Status
		fault string // its pointer
	}{
		{"a fund of the list", w.item(fresh, fund("utility_fund")), Created, ""},
		{"another fund", w.item(fresh, fund("city_fund")), Rejected, "/fund_source"},
		{"no fund", w.item(fresh, fund("")), Created, ""},
		{"a contractor that left", w.item(fresh, job(ourHome, theirs, domain.Assigned)), Rejected, "/contractor_id"},
		{"a job that it has", on(1, w.item(theirJob, func() *domain.Job { j := job(otherHome, theirs, domain.InWork); j.Priority = "low"; return j }())), Updated, ""},
		{"a park of the list", w.item(fresh, &domain.Home{SectionCount: 1, Park: "Invented Court"}), Created, ""},
		{"another park", w.item(fresh, &domain.Home{SectionCount: 1, Park: "Other Court"}), Rejected, "/park"},
		{"the park that stood", on(1, w.item(otherHome, &domain.Home{SectionCount: 1, Park: "Old Court"})), Updated, ""},
		{"a waiver of a part", w.item(fresh, waived(domain.Subject{Kind: domain.ComponentKind, ID: ourBoot})), Created, ""},
		{"a waiver of a part that is not there", w.item(fresh, waived(domain.Subject{Kind: domain.ComponentKind, ID: nobody})), Waiting, "/finding/subjects/0"},
		{"a waiver of a part of another job", w.item(fresh, waived(domain.Subject{Kind: domain.ComponentKind, ID: anotherBoot})), Rejected, "/finding/subjects/0"},
		{"a waiver about a device", w.item(fresh, waived(domain.Subject{Kind: domain.DeviceKind, ID: nobody})), Created, ""},
	} {
		d := w.decide(staff, c.item)
		pointer := ""
		if d.Problem != nil && len(d.Problem.Faults) > 0 {
			pointer = d.Problem.Faults[0].Pointer
		}
		if d.Status != c.want || pointer != c.fault {
			t.Errorf("%s: %s at %q, want %s at %q: %v", c.name, d.Status, pointer, c.want, c.fault, d.Problem)
		}
	}
	// On its last day a contractor still gets work.
	w.Ended[theirs] = today
	if d := w.decide(staff, w.item(fresh, job(ourHome, theirs, domain.Assigned))); d.Status != Created {
		t.Errorf("%s %v", d.Status, d.Problem)
	}
}
