package rules

import (
	"slices"

	"ductledger/domain"
)

// inForce keeps the records that count. A record is superseded as soon as one
// that is not voided replaces it, whatever happened to that one since: a
// correction of a correction does not bring the first reading back. Where two
// in force replace one, nothing can be computed from either until one of them
// is voided or itself replaced.
func inForce[T any](a *Assembled, all []Of[T], replaces func(*T) *domain.UUID) []Of[T] {
	var replacing []Of[T]
	for _, o := range all {
		if replaces(o.Record) != nil {
			replacing = append(replacing, o)
		}
	}
	if len(replacing) == 0 {
		return all
	}
	superseded := func(id domain.UUID) bool {
		return slices.ContainsFunc(replacing, func(o Of[T]) bool { return *replaces(o.Record) == id && o.ID != id })
	}
	standing := make([]Of[T], 0, len(all))
	for _, o := range all {
		if superseded(o.ID) {
			a.Superseded = append(a.Superseded, o.Entry)
		} else {
			standing = append(standing, o)
		}
	}
	rivals := func(id domain.UUID) (by []*domain.Entry) {
		for _, o := range standing {
			if r := replaces(o.Record); r != nil && *r == id {
				by = append(by, o.Entry)
			}
		}
		return by
	}
	counted := standing[:0:0]
	for _, o := range standing {
		r := replaces(o.Record)
		if r == nil {
			counted = append(counted, o)
			continue
		}
		by := rivals(*r)
		if len(by) < 2 {
			counted = append(counted, o)
		} else if by[0].ID == o.ID {
			a.Disputed = append(a.Disputed, Dispute{o.Entry.Record.Kind(), *r, by})
		}
	}
	return counted
}
