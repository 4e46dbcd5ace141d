package rules

import (
	"iter"
	"slices"

	"ductledger/domain"
)

// standing takes from each repair the parts that a later one did again. What
// names no part does all of the earlier one again. Records are copied before
// they are changed.
func (a *Assembled) standing() {
	if !slices.ContainsFunc(a.Repairs, func(r Of[domain.Repair]) bool { return r.Record.RedoesID != nil }) {
		return
	}
	all := a.Repairs
	again := slices.Clone(all)
	for i, r := range all {
		if r.Record.RedoesID == nil {
			continue
		}
		n := slices.IndexFunc(all, func(o Of[domain.Repair]) bool { return o.ID == *r.Record.RedoesID })
		if n < 0 || !r.Record.DoneAt.After(all[n].Record.DoneAt) {
			continue
		}
		if len(r.Record.ComponentIDs) == 0 && r.Record.CrossoverID == nil {
			whole := *r.Record
			whole.ComponentIDs, whole.CrossoverID = all[n].Record.ComponentIDs, all[n].Record.CrossoverID
			r.Record, again[i].Record = &whole, &whole
		}
		rest := *again[n].Record
		rest.ComponentIDs = slices.DeleteFunc(slices.Clone(rest.ComponentIDs), func(id domain.UUID) bool { return slices.Contains(r.Record.ComponentIDs, id) })
		if rest.CrossoverID != nil && r.Record.CrossoverID != nil && *rest.CrossoverID == *r.Record.CrossoverID {
			rest.CrossoverID = nil
		}
		again[n].Record = &rest
	}
	a.Repairs = make([]Of[domain.Repair], 0, len(all))
	for i, r := range again {
		if len(r.Record.ComponentIDs) == 0 && r.Record.CrossoverID == nil && (len(all[i].Record.ComponentIDs) > 0 || all[i].Record.CrossoverID != nil) {
			a.Redone = append(a.Redone, all[i])
		} else {
			a.Repairs = append(a.Repairs, r)
		}
	}
}

// done yields all repairs, those too that were done again: how people worked
// is judged of each.
func (a *Assembled) done() iter.Seq[Of[domain.Repair]] {
	return func(yield func(Of[domain.Repair]) bool) {
		for _, r := range a.Repairs {
			if !yield(r) {
				return
			}
		}
		for _, r := range a.Redone {
			if !yield(r) {
				return
			}
		}
	}
}
