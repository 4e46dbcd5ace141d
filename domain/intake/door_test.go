package intake

import (
	"testing"

	"ductledger/domain"
)

// Where the program wants the owner's permission before staff assign a job, one
// whose home has none, or has one that is not given yet, is refused and told what is
// missing. What a crew began by itself, and a job that stands assigned already, is
// taken: its finding says the rest.
func TestNoJobIsAssignedWithoutPermission(t *testing.T) {
	permission := func(on domain.Date) *domain.Permission {
		return &domain.Permission{Kind: domain.ByLandlord, GivenOn: on}
	}
	for _, c := range []struct {
		name   string
		caller domain.Caller
		given  *domain.Permission
		from   domain.JobState // the stored job's; empty: it is new
		to     domain.JobState
		moves  bool   // to another contractor
		fault  string // its code; empty: taken
	}{
		{"new, none", staff, nil, "", domain.Assigned, false, "permission_absent"},
		{"new, none, by an admin", admin, nil, "", domain.Assigned, false, "permission_absent"},
		{"new, given today", staff, permission(today), "", domain.Assigned, false, ""},
		{"new, given tomorrow", staff, permission("2026-10-02"), "", domain.Assigned, false, "permission_to_come"},
		{"assigned again from work, none", staff, nil, domain.InWork, domain.Assigned, false, "permission_absent"},
		{"assigned again after a return, none", staff, nil, domain.Returned, domain.Assigned, false, "permission_absent"},
		{"to another contractor, none", staff, nil, domain.Assigned, domain.Assigned, true, "permission_absent"},
		{"to another contractor, given", staff, permission("2026-09-01"), domain.Assigned, domain.Assigned, true, ""},
		{"its due day alone, none", staff, nil, domain.Assigned, domain.Assigned, false, ""},
		{"begun by a crew, none", field, nil, "", domain.InWork, false, ""},
		{"written down by a crew, none", field, nil, "", domain.Assigned, false, ""},
		{"sent in by a crew, none", field, nil, domain.Assigned, domain.SentIn, false, ""},
	} {
		for _, asked := range []bool{true, false} {
			w := newWorld(t)
			w.Homes = map[domain.UUID]domain.Home{ourHome: {SectionCount: 1, Permission: c.given}}
			w.InForce = &domain.RuleSet{}
			if asked {
				w.InForce.AssignNeeds = []domain.AssignNeed{domain.NeedsPermission}
			}
			delete(w.OpenHomes, ourHome)
			record := job(ourHome, ours, c.to)
			if record.DueOn = "2026-12-01"; c.to == domain.SentIn {
				record.Outcome = domain.Completed
			}
			if c.moves {
				record.ContractorID = theirs
			}
			item := w.item(fresh, record)
			if c.from != "" {
				w.putJob(ourJob, ourHome, ours, c.from)
				item = on(1, w.item(ourJob, record))
			}
			d := w.decide(c.caller, item)
			if want := c.fault; want == "" || !asked {
				if !d.Status.Accepted() {
					t.Errorf("%s, asked %v: %s %v, want it taken", c.name, asked, d.Status, d.Problem)
				}
			} else if d.Status != Rejected || d.Problem.Code != domain.StateNotAllowed || len(d.Problem.Faults) != 1 ||
				d.Problem.Faults[0].Code != want || d.Problem.Faults[0].Pointer != "/home_id" || d.Problem.Faults[0].Fix == "" {
				t.Errorf("%s: %s %v, want %s at /home_id", c.name, d.Status, d.Problem, want)
			}
		}
	}
	// A home that comes in the same batch, with its permission, is known.
	w := newWorld(t)
	w.InForce = &domain.RuleSet{AssignNeeds: []domain.AssignNeed{domain.NeedsPermission}}
	home := w.item(nobody, &domain.Home{SectionCount: 1, Permission: permission(today)})
	for _, d := range Decide(staff, []*Item{w.item(fresh, job(nobody, ours, domain.Assigned)), home}, w.Store) {
		if d.Status != Created {
			t.Errorf("in one batch: %s %s %v", d.Item.Kind, d.Status, d.Problem)
		}
	}
}
