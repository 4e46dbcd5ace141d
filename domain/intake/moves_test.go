package intake

import (
	"fmt"
	"reflect"
	"testing"

	"ductledger/domain"
)

var states = []domain.JobState{domain.Assigned, domain.InWork, domain.SentIn, domain.Returned, domain.Accepted, domain.Deferred}

type move struct{ from, to domain.JobState }

// Every role that writes jobs, from every state to every other: what is not
// in the table of moves is refused, and sending the state unchanged is fine.
func TestEveryMoveOfAJob(t *testing.T) {
	crew := map[move]bool{
		{domain.Assigned, domain.InWork}: true, {domain.InWork, domain.SentIn}: true,
		{domain.Returned, domain.InWork}: true, {domain.Returned, domain.SentIn}: true,
		{domain.Assigned, domain.SentIn}: true, // both steps before there was a signal
	}
	agency := map[move]bool{{domain.InWork, domain.Assigned}: true, {domain.Returned, domain.Assigned}: true}
	for _, who := range []struct {
		caller domain.Caller
		moves  map[move]bool
	}{{field, crew}, {staff, agency}, {admin, agency}} {
		for _, from := range states {
			for _, to := range states {
				t.Run(fmt.Sprintf("%s %s to %s", who.caller.Role, from, to), func(t *testing.T) {
					w := newWorld(t)
					w.putJob(ourJob, ourHome, ours, from)
					record := job(ourHome, ours, to)
					record.Priority = "high" // so that nothing is a replay
					d := w.decide(who.caller, on(1, w.item(ourJob, record)))
					closed := from == domain.Accepted || from == domain.Deferred
					switch {
					case who.caller.Role == domain.Field && closed:
						refused(t, d, domain.JobNotAssigned)
					case from == to || who.moves[move{from, to}]:
						if d.Status != Updated || d.Version != 2 {
							t.Errorf("%s %v, want updated", d.Status, d.Problem)
						}
					default:
						refused(t, d, domain.StateNotAllowed)
					}
				})
			}
		}
	}
}

// A job begins assigned; one that a crew starts may be in work at once.
func TestEveryBeginningOfAJob(t *testing.T) {
	for _, caller := range []domain.Caller{field, staff, admin} {
		for _, begin := range states {
			t.Run(fmt.Sprintf("%s %s", caller.Role, begin), func(t *testing.T) {
				w := newWorld(t)
				w.put(fresh, &domain.Home{SectionCount: 3})
				d := w.decide(caller, w.item(nobody, job(fresh, ours, begin)))
				if begin == domain.Assigned || begin == domain.InWork && caller.Role == domain.Field {
					if d.Status != Created {
						t.Errorf("%s %v, want created", d.Status, d.Problem)
					}
					return
				}
				refused(t, d, domain.StateNotAllowed)
			})
		}
	}
}

// Every decision of a review in every state. One that moves the job makes the
// job's next version, in the reviewer's name, and touches nothing but the state.
func TestEveryReviewInEveryState(t *testing.T) {
	moves := map[domain.Decision]map[domain.JobState]domain.JobState{
		domain.Accept: {domain.SentIn: domain.Accepted},
		domain.Return: {domain.SentIn: domain.Returned},
		domain.Defer: {domain.Assigned: domain.Deferred, domain.InWork: domain.Deferred, domain.SentIn: domain.Deferred,
			domain.Returned: domain.Deferred},
		domain.Reopen: {domain.Accepted: domain.Returned, domain.Deferred: domain.Returned},
	}
	for _, decision := range []domain.Decision{domain.Accept, domain.Return, domain.Defer, domain.Reopen,
		domain.Answer, domain.Reply, domain.Exclude, domain.Include} {
		for _, from := range states {
			t.Run(fmt.Sprintf("%s %s", decision, from), func(t *testing.T) {
				w := newWorld(t)
				w.putJob(ourJob, ourHome, ours, from)
				stored := w.Jobs[ourJob]
				stored.Body = append(stored.Body[:len(stored.Body)-1:len(stored.Body)-1], `,"zz_of_a_newer_app":1}`...)
				w.Jobs[ourJob] = stored
				review := w.item(fresh, &domain.Review{JobID: ourJob, Decision: decision})
				decisions := Decide(staff, []*Item{review}, w.Store)
				to, moved := moves[decision][from]
				if _, mover := moves[decision]; mover && !moved {
					refused(t, decisions[0], domain.StateNotAllowed)
					return
				}
				if decisions[0].Status != Created || decisions[0].Item != review {
					t.Fatalf("%s %v, want created", decisions[0].Status, decisions[0].Problem)
				}
				if !moved {
					if len(decisions) != 1 {
						t.Errorf("it moves the job: %+v", decisions[1:])
					}
					return
				}
				if len(decisions) != 2 {
					t.Fatalf("%d decisions, want the review's and the job's", len(decisions))
				}
				got := decisions[1]
				want := stored.Record
				want.State = to
				record, _ := got.Item.Record.(*domain.Job)
				if got.Status != Updated || got.Version != 2 || !got.Consequence || got.JobID != ourJob || !reflect.DeepEqual(record, &want) {
					t.Errorf("the job: %+v %+v, want %+v", got, record, want)
				}
				if got.Item.TokenID != review.TokenID || got.Item.PersonID != review.PersonID || got.Item.Index != -1 {
					t.Errorf("not in the reviewer's name: %+v", got.Item)
				}
				before, after := members(t, stored.Body), members(t, got.Item.Body)
				before["state"] = `"` + string(to) + `"`
				if fmt.Sprint(before) != fmt.Sprint(after) {
					t.Errorf("body %v, want %v", after, before)
				}
			})
		}
	}
}

// Work that comes after the acceptance is accepted and marked late; what the
// agency writes about the job is not.
func TestWorkAfterTheAcceptanceIsLate(t *testing.T) {
	late := map[domain.Kind]domain.Record{
		domain.VisitKind:           &domain.Visit{JobID: ourJob, VisitedOn: today},
		domain.ComponentKind:       boot(ourJob),
		domain.CrossoverKind:       &domain.Crossover{JobID: ourJob},
		domain.OpeningKind:         &domain.Opening{JobID: ourJob},
		domain.RepairKind:          &domain.Repair{JobID: ourJob},
		domain.EnergyIsolationKind: &domain.EnergyIsolation{JobID: ourJob},
		domain.MeasurementKind:     fanTest(nil),
		domain.PhotoKind:           photo(nil),
	}
	others := map[domain.Kind]domain.Record{
		domain.ReviewKind:      &domain.Review{JobID: ourJob, Decision: domain.Answer},
		domain.WaiverKind:      &domain.Waiver{JobID: ourJob},
		domain.InspectionKind:  &domain.Inspection{JobID: ourJob},
		domain.CallBackKind:    &domain.CallBack{JobID: ourJob},
		domain.AppointmentKind: &domain.Appointment{JobID: ourJob},
	}
	for _, row := range domain.Kinds {
		record := late[row.Kind]
		if record == nil {
			record = others[row.Kind]
		}
		if record == nil {
			for _, ref := range row.New().Refs() {
				if ref.Kind == domain.JobKind {
					t.Errorf("%s belongs to a job and has no row here", row.Kind)
				}
			}
			continue
		}
		for _, from := range states {
			w := newWorld(t)
			w.putJob(ourJob, ourHome, ours, from)
			d := w.decide(staff, w.item(fresh, record))
			if want := late[row.Kind] != nil && from == domain.Accepted; d.Status != Created || d.Late != want {
				t.Errorf("%s on a job that is %s: %s %v, late %v, want %v", row.Kind, from, d.Status, d.Problem, d.Late, want)
			}
		}
	}
}

func refused(t *testing.T, d Decision, code domain.Code) {
	t.Helper()
	if d.Status != Rejected || d.Problem.Code != code {
		t.Errorf("%s %v, want rejected, %s", d.Status, d.Problem, code)
	}
}
