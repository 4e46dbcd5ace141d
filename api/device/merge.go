package device

import (
	"bytes"
	"maps"
	"slices"

	"ductledger/domain"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Contest is a field that two people changed at once: the service's value
// stands, and the crew is shown both.
type Contest struct {
	Field  string         `json:"field"`
	Ours   jsontext.Value `json:"ours,omitzero"`
	Stands jsontext.Value `json:"stands,omitzero"`
}

// conflict makes the next content of a record that was changed meanwhile.
func (d *Device) conflict(n *note, currentText jsontext.Value) {
	own := n.Sending
	if n.Draft != nil { // what is newer counts; it began at the same version
		newer := *n.Draft
		newer.From = own.From
		own = &newer
	}
	n.Sending, n.Draft = nil, nil
	var current entry
	if currentText != nil && json.Unmarshal(currentText, &current) != nil {
		current = entry{}
	}
	d.mark.toldOf(current.Position)
	if n.Once > 0 && current.Version < n.Once {
		// The service lost history and holds an ancestor, or nothing at all.
		n.Draft = &draft{Base: current.Version, From: current.Record, Record: own.Record, Void: own.Void, Resolves: n.HeldID, WrittenAt: own.WrittenAt}
		n.Version, n.Record = current.Version, current.Record
		return
	}
	if current.Version == 0 { // not to be seen: it stays held for a person
		n.Sent, n.SentVersion = own, 0
		return
	}
	n.Version, n.Record, n.Voided = current.Version, current.Record, current.Void != nil
	next := &draft{Base: current.Version, From: current.Record, Record: own.Record, Void: own.Void, Resolves: n.HeldID, WrittenAt: own.WrittenAt}
	switch {
	case current.Void != nil: // somebody else voided it: that stands
		n.Contested = append(n.Contested, Contest{Field: "void", Ours: own.Record, Stands: currentText})
		n.Sent, n.SentVersion = own, 0
		return
	case own.Void != "", !current.DeviceID.IsZero() && current.DeviceID == d.o.ID: // our own earlier push
	default:
		merged, contested := merge(own.From, own.Record, current.Record)
		next.Record, n.Contested = merged, contested
		if len(contested) > 0 {
			next.Resolves = nil
		}
	}
	n.Draft = next
}

// merge lays the fields that we changed over what stands. A field that both
// changed, and not alike, is contested and stays as it stands.
func merge(from, ours, stands jsontext.Value) (merged jsontext.Value, contested []Contest) {
	a, b, c := fields(from), fields(ours), fields(stands)
	result := maps.Clone(c)
	names := slices.Sorted(maps.Keys(b))
	for name := range a {
		if _, kept := b[name]; !kept {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	for _, name := range names {
		switch {
		case same(a[name], b[name]) || same(b[name], c[name]): // not changed by us, or alike
		case same(a[name], c[name]): // changed by us alone
			if b[name] == nil {
				delete(result, name)
			} else {
				result[name] = b[name]
			}
		default:
			contested = append(contested, Contest{name, b[name], c[name]})
		}
	}
	text, err := json.Marshal(result, json.Deterministic(true))
	if err != nil {
		return stands, contested
	}
	return text, contested
}

func fields(text jsontext.Value) map[string]jsontext.Value {
	m := map[string]jsontext.Value{}
	if text != nil && json.Unmarshal(text, &m) != nil {
		return map[string]jsontext.Value{}
	}
	return m
}

// same compares two values by content, whatever the order of their keys.
func same(a, b jsontext.Value) bool {
	if a == nil || b == nil {
		return a == nil && b == nil
	}
	x, y := a.Clone(), b.Clone()
	return x.Canonicalize() == nil && y.Canonicalize() == nil && bytes.Equal(x, y)
}

// entry is what the device reads of an entry; what it does not know it skips.
type entry struct {
	Op           string         `json:"op"`
	Kind         domain.Kind    `json:"kind"`
	ID           domain.UUID    `json:"id"`
	Version      int64          `json:"version"`
	Position     int64          `json:"position"`
	JobID        domain.UUID    `json:"job_id"`
	DeviceID     domain.UUID    `json:"device_id"`
	Void         jsontext.Value `json:"void"`
	Record       jsontext.Value `json:"record"`
	Resident     jsontext.Value `json:"resident"`
	ContactUntil jsontext.Value `json:"contact_until_at"`
	Reason       string         `json:"reason"`
}
