//go:build linux

package main

import (
	"strings"
	"testing"

	"ductledger/api/device/book"
	"ductledger/api/strict"
	"ductledger/api/wire"
	"ductledger/domain"
)

// The oracle is silent where the service kept its word, and names each way in
// which it may not have.
func TestTheOracleNamesWhatIsWrong(t *testing.T) {
	var id, parent, other domain.UUID
	id[15], parent[15], other[15] = 1, 2, 3
	const first, second = `{"found":"leaky"}`, `{"found":"tight"}`
	version := func(id domain.UUID, n int64, record string) *book.Version {
		return &book.Version{Kind: domain.ComponentKind, ID: id, Version: n, Record: []byte(record)}
	}
	told := func(id domain.UUID, record, status string, n int64, held *domain.UUID) book.Told {
		return book.Told{Item: wire.Item{Kind: domain.ComponentKind, ID: id, Record: strict.Record{Raw: []byte(record)}}, Answer: wire.ItemAnswer{Status: status, Version: n, HeldID: held}}
	}
	heldAs := func(id domain.UUID, state, code, record string) book.Held {
		return book.Held{HeldID: other.String(), State: state, Code: code, Kind: string(domain.ComponentKind), ID: id.String(), Record: []byte(record)}
	}
	refers := `{"target":"` + parent.String() + `"}`
	job := func(n int64, record string) *book.Version {
		return &book.Version{Kind: domain.JobKind, ID: id, Version: n, Record: []byte(record)}
	}
	toldOf := func(kind domain.Kind, id domain.UUID, record string) book.Told {
		one := told(id, record, "created", 1, nil)
		one.Item.Kind = kind
		return one
	}
	const sentIn, accepted, accept = `{"outcome":"completed","state":"sent_in"}`, `{"outcome":"completed","state":"accepted"}`, `{"decision":"accept"}`
	review := &book.Version{Kind: domain.ReviewKind, ID: other, JobID: id, Version: 1, Record: []byte(accept)}
	toldOfBoth := []book.Told{toldOf(domain.JobKind, id, sentIn), toldOf(domain.ReviewKind, other, accept)}
	for _, row := range []struct {
		name  string
		book  []*book.Version
		held  []book.Held
		told  []book.Told
		wants string // the beginning of the one finding; "": none
	}{
		{"kept", []*book.Version{version(id, 1, first), version(id, 2, second)}, nil,
			[]book.Told{told(id, first, "created", 1, nil), told(id, second, "updated", 2, nil), told(id, second, "replayed", 2, nil)}, ""},
		{"not there", nil, nil, []book.Told{told(id, first, "created", 1, nil)}, "lost:"},
		{"another content", []*book.Version{version(id, 1, second)}, nil, []book.Told{told(id, first, "replayed", 1, nil)}, "lost:"},
		{"refused and not held", nil, nil, []book.Told{told(id, first, "rejected", 0, &other)}, "lost:"},
		{"refused and no word of where it is", nil, []book.Held{heldAs(id, "closed", "", first)}, []book.Told{told(id, first, "conflict", 0, nil)}, "lost:"},
		{"no answer", nil, nil, []book.Told{told(id, first, "", 0, nil)}, "lost:"},
		{"twice", []*book.Version{version(id, 1, first), version(id, 2, first)}, nil, []book.Told{told(id, first, "created", 1, nil)}, "doubled:"},
		{"a record that nobody sent", []*book.Version{version(id, 1, first)}, nil, nil, "doubled:"},
		{"applied once", []*book.Version{version(id, 1, first)}, []book.Held{heldAs(id, "applied", "", first)}, []book.Told{told(id, first, "waiting", 0, &other)}, ""},
		{"applied twice", []*book.Version{version(id, 1, first), version(id, 2, first)}, []book.Held{heldAs(id, "applied", "", first)},
			[]book.Told{told(id, first, "waiting", 0, &other)}, "doubled:"},
		{"waits for what is not there", nil, []book.Held{heldAs(id, "waiting", "", refers)}, []book.Told{told(id, refers, "waiting", 0, &other)}, ""},
		{"waits for what is there", []*book.Version{version(parent, 1, first)}, []book.Held{heldAs(id, "waiting", "", refers)},
			[]book.Told{told(parent, first, "created", 1, nil), told(id, refers, "waiting", 0, &other)}, "stuck:"},
		{"held for no reason", nil, []book.Held{heldAs(id, "open", string(domain.VersionConflict), first)}, []book.Told{told(id, first, "conflict", 0, &other)}, "stuck:"},
		{"a job that a review moved", []*book.Version{job(1, sentIn), job(2, accepted), review}, nil, toldOfBoth, ""},
		{"moved twice", []*book.Version{job(1, sentIn), job(2, accepted), job(3, accepted), review}, nil, toldOfBoth, "doubled:"},
		{"moved by nobody", []*book.Version{job(1, sentIn), job(2, accepted)}, nil, toldOfBoth[:1], "doubled:"},
		{"a review without its move", []*book.Version{job(1, sentIn), review}, nil, toldOfBoth, "half:"},
		{"held, since it is wrong", nil, []book.Held{heldAs(id, "open", "invalid", `{"found":"crooked"}`)},
			[]book.Told{told(id, `{"found":"crooked"}`, "rejected", 0, &other)}, ""},
	} {
		b := &book.Book{Versions: map[string][]*book.Version{}, Held: row.held}
		for _, v := range row.book {
			if b.Versions[v.Key()] == nil {
				b.Order = append(b.Order, v.Key())
			}
			b.Versions[v.Key()] = append(b.Versions[v.Key()], v)
		}
		found := compare(b, row.told)
		if row.wants == "" && len(found) > 0 || row.wants != "" && (len(found) != 1 || !strings.HasPrefix(found[0], row.wants)) {
			t.Errorf("%s: found %q, want one that begins with %q", row.name, found, row.wants)
		}
	}
}
