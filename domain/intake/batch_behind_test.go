package intake

import (
	"testing"

	"ductledger/domain"
)

// What waits stops neither the record that it waits for nor a later content of
// its own record: all that is answered as accepted is accepted.
func TestNothingIsAnsweredAcceptedThatIsNot(t *testing.T) {
	job, opening, missing := id(1), id(2), id(3)
	caller := domain.Caller{Role: domain.Staff, Name: "Invented", Person: domain.UUID{1}}
	store := func() *Store {
		return &Store{
			Heads:    map[Key]Head{{domain.JobKind, job}: {Version: 1, JobID: job}},
			Jobs:     map[domain.UUID]Job{job: {Head: Head{Version: 1, JobID: job}, Record: domain.Job{State: domain.InWork}}},
			Contents: map[VersionKey]Content{}, Replaced: map[domain.UUID]Replaceable{}, OpenHomes: map[domain.UUID]bool{}, OwnHomes: map[domain.UUID]bool{},
		}
	}
	item := func(record *domain.Opening) *Item {
		i, err := NewItem(domain.OpeningKind, opening, record)
		if err != nil {
			t.Fatal(err)
		}
		return i
	}
	plain := &domain.Opening{JobID: job, In: domain.InWrap, Origin: domain.ByCrew}
	early := &domain.Opening{JobID: job, In: domain.InWrap, Origin: domain.ByCrew, Target: &domain.Subject{Kind: domain.ComponentKind, ID: missing}}
	void := &Item{Kind: domain.OpeningKind, ID: opening, BaseVersion: 1}
	void.TakeVoid("twice")
	for name, c := range map[string]struct {
		items []*Item
		want  []Status
	}{
		"a void before its record":             {[]*Item{void, item(plain)}, []Status{Updated, Created}},
		"a later content behind a waiting one": {[]*Item{item(early), item(plain)}, []Status{Waiting, Created}},
	} {
		byItem := map[*Item]Status{}
		decisions := Decide(caller, c.items, store())
		refused := false
		for _, d := range decisions {
			byItem[d.Item] = d.Status
			refused = refused || !d.Status.Accepted()
			if refused && d.Status.Accepted() {
				t.Errorf("%s: accepted after what is refused", name)
			}
		}
		for i, it := range c.items {
			if byItem[it] != c.want[i] {
				t.Errorf("%s: item %d is %s, want %s", name, i, byItem[it], c.want[i])
			}
		}
	}
}
