package intake

import (
	"maps"
	"slices"

	"ductledger/domain"
)

// Decide decides each item. Decisions stand in the order in which they have to
// be applied: parents before children, versions of a record in the order in
// which they were sent; what is not accepted comes after. The store is left
// as it was.
//
// Items are tried in turns until a turn accepts none: an item whose parent
// stands behind it in the batch is taken in a later turn, and what is still
// without its parent then is waiting. So is a change of a version that another
// item may make: an earlier change, or a review that moves the job. Items that
// replace each other in a circle would wait for ever and are rejected.
func Decide(caller domain.Caller, items []*Item, store *Store) []Decision {
	correcting := corrections(items)
	for {
		decisions := sortOnce(caller, items, store, correcting)
		if !halved(decisions, correcting) {
			return decisions
		}
	}
}

func sortOnce(caller domain.Caller, items []*Item, store *Store, correcting map[Key]*Item) []Decision {
	w := &sorter{sender: caller, store: store.overlay(), correcting: correcting, accepted: make([]Decision, 0, len(items))}
	pending := slices.Clone(items)
	slices.SortStableFunc(pending, func(a, b *Item) int { return turn(a) - turn(b) })
	waiting := map[*Item]Decision{}
	for progress := true; progress && len(pending) > 0; {
		progress = false
		blocked := map[Key]bool{} // a record's later version does not overtake its earlier one
		behind := false
		rest := pending[:0]
		for _, item := range pending {
			if blocked[item.Key()] {
				behind = true
				delete(waiting, item)
				rest = append(rest, item)
				continue
			}
			d := w.decide(item)
			if d.Status == Waiting || d.ahead() {
				blocked[item.Key()] = d.Status == Waiting && d.Missing.ID != item.ID // a void does not stop what it waits for
				waiting[item] = d
				rest = append(rest, item)
				continue
			}
			progress = true
			w.accept(&d)
		}
		pending = rest
		if !progress && behind { // what waits is left alone, the later version has its turn
			progress = true
			pending = slices.DeleteFunc(pending, func(item *Item) bool {
				d, waits := waiting[item]
				if waits = waits && blocked[item.Key()]; waits {
					w.refused = append(w.refused, d)
				}
				return waits
			})
		}
	}
	inCircle := circles(pending, waiting)
	for _, item := range pending {
		d := waiting[item]
		if inCircle[item] {
			d = d.rejected(domain.InvalidFields([]domain.Fault{circle}).(*domain.Error))
		}
		w.refused = append(w.refused, d)
	}
	return append(w.accepted, w.refused...)
}

// circles are the items that wait for one that waits for another and so on, back
// to themselves. All of a circle are of one job: of what the sender may not
// know, no answer tells.
func circles(pending []*Item, waiting map[*Item]Decision) map[*Item]bool {
	byKey := make(map[Key]*Item, len(pending))
	for _, item := range pending {
		byKey[item.Key()] = item
	}
	in := map[*Item]bool{}
	for _, item := range pending {
		at := item
		for range pending {
			missing := waiting[at].Missing
			next := byKey[Key{missing.Kind, missing.ID}]
			if missing.Pointer != replacesPointer || next == nil || next.Record == nil || next.Record.Job() != item.Record.Job() {
				break
			}
			if at = next; at.Key() == item.Key() {
				in[item] = true
				break
			}
		}
	}
	return in
}

// turn puts parents before children. The change of a home comes after the jobs:
// a crew may make it once it has one there.
func turn(item *Item) int {
	if item.Kind == domain.HomeKind && item.BaseVersion > 0 {
		return 2*domain.JobKind.Rank() + 1
	}
	return 2 * item.Kind.Rank()
}

func (s *Store) overlay() *Store {
	o := *s
	o.Heads, o.Jobs, o.Contents, o.RuleSets = maps.Clone(s.Heads), maps.Clone(s.Jobs), maps.Clone(s.Contents), maps.Clone(s.RuleSets)
	o.OpenHomes, o.OwnHomes, o.Replaced, o.Devices = maps.Clone(s.OpenHomes), maps.Clone(s.OwnHomes), maps.Clone(s.Replaced), maps.Clone(s.Devices)
	o.Ended, o.Homes = clone(s.Ended), clone(s.Homes)
	return &o
}

// clone is a copy that can be written to.
func clone[K comparable, V any](m map[K]V) map[K]V {
	if m == nil {
		return map[K]V{}
	}
	return maps.Clone(m)
}

type sorter struct {
	sender            domain.Caller // of the batch
	caller            domain.Caller // of the item that is decided
	store             *Store        // with what this batch has accepted so far
	correcting        map[Key]*Item // the review of the correction that a record's change belongs to
	accepted, refused []Decision
}

// accept makes the decision true for the items after it.
func (w *sorter) accept(d *Decision) {
	if !d.Status.Accepted() {
		w.refused = append(w.refused, *d)
		return
	}
	item := d.Item
	head := w.store.Heads[item.Key()]
	head.Version, head.Position, head.JobID, head.Void = d.Version, 0, d.JobID, item.Void != ""
	if item.Record != nil {
		head.ContractorID = d.ContractorID
	}
	w.store.Heads[item.Key()] = head
	w.store.Contents[VersionKey{item.Key(), d.Version}] = Content{Digest: item.Digest, Texts: item.Texts}
	switch r := item.Record.(type) {
	case *domain.Job:
		job := w.store.Jobs[item.ID]
		fresh := job.Version == 0
		job.Head, job.Record, job.Body = head, *r, item.Body
		job.StartedByCrew = w.caller.Role == domain.Field && item.AppliedBy.IsZero() && (fresh || job.StartedByCrew)
		d.StartedByCrew = job.StartedByCrew
		job.Holders = append(slices.Clip(job.Holders), r.ContractorID)
		w.store.Jobs[item.ID] = job
		if r.State.Open() {
			w.store.OpenHomes[r.HomeID] = true
			if r.ContractorID == w.sender.Contractor {
				w.store.OwnHomes[r.HomeID] = true
			}
		}
	case *domain.RuleSet:
		w.store.RuleSets[item.ID] = r.FromOn
	case *domain.Home:
		w.store.Homes[item.ID] = *r
	case *domain.Contractor:
		delete(w.store.Ended, item.ID)
		if r.EndedOn != "" {
			w.store.Ended[item.ID] = r.EndedOn
		}
	case *domain.Device:
		w.store.Devices[item.ID] = r.State
	case *domain.Measurement:
		w.store.Replaced[item.ID] = ReplaceableOf(r.JobID, r.Method, r.Replaces)
	case *domain.Photo:
		w.store.Replaced[item.ID] = ReplaceableOf(r.JobID, "", r.Replaces)
	case nil:
		delete(w.store.RuleSets, item.ID)
		if item.Kind == domain.JobKind {
			job := w.store.Jobs[item.ID]
			job.Head = head
			w.store.Jobs[item.ID] = job
		}
	}
	w.accepted = append(w.accepted, *d)
	if job := d.moves; job != nil {
		w.accept(&Decision{Item: job, Status: Updated, Version: job.BaseVersion + 1, JobID: d.JobID, Consequence: true})
	}
}

// ReplaceableOf is what a record that replaces another has to fit.
func ReplaceableOf(job domain.UUID, method domain.Method, replaces *domain.UUID) Replaceable {
	r := Replaceable{Job: job, Method: method}
	if replaces != nil {
		r.Replaces = *replaces
	}
	return r
}

// owner is the contractor to whom a record without a job belongs; zero for the
// agency's own. A paper of a member belongs where the member does.
func (w *sorter) owner(record domain.Record) domain.UUID {
	if row, _ := domain.RowOf(record.Kind()); row.Owned {
		for _, ref := range record.Refs() {
			switch ref.Kind {
			case domain.ContractorKind:
				return ref.ID
			case domain.CrewMemberKind:
				return w.store.Heads[Key{ref.Kind, ref.ID}].ContractorID
			}
		}
	}
	return domain.UUID{}
}
