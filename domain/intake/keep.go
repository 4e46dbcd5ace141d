package intake

import (
	"fmt"
	"slices"

	"ductledger/domain"
	"ductledger/domain/ledger"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Keep takes over from a stored body the named members that a newer body
// lacks: an app that is older than a field cannot erase what it does not know.
func Keep(body, stored []byte, names []string) ([]byte, error) {
	newer, older := map[string]jsontext.Value{}, map[string]jsontext.Value{}
	if err := json.Unmarshal(body, &newer); err != nil {
		return nil, fmt.Errorf("read a record: %w", err)
	}
	if err := json.Unmarshal(stored, &older); err != nil {
		return nil, fmt.Errorf("read a stored record: %w", err)
	}
	for _, name := range names {
		if _, sent := newer[name]; sent {
			continue
		}
		if value, known := older[name]; known {
			newer[name] = value
		}
	}
	raw, err := json.Marshal(newer)
	if err != nil {
		return nil, fmt.Errorf("write a record: %w", err)
	}
	return ledger.Canonical(raw)
}

// keepOffice leaves what the office knows as it stands, whatever a crew sends
// there. A job that a crew begins has the program's pay basis, and no fund, day
// or priority yet; a home that it describes first is as it says.
func (w *sorter) keepOffice(item *Item, exists bool) *domain.Error {
	crew := w.caller.Role == domain.Field && item.AppliedBy.IsZero() || !item.AppliedBy.IsZero() && !item.DeviceID.IsZero()
	members := domain.OfficeMembers(item.Kind)
	ofHome := item.Kind == domain.HomeKind
	if !crew || len(members) == 0 || item.Record == nil || ofHome && !exists {
		return nil
	}
	if item.AsSent == nil { // decided again, the body is no longer the one that came
		item.AsSent = item.Body
	}
	body, err := without(item.AsSent, members)
	if err != nil {
		return domain.Errorf(domain.Internal, "the body of a %s: %v", item.Kind, err)
	}
	if ofHome { // put back, and compared, where the stored body is read
		_, texts := domain.SplitTexts(item.Kind, body)
		item.Texts = nil
		for _, t := range texts {
			item.Texts = append(item.Texts, t.Text)
		}
		for _, name := range members {
			if !slices.Contains(item.Keep, name) {
				item.Keep = append(slices.Clip(item.Keep), name)
			}
		}
	} else {
		stands := w.store.Jobs[item.ID].Body
		if !exists {
			basis := item.Record.(*domain.Job).PayBasis
			if set := w.store.InForce; set != nil && set.PayBasis != "" {
				basis = set.PayBasis
			}
			stands = []byte(`{"pay_basis":"` + string(basis) + `"}`)
		}
		if err = item.Overrule(stands); err != nil {
			return domain.Errorf(domain.Internal, "the body of a %s: %v", item.Kind, err)
		}
		if body, err = Keep(body, stands, members); err != nil {
			return domain.Errorf(domain.Internal, "the body of a %s: %v", item.Kind, err)
		}
	}
	if item.Record, err = domain.Decode(item.Kind, body); err != nil {
		return domain.Errorf(domain.Internal, "the body of a %s: %v", item.Kind, err)
	}
	item.Body = body
	return nil
}

// Overrule notes what a crew sent otherwise than the office has it. Both bodies
// are in the form of RFC 8785.
func (i *Item) Overrule(stands []byte) error {
	sent, stored := map[string]jsontext.Value{}, map[string]jsontext.Value{}
	if err := json.Unmarshal(i.AsSent, &sent); err != nil {
		return fmt.Errorf("read a record: %w", err)
	}
	if err := json.Unmarshal(stands, &stored); err != nil {
		return fmt.Errorf("read a stored record: %w", err)
	}
	i.Overruled = nil
	for _, name := range domain.OfficeMembers(i.Kind) {
		if value, is := sent[name]; is && string(value) != string(stored[name]) {
			i.Overruled = append(i.Overruled, name)
		}
	}
	return nil
}

// without is the body without the members.
func without(body []byte, names []string) ([]byte, error) {
	members := map[string]jsontext.Value{}
	if err := json.Unmarshal(body, &members); err != nil {
		return nil, fmt.Errorf("read a record: %w", err)
	}
	for _, name := range names {
		delete(members, name)
	}
	raw, err := json.Marshal(members)
	if err != nil {
		return nil, fmt.Errorf("write a record: %w", err)
	}
	return ledger.Canonical(raw)
}
