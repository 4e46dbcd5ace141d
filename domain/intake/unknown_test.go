package intake

import (
	"fmt"
	"strings"
	"testing"

	"ductledger/domain"
)

// Whatever a caller with a scope sends, an id of what it may not know of is
// answered as an id that nobody has: as a reference, as the record's own id, as
// what is voided, on every version. Only a new record under a taken id waits.
func TestWhatMayNotBeKnownIsAnsweredLikeARandomID(t *testing.T) {
	type pair struct {
		name string
		item func(domain.UUID) func(*world) *Item // with the id that is asked for
		id   domain.UUID                          // that is there and may not be known
	}
	with := func(make func(domain.UUID) domain.Record) func(domain.UUID) func(*world) *Item {
		return func(u domain.UUID) func(*world) *Item { return put(fresh, make(u)) }
	}
	own := func(base int64, record domain.Record) func(domain.UUID) func(*world) *Item {
		return func(u domain.UUID) func(*world) *Item { return putOn(base, u, record) }
	}
	pairs := []pair{
		{"contractor of a job", with(func(u domain.UUID) domain.Record { return job(ourHome, u, domain.InWork) }), theirs},
		{"contractor of a member", with(func(u domain.UUID) domain.Record { return &domain.CrewMember{ContractorID: u, Name: "Lou"} }), theirs},
		{"contractor of an instrument", with(func(u domain.UUID) domain.Record {
			return &domain.Instrument{ContractorID: &u, Instrument: domain.DuctFan, Serial: "F-2"}
		}), theirs},
		{"contractor of a device", with(func(u domain.UUID) domain.Record { return &domain.Device{ContractorID: &u, Name: "phone"} }), theirs},
		{"contractor of a paper", with(func(u domain.UUID) domain.Record { return &domain.Credential{ContractorID: &u} }), theirs},
		{"member of a paper", with(func(u domain.UUID) domain.Record { return &domain.Credential{CrewMemberID: &u} }), theirMember},
		{"member of a lesson", with(func(u domain.UUID) domain.Record { return &domain.TrainingEvent{CrewMemberID: u} }), theirMember},
		{"lead of a visit", with(func(u domain.UUID) domain.Record { return &domain.Visit{JobID: ourJob, VisitedOn: today, LeadID: &u} }), theirMember},
		{"job of a part", with(func(u domain.UUID) domain.Record { return boot(u) }), theirJob},
		{"part of a repair", with(func(u domain.UUID) domain.Record {
			return &domain.Repair{JobID: ourJob, Repair: domain.RepairBoot, ComponentIDs: []domain.UUID{u}}
		}), theirBoot},
		{"a part of another's job", own(0, boot(theirJob)), theirBoot},
	}
	for _, base := range []int64{0, 1, 2} {
		pairs = append(pairs,
			pair{"contractor's own id", own(base, &domain.Contractor{Name: "New"}), theirs},
			pair{"member's own id", own(base, &domain.CrewMember{ContractorID: ours, Name: "Lou"}), theirMember},
			pair{"member's own id, of nobody", own(base, &domain.CrewMember{ContractorID: nobody, Name: "Lou"}), theirMember})
		for kind, u := range map[domain.Kind]domain.UUID{domain.ContractorKind: theirs, domain.CrewMemberKind: theirMember, domain.JobKind: theirJob, domain.ComponentKind: theirBoot} {
			pairs = append(pairs, pair{"void of a " + string(kind), func(u domain.UUID) func(*world) *Item { return voided(kind, u, base) }, u})
		}
	}
	for _, base := range []int64{1, 2} {
		pairs = append(pairs, pair{"a job's own id", own(base, job(ourHome, ours, domain.InWork)), theirJob}, pair{"a part's own id", own(base, boot(ourJob)), theirBoot})
	}
	for _, caller := range []domain.Caller{field, contractor} {
		for _, p := range pairs {
			answer := func(u domain.UUID) string {
				w := newWorld(t)
				d := Decide(caller, []*Item{p.item(u)(w)}, w.Store)[0]
				if d.Problem == nil {
					d.Problem = &domain.Error{}
				}
				return strings.ReplaceAll(fmt.Sprintf("%s version %d current %d problem %+v missing %+v job %s",
					d.Status, d.Version, d.Current, *d.Problem, d.Missing, d.JobID), u.String(), "ID")
			}
			if theirs, random := answer(p.id), answer(id(97)); theirs != random {
				t.Errorf("%s, %s:\n%s\nand of a random id\n%s", caller.Role, p.name, theirs, random)
			}
		}
	}
}
