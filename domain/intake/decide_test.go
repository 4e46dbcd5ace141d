package intake

import (
	"testing"

	"ductledger/domain"
)

// Every status and every reason not to accept an item, one row each. A row
// starts from the world of these tests, altered by prepare.
func TestEachItemIsDecided(t *testing.T) {
	renamed := &domain.Home{SectionCount: 1, Park: "Invented Park"}
	for _, c := range []struct {
		name    string
		caller  domain.Caller
		prepare func(*world)
		item    func(*world) *Item
		want    Status
		version int64
		current int64
		code    domain.Code // of the problem
		pointer string      // of its first fault
		fault   string      // its code
	}{
		// Accepted.
		{name: "new record", caller: field, item: put(fresh, boot(ourJob)), want: Created, version: 1},
		{name: "change on the current version", caller: field, item: putOn(1, ourBoot, &domain.Component{JobID: ourJob, Component: domain.Riser}), want: Updated, version: 2},
		{name: "void on the current version", caller: field, item: voided(domain.ComponentKind, ourBoot, 1), want: Updated, version: 2},
		{name: "crew's facts of a home where it works", caller: field, item: putOn(1, ourHome, renamed), want: Updated, version: 2},
		{name: "crew's new home", caller: field, item: put(fresh, renamed), want: Created, version: 1},
		{name: "replacing a reading by the same method", caller: field, item: put(fresh, fanTest(&reading)), want: Created, version: 1},
		{name: "replacing a photo", caller: field, item: put(fresh, photo(&picture)), want: Created, version: 1},
		{name: "coming rule set", caller: admin, item: put(fresh, &domain.RuleSet{Name: "next", FromOn: "2026-11-01"}), want: Created, version: 1},
		{name: "void of a coming rule set", caller: admin, item: voided(domain.RuleSetKind, comingSet, 1), want: Updated, version: 2},

		// Replayed: at any age, and whatever the caller may do by now.
		{name: "the same again", caller: field, item: put(ourBoot, boot(ourJob)), want: Replayed, version: 1},
		{name: "the same on its own version", caller: field, item: putOn(1, ourBoot, boot(ourJob)), want: Replayed, version: 1},
		{name: "the first version when a second stands", caller: field,
			prepare: func(w *world) { w.edit(ourBoot, &domain.Component{JobID: ourJob, Component: domain.Riser}) },
			item:    put(ourBoot, boot(ourJob)), want: Replayed, version: 1, current: 2},
		{name: "the current content on an old version", caller: field,
			prepare: func(w *world) { w.edit(ourBoot, &domain.Component{JobID: ourJob, Component: domain.Riser}) },
			item:    put(ourBoot, &domain.Component{JobID: ourJob, Component: domain.Riser}), want: Replayed, version: 2},
		{name: "again after the job went to another", caller: field,
			prepare: func(w *world) { w.change(ourJob, func(j *Job) { j.Record.ContractorID = theirs }) },
			item:    put(ourBoot, boot(ourJob)), want: Replayed, version: 1},
		{name: "what only staff may write, again by a crew", caller: field, item: put(ourNote, &domain.Waiver{JobID: ourJob, Reason: "agreed"}), want: Replayed, version: 1},
		{name: "a reading again", caller: field, item: put(reading, fanTest(nil)), want: Replayed, version: 1},
		{name: "void again", caller: field, prepare: func(w *world) {
			item := void(domain.ComponentKind, ourBoot, 1)
			head := w.Heads[item.Key()]
			head.Version, head.Void = 2, true
			w.Heads[item.Key()], w.Contents[VersionKey{item.Key(), 2}] = head, Content{Digest: item.Digest, Texts: item.Texts}
		}, item: voided(domain.ComponentKind, ourBoot, 1), want: Replayed, version: 2},

		// Conflict.
		{name: "new content as if nothing were there", caller: field, item: put(ourBoot, &domain.Component{JobID: ourJob, Component: domain.Riser}),
			want: Conflict, current: 1, code: domain.VersionConflict},
		{name: "a version that is to come", caller: field, item: putOn(2, ourBoot, &domain.Component{JobID: ourJob, Component: domain.Riser}),
			want: Conflict, current: 1, code: domain.VersionConflict},
		{name: "a change of what is not there", caller: field, item: putOn(1, fresh, boot(ourJob)), want: Conflict, code: domain.VersionConflict},
		{name: "void on an old version", caller: field, prepare: func(w *world) { w.edit(ourBoot, &domain.Component{JobID: ourJob, Component: domain.Riser}) },
			item: voided(domain.ComponentKind, ourBoot, 1), want: Conflict, current: 2, code: domain.VersionConflict},

		// Waiting: for what is not there, and alike for what the caller may not know of.
		{name: "job not there", caller: field, item: put(fresh, boot(nobody)), want: Waiting, code: domain.ParentMissing, pointer: "/job_id", fault: "parent_missing"},
		{name: "job of another contractor", caller: field, item: put(fresh, boot(theirJob)), want: Waiting, code: domain.ParentMissing, pointer: "/job_id", fault: "parent_missing"},
		{name: "record on another's job under its own id", caller: field, item: put(theirBoot, boot(theirJob)), want: Waiting, code: domain.ParentMissing, pointer: "/job_id", fault: "parent_missing"},
		{name: "another's record moved to a job of ours", caller: field, item: put(theirBoot, boot(ourJob)), want: Waiting, code: domain.ParentMissing, pointer: "/job_id", fault: "parent_missing"},
		{name: "part of another's job", caller: field, item: put(fresh, &domain.Repair{JobID: ourJob, ComponentIDs: []domain.UUID{ourBoot, theirBoot}}),
			want: Waiting, code: domain.ParentMissing, pointer: "/component_ids/1", fault: "parent_missing"},
		{name: "another contractor's member", caller: field, item: put(fresh, &domain.Visit{JobID: ourJob, VisitedOn: today, LeadID: &theirMember}),
			want: Waiting, code: domain.ParentMissing, pointer: "/lead_id", fault: "parent_missing"},
		{name: "another's job itself", caller: field, item: putOn(1, theirJob, job(otherHome, ours, domain.InWork)), want: Conflict, code: domain.VersionConflict},
		{name: "another's job itself as a new one", caller: field, item: put(theirJob, job(fresh, ours, domain.InWork)), want: Waiting, code: domain.ParentMissing, pointer: "/home_id", fault: "parent_missing"},
		{name: "void of what is not there", caller: field, item: voided(domain.ComponentKind, nobody, 1), want: Waiting, code: domain.ParentMissing, pointer: "/id", fault: "parent_missing"},
		{name: "void of another's", caller: field, item: voided(domain.ComponentKind, theirBoot, 1), want: Waiting, code: domain.ParentMissing, pointer: "/id", fault: "parent_missing"},
		{name: "replaced record not there", caller: field, item: put(fresh, fanTest(&nobody)), want: Waiting, code: domain.ParentMissing, pointer: "/replaces", fault: "parent_missing"},
		{name: "staff, job not there", caller: staff, item: put(fresh, boot(nobody)), want: Waiting, code: domain.ParentMissing, pointer: "/job_id", fault: "parent_missing"},

		// Rejected for its shape.
		{name: "its shape is refused", caller: staff, item: func(w *world) *Item {
			item := w.item(fresh, boot(ourJob))
			item.Problem = domain.Errorf(domain.Invalid, "one field is not acceptable")
			return item
		}, want: Rejected, code: domain.Invalid},

		// Rejected for who sends it.
		{name: "role that writes nothing", caller: funder, item: put(fresh, renamed), want: Rejected, code: domain.Forbidden},
		{name: "crew writes a waiver", caller: field, item: put(fresh, &domain.Waiver{JobID: ourJob, Reason: "no"}), want: Rejected, code: domain.Forbidden},
		{name: "staff writes a rule set", caller: staff, item: put(fresh, &domain.RuleSet{FromOn: "2026-11-01"}), want: Rejected, code: domain.Forbidden},
		{name: "crew decides", caller: field, item: put(fresh, &domain.Review{JobID: ourJob, Decision: domain.Accept}), want: Rejected, code: domain.Forbidden},
		{name: "contractor answers a check", caller: contractor, item: put(fresh, &domain.Review{JobID: ourJob, Decision: domain.Answer}), want: Rejected, code: domain.Forbidden},
		{name: "contractor replies", caller: contractor, item: put(fresh, &domain.Review{JobID: ourJob, Decision: domain.Reply}), want: Created, version: 1},
		{name: "nobody by name decides", caller: nameless, item: put(fresh, &domain.Review{JobID: ourJob, Decision: domain.Defer}), want: Rejected, code: domain.Forbidden},
		{name: "nobody by name replies", caller: nameless, item: put(fresh, &domain.Review{JobID: ourJob, Decision: domain.Reply}), want: Created, version: 1},
		{name: "crew voids a review", caller: field, item: voided(domain.ReviewKind, ourReview, 1), want: Rejected, code: domain.Forbidden},
		{name: "staff voids a review", caller: staff, item: voided(domain.ReviewKind, ourReview, 1), want: Updated, version: 2},
		{name: "crew changes a home where it has no job", caller: field, prepare: func(w *world) { w.OwnHomes[ourHome] = false },
			item: putOn(1, ourHome, renamed), want: Rejected, code: domain.Forbidden},
		{name: "crew voids a home", caller: field, item: voided(domain.HomeKind, ourHome, 1), want: Rejected, code: domain.Forbidden},
		{name: "crew voids a job", caller: field, item: voided(domain.JobKind, ourJob, 1), want: Rejected, code: domain.Forbidden},
		{name: "staff voids a job", caller: staff, item: voided(domain.JobKind, ourJob, 1), want: Updated, version: 2},
		{name: "crew's inspection reading", caller: field, item: put(fresh, &domain.Measurement{JobID: ourJob, Stage: domain.InspectionStage, InstrumentID: ourFan}),
			want: Rejected, code: domain.Forbidden},
		{name: "inspector's own stage", caller: inspector, prepare: drawn, item: put(fresh, &domain.Measurement{JobID: ourJob, Stage: domain.InspectionStage, InstrumentID: ourFan}),
			want: Created, version: 1},
		{name: "inspector, another stage", caller: inspector, prepare: drawn, item: put(fresh, fanTest(nil)), want: Rejected, code: domain.Forbidden},
		{name: "inspector's inspection", caller: inspector, prepare: drawn, item: put(fresh, &domain.Inspection{JobID: ourJob}), want: Created, version: 1},
		{name: "inspector's inspection of a job that nobody opened", caller: inspector, item: put(fresh, &domain.Inspection{JobID: ourJob}),
			want: Rejected, code: domain.ParentMissing, pointer: "/job_id", fault: "not_open_to_inspectors"},
		{name: "inspector's inspection of a job that is not there", caller: inspector, item: put(fresh, &domain.Inspection{JobID: nobody}),
			want: Rejected, code: domain.ParentMissing, pointer: "/job_id", fault: "not_open_to_inspectors"},
		{name: "inspector's reading with an instrument that is not there", caller: inspector, prepare: drawn,
			item: put(fresh, &domain.Measurement{JobID: ourJob, Stage: domain.InspectionStage, InstrumentID: nobody}),
			want: Rejected, code: domain.ParentMissing, pointer: "/instrument_id", fault: "not_open_to_inspectors"},
		{name: "inspector, a job opened to another one", caller: inspector, prepare: func(w *world) {
			w.change(ourJob, func(j *Job) { j.Drawn, j.Inspector = true, staff.Person })
		}, item: put(fresh, &domain.Inspection{JobID: ourJob}), want: Rejected, code: domain.ParentMissing, pointer: "/job_id", fault: "not_open_to_inspectors"},
		{name: "inspector, a job opened to him", caller: inspector, prepare: func(w *world) {
			w.change(ourJob, func(j *Job) { j.Drawn, j.Inspector = true, inspector.Person })
		}, item: put(fresh, &domain.Inspection{JobID: ourJob}), want: Created, version: 1},
		{name: "inspector on a job that he recorded work of", caller: inspector, prepare: func(w *world) {
			w.change(ourJob, func(j *Job) { j.Drawn, j.WorkedBy = true, []domain.UUID{inspector.Person} })
		}, item: put(fresh, &domain.Inspection{JobID: ourJob}), want: Rejected, code: domain.SamePerson, pointer: "/job_id", fault: "own_work"},
		{name: "inspection in the name of who worked there", caller: staff, prepare: func(w *world) {
			w.change(ourJob, func(j *Job) { j.WorkerNames = []string{"ira invented"} })
		}, item: put(fresh, &domain.Inspection{JobID: ourJob, InspectorName: " Ira  INVENTED"}), want: Rejected, code: domain.SamePerson, pointer: "/job_id", fault: "own_work"},
		{name: "inspector writes a part", caller: inspector, prepare: drawn, item: put(fresh, boot(ourJob)), want: Rejected, code: domain.Forbidden},
		{name: "crew's job of another contractor", caller: field, item: put(fresh, job(ourHome, theirs, domain.InWork)),
			want: Rejected, code: domain.Invalid, pointer: "/contractor_id", fault: "not_yours"},
		{name: "crew gives its job away", caller: field, item: putOn(1, ourJob, job(ourHome, theirs, domain.InWork)),
			want: Rejected, code: domain.Invalid, pointer: "/contractor_id", fault: "not_yours"},
		{name: "staff gives it away", caller: staff, item: putOn(1, ourJob, job(ourHome, theirs, domain.InWork)), want: Updated, version: 2},

		// Rejected for what never changes.
		{name: "a reading changes", caller: staff, item: putOn(1, reading, fanTest(&panReading)), want: Rejected, code: domain.Invalid, pointer: "", fault: "fixed"},
		{name: "a photo changes", caller: staff, item: putOn(1, picture, &domain.Photo{JobID: ourJob, SHA256: "01"}), want: Rejected, code: domain.Invalid, fault: "fixed"},
		{name: "a reading is voided", caller: field, item: voided(domain.MeasurementKind, reading, 1), want: Updated, version: 2},
		{name: "a job's home changes", caller: staff, item: putOn(1, ourJob, job(otherHome, ours, domain.InWork)), want: Rejected, code: domain.Invalid, pointer: "/home_id", fault: "fixed"},
		{name: "a record's job changes", caller: staff, item: putOn(1, ourBoot, boot(anotherJob)), want: Rejected, code: domain.Invalid, pointer: "/job_id", fault: "fixed"},
		{name: "part of another job of ours", caller: field, item: put(fresh, &domain.Repair{JobID: ourJob, ComponentIDs: []domain.UUID{ourBoot, anotherBoot}}),
			want: Rejected, code: domain.Invalid, pointer: "/component_ids/1", fault: "other_job"},
		{name: "replacing by another method", caller: field, item: put(fresh, fanTest(&panReading)), want: Rejected, code: domain.Invalid, pointer: "/replaces", fault: "replaces_other"},
		{name: "photo that replaces itself", caller: field, item: put(fresh, photo(&fresh)), want: Rejected, code: domain.Invalid, pointer: "/replaces", fault: "replaces_other"},
		{name: "reading that replaces itself", caller: field, item: put(fresh, fanTest(&fresh)), want: Rejected, code: domain.Invalid, pointer: "/replaces", fault: "replaces_other"},
		{name: "a rule set changes", caller: admin, item: putOn(1, comingSet, &domain.RuleSet{Name: "other", FromOn: "2026-11-01"}), want: Rejected, code: domain.Invalid, fault: "fixed"},
		{name: "a rule set from today", caller: admin, item: put(fresh, &domain.RuleSet{Name: "now", FromOn: today}), want: Rejected, code: domain.Invalid, pointer: "/from_on", fault: "too_small"},
		{name: "void of a rule set in force", caller: admin, item: voided(domain.RuleSetKind, firstSet, 1), want: Rejected, code: domain.Invalid, fault: "fixed"},

		// Rejected for the state of the job.
		{name: "job given to another", caller: field, prepare: func(w *world) { w.change(ourJob, func(j *Job) { j.Record.ContractorID = theirs }) },
			item: put(fresh, boot(ourJob)), want: Rejected, code: domain.JobNotAssigned},
		{name: "job deferred", caller: field, prepare: state(domain.Deferred), item: put(fresh, boot(ourJob)), want: Rejected, code: domain.JobNotAssigned},
		{name: "job voided", caller: field, prepare: func(w *world) { w.change(ourJob, func(j *Job) { j.Void = true }) }, item: put(fresh, boot(ourJob)), want: Rejected, code: domain.JobNotAssigned},
		{name: "staff writes on a deferred job", caller: staff, prepare: state(domain.Deferred), item: put(fresh, boot(ourJob)), want: Created, version: 1},
		{name: "staff applies what a crew sent too late", caller: staff, prepare: func(w *world) { w.change(ourJob, func(j *Job) { j.Record.ContractorID = theirs }) },
			item: put(fresh, boot(ourJob)), want: Created, version: 1},
		{name: "second job of a crew at a home", caller: field, item: put(fresh, job(ourHome, ours, domain.InWork)), want: Rejected, code: domain.HomeHasOpenJob},
		{name: "second job of staff at a home", caller: staff, item: put(fresh, job(ourHome, ours, domain.Assigned)), want: Created, version: 1},
		{name: "job at a home without one", caller: field, prepare: func(w *world) { w.OpenHomes[ourHome] = false }, item: put(fresh, job(ourHome, ours, domain.InWork)), want: Created, version: 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWorld(t)
			if c.prepare != nil {
				c.prepare(w)
			}
			d := w.decide(c.caller, c.item(w))
			if d.Status != c.want || d.Version != c.version || d.Current != c.current {
				t.Fatalf("%s, version %d, current %d (%v), want %s, %d, %d", d.Status, d.Version, d.Current, d.Problem, c.want, c.version, c.current)
			}
			if (d.Problem == nil) != (c.code == "") {
				t.Fatalf("problem %v, want %q", d.Problem, c.code)
			}
			if c.code == "" {
				return
			}
			if d.Problem.Code != c.code {
				t.Errorf("problem %v, want %s", d.Problem, c.code)
			}
			if c.fault == "" {
				return
			}
			if len(d.Problem.Faults) == 0 || d.Problem.Faults[0].Pointer != c.pointer || d.Problem.Faults[0].Code != c.fault {
				t.Errorf("faults %+v, want %s at %s", d.Problem.Faults, c.fault, c.pointer)
			}
		})
	}
}

func put(id domain.UUID, record domain.Record) func(*world) *Item { return putOn(0, id, record) }

func putOn(base int64, id domain.UUID, record domain.Record) func(*world) *Item {
	return func(w *world) *Item { return on(base, w.item(id, record)) }
}

func voided(kind domain.Kind, id domain.UUID, base int64) func(*world) *Item {
	return func(*world) *Item { return void(kind, id, base) }
}

func drawn(w *world) { w.change(ourJob, func(j *Job) { j.Drawn = true }) }

func state(s domain.JobState) func(*world) {
	return func(w *world) { w.change(ourJob, func(j *Job) { j.Record.State = s }) }
}

// What the caller may not know of is answered as an id that nobody has: the
// two answers differ in nothing but the id.
func TestUnknownIsAnsweredLikeARandomID(t *testing.T) {
	for _, c := range []struct {
		name          string
		there, nobody *Item
	}{
		{"child", newWorld(t).item(fresh, boot(theirJob)), newWorld(t).item(fresh, boot(nobody))},
		{"void", void(domain.ComponentKind, theirBoot, 1), void(domain.ComponentKind, nobody, 1)},
		{"reply", newWorld(t).item(fresh, &domain.Review{JobID: theirJob, Decision: domain.Reply}), newWorld(t).item(fresh, &domain.Review{JobID: nobody, Decision: domain.Reply})},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWorld(t)
			a, b := w.decide(field, c.there), w.decide(field, c.nobody)
			a.Problem.Faults[0].Detail, b.Problem.Faults[0].Detail = "", "" // names the id
			a.Missing.ID, b.Missing.ID = domain.UUID{}, domain.UUID{}
			if a.Status != b.Status || a.Missing != b.Missing || a.Current != b.Current || a.Version != b.Version ||
				a.Problem.Error() != b.Problem.Error() || a.ContractorID != b.ContractorID {
				t.Errorf("there: %+v %v\nnobody's: %+v %v", a, a.Problem, b, b.Problem)
			}
		})
	}
}

// A replay is a replay whatever the age: sending any earlier version again, as
// it was sent, changes nothing.
func TestEveryOldVersionIsAReplay(t *testing.T) {
	w := newWorld(t)
	var sent []*Item
	for base := range int64(5) {
		number := int(base) + 1
		sent = append(sent, on(base, w.item(fresh, &domain.Component{JobID: ourJob, Component: domain.Boot, Number: &number})))
	}
	for i, d := range Decide(field, sent, w.Store) {
		if !d.Status.Accepted() || d.Version != int64(i+1) {
			t.Fatalf("version %d: %s %d", i+1, d.Status, d.Version)
		}
		w.Heads[d.Item.Key()] = Head{Version: d.Version, JobID: ourJob}
		w.Contents[VersionKey{d.Item.Key(), d.Version}] = Content{Digest: d.Item.Digest, Texts: d.Item.Texts}
	}
	for i, item := range sent {
		d := w.decide(field, item)
		current := int64(5)
		if i == 4 {
			current = 0 // it is the current one
		}
		if d.Status != Replayed || d.Version != int64(i+1) || d.Current != current {
			t.Errorf("version %d again: %s %d, current %d", i+1, d.Status, d.Version, d.Current)
		}
	}
}
