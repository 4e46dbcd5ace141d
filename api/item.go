package api

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"ductledger/api/strict"
	"ductledger/api/wire"
	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/ledger"
	"ductledger/domain/rules"
)

// newItem makes an item of what was read, with its problem if it has one;
// pointers run from the item.
func (s *Server) newItem(sent *wire.Item, schema int) *intake.Item {
	item := &intake.Item{Kind: sent.Kind, ID: sent.ID, BaseVersion: sent.BaseVersion, Raw: sent.Raw}
	hasRecord := sent.Record.Raw != nil
	shaped := !slices.ContainsFunc(sent.Faults.List, func(f domain.Fault) bool { return !strings.HasPrefix(f.Pointer, "/record/") })
	if shaped && hasRecord == (sent.Void != nil) {
		sent.Faults.List = append([]domain.Fault{{Pointer: "/record", Code: "required", Detail: "an item has either record or void"}}, sent.Faults.List...)
	}
	if len(sent.Faults.List) > 0 {
		return refusedItem(item, sent.Faults)
	}
	if sent.Resolves != nil {
		item.Resolves = *sent.Resolves
	}
	item.Keep = s.newer[item.Kind].than(schema)
	if sent.Void != nil {
		item.TakeVoid(sent.Void.Reason)
		return item
	}
	return s.withRecord(item, sent.Record, "/record")
}

// withRecord judges what needs two fields and takes the record in.
func (s *Server) withRecord(item *intake.Item, record strict.Record, at string) *intake.Item {
	faults := s.checker.Record(record.Value)
	switch r := record.Value.(type) {
	case *domain.RuleSet:
		_, unknown := rules.NewSet(item.ID, r)
		faults = append(faults, unknown...)
	case *domain.Waiver:
		faults = append(faults, ruleFaults(r.Finding.Rule)...)
	case *domain.Review:
		if r.Decision == domain.Answer && r.Finding != nil {
			faults = append(faults, ruleFaults(r.Finding.Rule)...)
		}
	}
	body, err := ledger.Canonical(record.Raw)
	if err != nil {
		faults = append(faults, domain.Fault{Code: "not_canonical", Detail: "the record has no canonical form"})
	}
	if len(faults) > 0 {
		for i := range faults {
			faults[i].Pointer = at + faults[i].Pointer
		}
		strict.SortFaults(faults)
		return refusedItem(item, strict.Faults{List: faults})
	}
	item.Take(record.Value, body)
	return item
}

// refusedItem is an item with faults.
func refusedItem(item *intake.Item, faults strict.Faults) *intake.Item {
	errors.As(faults.Err(), &item.Problem)
	return item
}

// ruleFaults refuses to settle a finding of a rule that there is not.
func ruleFaults(key string) []domain.Fault {
	if slices.Contains(rules.Keys(), key) {
		return nil
	}
	return []domain.Fault{{Pointer: "/finding/rule", Code: "unknown_rule", Detail: fmt.Sprintf("%.60q is no rule", key), Fix: "name the rule of the finding"}}
}

// envelope is the bytes of an item as a batch would have brought it, for what
// came by a PUT or a void address.
func envelope(kind domain.Kind, id domain.UUID, base int64, member string, content []byte) []byte {
	return fmt.Appendf(nil, `{"kind":%q,"id":%q,"base_version":%d,%q:%s}`, kind, id, base, member, content)
}

// newer tells since which revision of the contract each member of a record is
// known, of those that were not there from the first.
type newer map[string]int

// newers are the fields of each kind that came with a later revision of the contract.
func newers() (map[domain.Kind]newer, error) {
	all := map[domain.Kind]newer{}
	for _, row := range domain.Kinds {
		fields, err := strict.Fields(reflect.TypeOf(row.New()).Elem())
		if err != nil {
			return nil, err
		}
		all[row.Kind] = newer{}
		for _, f := range fields {
			if f.Since > 0 {
				all[row.Kind][f.Name] = f.Since
			}
		}
	}
	return all, nil
}

// than lists the members that an app of a revision does not know.
func (n newer) than(schema int) (names []string) {
	for name, since := range n {
		if since > schema {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}
