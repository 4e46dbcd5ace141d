package api

import (
	stdjson "encoding/json"
	"fmt"
	"slices"

	"ductledger/api/frame"
	"ductledger/api/wire"
	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/ledger"
	"ductledger/domain/rules"

	"github.com/go-json-experiment/json/jsontext"
)

// newItem takes one item of a batch through all sieves: the shape of an item,
// the schema of its kind, the struct, what needs two fields. value is raw as a
// tree, faults are what strict decoding already found in it. A bad item comes
// back with its problem; pointers run from the item.
func (s *Server) newItem(raw jsontext.Value, value any, faults []domain.Fault, schema int) *intake.Item {
	item := &intake.Item{Raw: raw}
	faults = append(faults, s.contract.CheckSchema("BatchItem", value)...)
	object, _ := value.(map[string]any)
	item.Kind, item.ID, item.BaseVersion = keyOf(object)
	row, known := domain.RowOf(item.Kind)
	record, hasRecord := object["record"]
	_, hasVoid := object["void"]
	if len(faults) == 0 && hasRecord == hasVoid {
		faults = append(faults, domain.Fault{Pointer: "/record", Code: "required", Detail: "an item has either record or void"})
	}
	if known && hasRecord {
		for _, f := range s.contract.CheckSchema(typeName(item.Kind), record) {
			f.Pointer = "/record" + f.Pointer
			faults = append(faults, f)
		}
	}
	if len(faults) == 0 {
		faults = s.fill(item, row, raw)
		item.Keep = s.newer[item.Kind].than(schema)
	}
	if len(faults) > 0 {
		frame.SortFaults(faults)
		item.Problem = domain.InvalidFields(faults).(*domain.Error)
		item.Record, item.Void = nil, ""
	}
	return item
}

// fill decodes what the schema has passed.
func (s *Server) fill(item *intake.Item, row domain.KindRow, raw jsontext.Value) []domain.Fault {
	var sent wire.Item
	if err := frame.DecodeInto(raw, &sent); err != nil {
		return faultsOf(err, "")
	}
	if sent.Resolves != nil {
		item.Resolves = *sent.Resolves
	}
	if sent.Void != nil {
		item.TakeVoid(sent.Void.Reason)
		return nil
	}
	return s.fillRecord(item, row, sent.Record, "/record")
}

// fillRecord decodes and checks the record alone; at is where it stands.
func (s *Server) fillRecord(item *intake.Item, row domain.KindRow, raw []byte, at string) []domain.Fault {
	record := row.New()
	if err := frame.DecodeInto(raw, record); err != nil {
		return faultsOf(err, at)
	}
	faults := s.checker.Record(record)
	switch r := record.(type) {
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
	if len(faults) > 0 {
		for i := range faults {
			faults[i].Pointer = at + faults[i].Pointer
		}
		return faults
	}
	body, err := ledger.Canonical(raw)
	if err != nil {
		return []domain.Fault{{Pointer: at, Code: "not_canonical", Detail: "the record has no canonical form"}}
	}
	item.Take(record, body)
	return nil
}

// ruleFaults refuses to settle a finding of a rule that there is not.
func ruleFaults(key string) []domain.Fault {
	if slices.Contains(rules.Keys(), key) {
		return nil
	}
	return []domain.Fault{{Pointer: "/finding/rule", Code: "unknown_rule", Detail: fmt.Sprintf("%.60q is no rule", key), Fix: "name the rule of the finding"}}
}

func faultsOf(err error, at string) []domain.Fault {
	e := frame.Shown(err)
	if len(e.Faults) == 0 {
		return []domain.Fault{{Pointer: at, Code: string(e.Code), Detail: e.Detail}}
	}
	for i := range e.Faults {
		e.Faults[i].Pointer = at + e.Faults[i].Pointer
	}
	return e.Faults
}

// keyOf reads what can be read of an item that may be bad, so that it can be
// held and found again.
func keyOf(object map[string]any) (domain.Kind, domain.UUID, int64) {
	kind, _ := object["kind"].(string)
	text, _ := object["id"].(string)
	id, err := domain.ParseUUID(text)
	if err != nil {
		id = domain.UUID{}
	}
	if _, known := domain.RowOf(domain.Kind(kind)); !known {
		kind = ""
	}
	number, _ := object["base_version"].(stdjson.Number)
	base, err := number.Int64()
	if err != nil || base < 0 {
		base = 0
	}
	return domain.Kind(kind), id, base
}

// envelope is the bytes of an item as a batch would have brought it, for what
// came by a PUT or a void address.
func envelope(kind domain.Kind, id domain.UUID, base int64, member string, content []byte) []byte {
	return fmt.Appendf(nil, `{"kind":%q,"id":%q,"base_version":%d,%q:%s}`, kind, id, base, member, content)
}

// newer tells since which revision of the contract each member of a record is
// known, of those that were not there from the first.
type newer map[string]int

// newers reads x-since from the contract.
func newers(c *frame.Contract) map[domain.Kind]newer {
	all := map[domain.Kind]newer{}
	for _, row := range domain.Kinds {
		properties, _ := frame.At(c.Doc, "components", "schemas", typeName(row.Kind), "properties").(map[string]any)
		for name, property := range properties {
			number, _ := frame.At(property, "x-since").(stdjson.Number)
			if since, err := number.Int64(); err == nil {
				if all[row.Kind] == nil {
					all[row.Kind] = newer{}
				}
				all[row.Kind][name] = int(since)
			}
		}
	}
	return all
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
