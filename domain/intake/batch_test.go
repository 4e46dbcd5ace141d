package intake

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"ductledger/domain"

	"pgregory.net/rapid"
)

func members(t *testing.T, body []byte) map[string]string {
	t.Helper()
	var raw map[string]json.RawMessage
	if err := json.Unmarshal(body, &raw); err != nil {
		t.Fatal(err)
	}
	m := map[string]string{}
	for name, value := range raw {
		m[name] = string(value)
	}
	return m
}

// chain is a batch in which everything hangs on what stands before it: home,
// its change, job, part, repair and two changes of the part.
func chain(w *world) []*Item {
	number := 2
	start := id(50)
	home, newJob, part, repair := start, id(51), id(52), id(53)
	return []*Item{
		w.item(home, &domain.Home{SectionCount: 1}),
		on(1, w.item(home, &domain.Home{SectionCount: 2})),
		w.item(newJob, job(home, ours, domain.InWork)),
		on(1, w.item(newJob, job(home, ours, domain.SentIn))),
		w.item(part, boot(newJob)),
		on(1, w.item(part, &domain.Component{JobID: newJob, Component: domain.Boot, Number: &number})),
		on(2, void(domain.ComponentKind, part, 2)),
		w.item(repair, &domain.Repair{JobID: newJob, ComponentIDs: []domain.UUID{part}}),
		w.item(id(54), &domain.Review{JobID: newJob, Decision: domain.Reply, Text: "done"}),
	}
}

// Grouping means nothing: in whatever order records stand in a batch, each is
// accepted once, as long as versions of one record keep theirs.
func TestOrderInABatchMeansNothing(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		w := newWorld(t)
		items := chain(w)
		seed := rapid.Uint64().Draw(r, "order")
		shuffled := shuffle(items, rand.New(rand.NewPCG(seed, 0)))
		decisions := Decide(field, shuffled, w.Store)
		if len(decisions) != len(items) {
			r.Fatalf("%d decisions on %d items", len(decisions), len(items))
		}
		seen := map[Key]int64{}
		for _, d := range decisions {
			if !d.Status.Accepted() || d.Version != seen[d.Item.Key()]+1 {
				r.Fatalf("%s %s version %d after %d: %v", d.Item.Kind, d.Status, d.Version, seen[d.Item.Key()], d.Problem)
			}
			seen[d.Item.Key()] = d.Version
			if d.Item.Record == nil {
				continue
			}
			for _, ref := range d.Item.Record.Refs() {
				key := Key{ref.Kind, ref.ID}
				if _, stored := w.Heads[key]; !stored && seen[key] == 0 {
					r.Fatalf("%s stands before its %s", d.Item.Kind, ref.Kind)
				}
			}
		}
	})
}

// shuffle keeps the versions of one record in their order.
func shuffle(items []*Item, random *rand.Rand) []*Item {
	versions := map[Key][]*Item{}
	order := make([]Key, len(items))
	for i, item := range items {
		order[i] = item.Key()
		versions[item.Key()] = append(versions[item.Key()], item)
	}
	random.Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
	shuffled := make([]*Item, len(order))
	for i, key := range order {
		shuffled[i], versions[key] = versions[key][0], versions[key][1:]
	}
	return shuffled
}

// The store is left as it was, whatever is decided.
func TestSortLeavesTheStoreAsItWas(t *testing.T) {
	w := newWorld(t)
	before := fmt.Sprintf("%+v", *w.Store)
	Decide(staff, append(chain(w), w.item(fresh, &domain.Review{JobID: ourJob, Decision: domain.Defer})), w.Store)
	if after := fmt.Sprintf("%+v", *w.Store); after != before {
		t.Errorf("the store was\n%s\nand is\n%s", before, after)
	}
}

// Records that replace each other can never come: all of the circle are
// rejected, in any order, also where one of them has been held. What waits for
// the circle from outside goes on waiting: its parent may be corrected.
func TestCirclesAreRejected(t *testing.T) {
	a, b, c, outside := id(60), id(61), id(62), id(63)
	for _, test := range []struct {
		name string
		of   func(w *world) []*Item
		want map[domain.UUID]Status
	}{
		{"two readings", func(w *world) []*Item {
			return []*Item{w.item(a, fanTest(&b)), w.item(b, fanTest(&a))}
		}, map[domain.UUID]Status{a: Rejected, b: Rejected}},
		{"three photos, and one that replaces one of them", func(w *world) []*Item {
			return []*Item{w.item(a, photo(&b)), w.item(b, photo(&c)), w.item(c, photo(&a)), w.item(outside, photo(&b))}
		}, map[domain.UUID]Status{a: Rejected, b: Rejected, c: Rejected, outside: Waiting}},
		{"one of them waited in held", func(w *world) []*Item {
			waited := w.item(a, fanTest(&b))
			waited.Index, waited.HeldID = -1, id(70)
			return []*Item{waited, w.item(b, fanTest(&a))}
		}, map[domain.UUID]Status{a: Rejected, b: Rejected}},
		{"a chain without its end", func(w *world) []*Item {
			return []*Item{w.item(a, fanTest(&b)), w.item(b, fanTest(&c))}
		}, map[domain.UUID]Status{a: Waiting, b: Waiting}},
		{"a chain with its end", func(w *world) []*Item {
			return []*Item{w.item(a, fanTest(&b)), w.item(b, fanTest(&c)), w.item(c, fanTest(nil))}
		}, map[domain.UUID]Status{a: Created, b: Created, c: Created}},
		{"on a job that the sender does not know", func(w *world) []*Item {
			strange, reading := fanTest(&a), fanTest(&b)
			strange.JobID = theirJob
			return []*Item{w.item(a, reading), w.item(b, strange)}
		}, map[domain.UUID]Status{a: Waiting, b: Waiting}},
	} {
		t.Run(test.name, func(t *testing.T) {
			for seed := range uint64(6) {
				w := newWorld(t)
				for _, d := range Decide(field, shuffle(test.of(w), rand.New(rand.NewPCG(seed, 0))), w.Store) {
					if d.Status != test.want[d.Item.ID] {
						t.Errorf("%s is %s, want %s", d.Item.ID, d.Status, test.want[d.Item.ID])
					}
					if d.Status == Rejected && d.Problem.Faults[0].Code != string(domain.ReplacesOther) {
						t.Errorf("%v does not name the circle", d.Problem)
					}
				}
			}
		})
	}
}

// A later version does not overtake an earlier one that waits.
func TestVersionsWaitTogether(t *testing.T) {
	w := newWorld(t)
	number := 2
	first := w.item(fresh, boot(nobody))
	second := on(1, w.item(fresh, &domain.Component{JobID: nobody, Component: domain.Boot, Number: &number}))
	for _, d := range Decide(field, []*Item{first, second}, w.Store) {
		if d.Status != Waiting {
			t.Errorf("base %d: %s, want waiting", d.Item.BaseVersion, d.Status)
		}
	}
	home, parent := w.item(id(60), &domain.Home{SectionCount: 1}), w.item(nobody, job(id(60), ours, domain.InWork))
	decisions := Decide(field, []*Item{first, second, parent, home}, w.Store)
	if len(decisions) != 4 || slices.ContainsFunc(decisions, func(d Decision) bool { return !d.Status.Accepted() }) {
		t.Errorf("with the parent: %+v", decisions)
	}
}

// The crew's next version of a job stands on the one that a review makes.
func TestChangeOnWhatAReviewMakes(t *testing.T) {
	w := newWorld(t)
	w.putJob(ourJob, ourHome, ours, domain.SentIn)
	items := []*Item{
		on(2, w.item(ourJob, job(ourHome, ours, domain.InWork))),
		w.item(fresh, &domain.Review{JobID: ourJob, Decision: domain.Return}),
	}
	items[0].By = &field
	decisions := Decide(staff, items, w.Store)
	if len(decisions) != 3 || decisions[2].Item != items[0] || decisions[2].Version != 3 {
		t.Errorf("%+v", decisions)
	}
}

// Even the versions of one record may come in any order in a batch; one that
// stays ahead of its record is in conflict.
func TestVersionsInTheWrongOrder(t *testing.T) {
	w := newWorld(t)
	version := func(base int64) *Item {
		number := int(base) + 1
		return on(base, w.item(fresh, &domain.Component{JobID: ourJob, Component: domain.Boot, Number: &number}))
	}
	decisions := Decide(field, []*Item{version(2), version(4), version(1), version(0)}, w.Store)
	for i, want := range []int64{1, 2, 3} {
		if !decisions[i].Status.Accepted() || decisions[i].Version != want {
			t.Errorf("%+v, want version %d", decisions[i], want)
		}
	}
	if d := decisions[3]; d.Status != Conflict || d.Current != 3 {
		t.Errorf("what stays ahead: %s, current %d", d.Status, d.Current)
	}
}

// A held item that comes along is decided with the rights of its own sender,
// never with those of who brings its parent.
func TestHeldItemKeepsItsSendersRights(t *testing.T) {
	along := func(item *Item, by domain.Caller) *Item {
		item.By, item.HeldID, item.Index = &by, id(70), -1
		return item
	}
	stranger := domain.Caller{Role: domain.Field, Contractor: theirs, Token: id(71)}
	newHome := id(72)
	parents := func(w *world, of domain.UUID) []*Item {
		return []*Item{w.item(newHome, &domain.Home{SectionCount: 1}), w.item(nobody, job(newHome, of, domain.Assigned))}
	}
	for _, c := range []struct {
		name   string
		by     domain.Caller
		record domain.Record
		sender domain.Caller // who brings the parent
		want   Status
	}{
		{"a crew's waiver brought by staff", field, &domain.Waiver{JobID: nobody, Reason: "no"}, staff, Rejected},
		{"staff's waiver brought by a crew", staff, &domain.Waiver{JobID: nobody, Reason: "agreed"}, field, Created},
		{"another contractor's part brought by staff", stranger, boot(nobody), staff, Waiting},
		{"another contractor's part brought by a crew", stranger, boot(nobody), field, Waiting},
		{"its own part brought by staff", field, boot(nobody), staff, Created},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWorld(t)
			held := along(w.item(fresh, c.record), c.by)
			for _, d := range Decide(c.sender, append(parents(w, ours), held), w.Store) {
				if d.Item == held && d.Status != c.want {
					t.Errorf("%s %v, want %s", d.Status, d.Problem, c.want)
				}
			}
		})
	}
}
