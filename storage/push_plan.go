package storage

import (
	"cmp"
	"slices"

	"ductledger/domain"
	"ductledger/domain/intake"
)

// plan is what a push has to lock and read, as far as its items tell.
type plan struct {
	keys  []intake.Key // the items' own records and what they refer to
	next  []intake.VersionKey
	own   []intake.Key  // the items' own
	came  []intake.Key  // those for which held items wait: what waits for own is asked for too
	jobs  []domain.UUID // whose records are touched
	homes []domain.UUID

	accepts     bool          // a job is to be accepted
	contractors []domain.UUID // of jobs that are new or change hands
	matches     [][]byte
	along       map[domain.UUID]bool // held items that were found to come along
}

func planOf(items []*intake.Item) *plan {
	p := &plan{along: map[domain.UUID]bool{}}
	for _, item := range items {
		p.add(item)
	}
	p.order()
	return p
}

func (p *plan) add(item *intake.Item) {
	if item.Problem != nil {
		return
	}
	p.keys, p.own = append(p.keys, item.Key()), append(p.own, item.Key())
	p.next = append(p.next, intake.VersionKey{Key: item.Key(), Version: item.BaseVersion + 1})
	switch {
	case item.Kind == domain.JobKind:
		p.jobs = append(p.jobs, item.ID)
	case item.Kind == domain.HomeKind:
		p.homes = append(p.homes, item.ID)
	case item.Record != nil && !item.Record.Job().IsZero():
		p.jobs = append(p.jobs, item.Record.Job())
	}
	if item.Record == nil {
		return
	}
	if job, ok := item.Record.(*domain.Job); ok {
		p.contractors = append(p.contractors, job.ContractorID)
	}
	if review, ok := item.Record.(*domain.Review); ok && (review.Decision == domain.Accept || review.Decision == domain.Correct) {
		p.accepts = true
	}
	if match := domain.Match(item.Record); match != nil && item.Kind.OfJob() {
		p.matches = append(p.matches, match)
	}
	for _, ref := range intake.Refs(item.Record) {
		p.keys = append(p.keys, intake.Key{Kind: ref.Kind, ID: ref.ID})
		if ref.Kind == domain.HomeKind {
			p.homes = append(p.homes, ref.ID)
		}
	}
}

func (p *plan) widen(w *wideningError) {
	p.jobs = append(p.jobs, w.jobs...)
	for _, item := range w.along {
		p.add(item)
		p.along[item.HeldID] = true
	}
	p.order()
}

// locked are the records to lock beside the jobs: homes, and the items' own as
// far as they belong to no job, by kind and id.
func (p *plan) locked() (keys []intake.Key) {
	for _, home := range p.homes {
		keys = append(keys, intake.Key{Kind: domain.HomeKind, ID: home})
	}
	for _, key := range p.own {
		if !key.Kind.OfJob() && key.Kind != domain.JobKind {
			keys = append(keys, key)
		}
	}
	slices.SortFunc(keys, func(a, b intake.Key) int { return cmp.Or(cmp.Compare(a.Kind, b.Kind), a.ID.Compare(b.ID)) })
	return slices.Compact(keys)
}

// changesFacts tells whether one of the items changes a record that open jobs
// of others may use.
func (p *plan) changesFacts() bool {
	return slices.ContainsFunc(p.own, func(k intake.Key) bool { return isFact(k.Kind) })
}

// isFact tells the kinds of which open jobs may use a record.
func isFact(kind domain.Kind) bool {
	switch kind {
	case domain.HomeKind, domain.CrewMemberKind, domain.CredentialKind, domain.InstrumentKind:
		return true
	}
	return false
}

// locks tells whether the job is among those that the plan locks.
func (p *plan) locks(job domain.UUID) bool { return slices.Contains(p.jobs, job) }

// order makes the plan a set: the same items in any order lock and read the
// same, in the same order.
func (p *plan) order() {
	byKey := func(a, b intake.Key) int { return cmp.Or(a.ID.Compare(b.ID), cmp.Compare(a.Kind, b.Kind)) }
	set := func(keys []intake.Key) []intake.Key {
		slices.SortFunc(keys, byKey)
		return slices.Compact(keys)
	}
	ids := func(ids []domain.UUID) []domain.UUID {
		slices.SortFunc(ids, domain.UUID.Compare)
		return slices.Compact(ids)
	}
	p.keys, p.own = set(p.keys), set(p.own)
	p.came = set(append(p.came, p.own...))
	p.jobs, p.homes, p.contractors = ids(p.jobs), ids(p.homes), ids(p.contractors)
}

// columns are keys as two array arguments.
func columns(keys []intake.Key) (kinds []string, ids [][16]byte) {
	kinds, ids = make([]string, len(keys)), make([][16]byte, len(keys))
	for i, k := range keys {
		kinds[i], ids[i] = string(k.Kind), k.ID
	}
	return kinds, ids
}
