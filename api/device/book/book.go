// Package book holds the service to its word, as an auditor would who has
// nothing but the feed and what the phones were told: it reads a program's
// whole ledger, recomputes the chain, and finds each accepted item in it.
package book

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"

	"ductledger/api/wire"
	"ductledger/domain"

	"github.com/go-json-experiment/json/jsontext"
)

// Version is one entry of the ledger as staff read it.
type Version struct {
	Kind       domain.Kind
	ID         domain.UUID
	Version    int64
	Position   int64
	JobID      domain.UUID `json:"job_id"`
	RecordedAt string      `json:"recorded_at"`
	Void       *struct{ Reason string }
	Record     json.RawMessage
	Resident   json.RawMessage
}

// Key names the record.
func (v *Version) Key() string { return keyOf(v.Kind, v.ID) }

func keyOf(kind domain.Kind, id domain.UUID) string { return string(kind) + "/" + id.String() }

// Content is the record in canonical form; of a void its reason.
func (v *Version) Content() string { return contentOf(v.Void, v.Record) }

func contentOf(void *struct{ Reason string }, record []byte) string {
	if void != nil {
		return "void: " + void.Reason
	}
	return Canonical(record)
}

// Canonical is a JSON text in the form of RFC 8785.
func Canonical(text []byte) string {
	value := jsontext.Value(text).Clone()
	if err := value.Canonicalize(); err != nil {
		return "no JSON: " + string(text)
	}
	return string(value)
}

// Held is an item that was not accepted, as staff read it.
type Held struct {
	HeldID      string `json:"held_id"`
	State       string
	Kind, ID    string
	Code        string
	BaseVersion int64 `json:"base_version"`
	Record      json.RawMessage
	Void        *struct{ Reason string }
}

// Key names the record that the item was meant for.
func (h *Held) Key() string { return h.Kind + "/" + h.ID }

// Content is what the item would have made.
func (h *Held) Content() string { return contentOf(h.Void, h.Record) }

// Book is a whole ledger.
type Book struct {
	Versions map[string][]*Version // by record, from version 1
	Order    []string              // records by their first position
	Held     []Held
}

// Get reads an address of the service as staff.
type Get func(path string, into any) error

// Read reads the ledger and what is held, and says what breaks the rules of a
// ledger: positions without a gap, each record's versions from 1 on, each once,
// times that never go back, and a chain of SHA-256 over the canonical entries
// from 32 zero bytes to the head.
func Read(get Get) (b *Book, broken []string, err error) {
	b = &Book{Versions: map[string][]*Version{}}
	note := func(format string, args ...any) { broken = append(broken, fmt.Sprintf(format, args...)) }
	var link [32]byte
	position, recorded := int64(0), ""
	for more := true; more; {
		var page struct {
			Items []json.RawMessage
			More  bool
		}
		if err := get(fmt.Sprintf("/v1/changes?versions=all&limit=500&after=%d", position), &page); err != nil {
			return nil, nil, err
		}
		more = page.More
		for _, text := range page.Items {
			v := &Version{}
			plain, err := asLinked(text, v)
			if err != nil {
				return nil, nil, fmt.Errorf("no entry: %w: %s", err, text)
			}
			link = sha256.Sum256(append(link[:], plain...))
			if position++; v.Position != position {
				note("position %d follows %d", v.Position, position-1)
			}
			if v.RecordedAt < recorded {
				note("position %d was recorded at %s, the one before at %s", position, v.RecordedAt, recorded)
			}
			recorded = v.RecordedAt
			key := v.Key()
			if b.Versions[key] == nil {
				b.Order = append(b.Order, key)
			}
			b.Versions[key] = append(b.Versions[key], v)
			if n := len(b.Versions[key]); v.Version != int64(n) {
				note("%s: version %d is the %d. in the ledger", key, v.Version, n)
			}
		}
	}
	var start struct {
		HeadPosition int64  `json:"head_position"`
		HeadLink     string `json:"head_link"`
	}
	if err := get("/v1/sync", &start); err != nil {
		return nil, nil, err
	}
	if start.HeadPosition != position || start.HeadLink != hex.EncodeToString(link[:]) {
		note("the head is %d %s, recomputed %d %x", start.HeadPosition, start.HeadLink, position, link)
	}
	for _, state := range []string{"open", "waiting", "applied", "closed", "dismissed"} {
		list, err := HeldIn(get, state)
		if err != nil {
			return nil, nil, err
		}
		b.Held = append(b.Held, list...)
	}
	return b, broken, nil
}

// HeldIn lists what is held in a state.
func HeldIn(get Get, state string) (all []Held, err error) {
	for after := ""; ; {
		var page struct {
			Items []Held
			Next  string
		}
		if err := get("/v1/held?limit=500&state="+state+after, &page); err != nil {
			return nil, err
		}
		all = append(all, page.Items...)
		if page.Next == "" {
			return all, nil
		}
		after = "&after=" + url.QueryEscape(page.Next)
	}
}

// asLinked is what the chain holds of an entry: without what the feed adds, and
// with its free texts left empty.
func asLinked(text []byte, v *Version) ([]byte, error) {
	var members map[string]json.RawMessage
	if err := errors.Join(json.Unmarshal(text, v), json.Unmarshal(text, &members)); err != nil {
		return nil, err
	}
	for _, added := range []string{"op", "resident", "texts_salt"} {
		delete(members, added)
	}
	if record := members["record"]; record != nil {
		members["record"], _ = domain.SplitTexts(v.Kind, []byte(Canonical(record)))
	}
	var void map[string]string
	if json.Unmarshal(members["void"], &void) == nil && void != nil {
		void["reason"] = ""
		members["void"], _ = json.Marshal(void) // strings always can
	}
	plain, err := json.Marshal(members)
	return []byte(Canonical(plain)), err
}

// Newest is a record's newest version.
func (b *Book) Newest(key string) *Version { return b.Versions[key][len(b.Versions[key])-1] }

// Told is an item with what its sender was answered about it.
type Told struct {
	Item   wire.Item
	Answer wire.ItemAnswer
}

// Key names the record.
func (t *Told) Key() string { return keyOf(t.Item.Kind, t.Item.ID) }

// Content is what was sent.
func (t *Told) Content() string {
	if t.Item.Void != nil {
		return "void: " + t.Item.Void.Reason
	}
	return Canonical(t.Item.Record.Raw)
}

// Accepted tells the answers by which a version stands in the ledger.
func (t *Told) Accepted() bool {
	return t.Answer.Status == "created" || t.Answer.Status == "updated" || t.Answer.Status == "replayed"
}

// Lacks says what the service has not kept of an answer: an accepted version
// stands in the ledger with its content, and what was refused is held. It is
// empty where the service kept its word.
func (b *Book) Lacks(t *Told) string {
	key, versions, n := t.Key(), b.Versions[t.Key()], t.Answer.Version
	switch {
	case t.Accepted():
		if n < 1 || n > int64(len(versions)) || versions[n-1].Content() != t.Content() {
			return fmt.Sprintf("%s for %s version %d, and the ledger has it not: %s", t.Answer.Status, key, n, t.Content())
		}
	case t.Answer.Status == "retry":
	case t.Answer.HeldID == nil || !b.holds(t.Answer.HeldID.String()):
		return fmt.Sprintf("%q for %s, and it is not held: %s", t.Answer.Status, key, t.Content())
	}
	return ""
}

func (b *Book) holds(id string) bool {
	for i := range b.Held {
		if b.Held[i].HeldID == id {
			return true
		}
	}
	return false
}

// Log is a link that notes what is answered about each item that goes over it.
type Log struct {
	Link http.RoundTripper
	Note func(Told)
}

// RoundTrip sends a request and notes its answer.
func (l *Log) RoundTrip(r *http.Request) (*http.Response, error) {
	var sent []byte
	if r.Body != nil {
		var err error
		if sent, err = io.ReadAll(r.Body); err != nil {
			return nil, err
		}
		r.Body = io.NopCloser(bytes.NewReader(sent))
	}
	response, err := l.Link.RoundTrip(r)
	if err != nil || response.StatusCode != http.StatusMultiStatus {
		return response, err
	}
	text, err := io.ReadAll(response.Body)
	_ = response.Body.Close()
	if err != nil {
		return nil, err
	}
	response.Body = io.NopCloser(bytes.NewReader(text))
	var batch struct{ Items []wire.Item }
	var answer struct{ Items []wire.ItemAnswer }
	if err := errors.Join(json.Unmarshal(sent, &batch), json.Unmarshal(text, &answer)); err != nil {
		return nil, err
	}
	if len(batch.Items) != len(answer.Items) {
		return nil, fmt.Errorf("%d items were sent, %d answered", len(batch.Items), len(answer.Items))
	}
	for i := range batch.Items {
		l.Note(Told{batch.Items[i], answer.Items[i]})
	}
	return response, nil
}
