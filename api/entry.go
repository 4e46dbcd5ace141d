package api

import (
	"bytes"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// contactLease is how long a device may keep a resident's contact without
// pulling again.
const contactLease = 7 * 24 * time.Hour

// beside is what an answer shows of a record that is no part of its history.
type beside struct {
	op       string            // in the feed
	resident *storage.Resident // of a home
	heard    jsontext.Value    // of a device
}

// entryJSON is an entry as the caller may read it. What staff read is the very
// text that the chain is made of, with the rest beside it.
func (s *Server) entryJSON(caller domain.Caller, e *domain.Entry, more beside) jsontext.Value {
	shown := *e
	if caller.Role == domain.ContractorRole {
		shown.TokenID, shown.AppliedBy, shown.ClockOffsetS, shown.ResidentRevision = domain.UUID{}, domain.UUID{}, nil, 0
		shown.Body = s.freeText[e.Kind].strip(e.Body)
		if e.Void != nil {
			shown.Void = &domain.Void{VoidedAt: e.Void.VoidedAt}
		}
		more.resident = nil
	}
	b := ledger.AppendEntry(nil, &shown)
	b = b[:len(b)-1]
	if more.op != "" {
		b = append(b, `,"op":"`+more.op+`"`...)
	}
	if more.heard != nil {
		b = append(append(b, `,"heard":`...), more.heard...)
	}
	if more.resident != nil {
		if contact, err := json.Marshal(more.resident); err == nil { // three texts cannot fail
			b = append(append(b, `,"resident":`...), contact...)
		}
		if caller.Role == domain.Field {
			b = append(b, `,"contact_until_at":"`+ledger.Stamp(s.now().Add(contactLease))+`"`...)
		}
	}
	return append(b, '}')
}

// freeText names the members of a record in which people write sentences: a
// contractor and the funder do not read them, since a sentence may name a
// resident. An empty tree is a member to leave out.
type freeText map[string]freeText

// freeTexts reads from the contract which members are marked x-free-text.
func freeTexts(c *contract) map[domain.Kind]freeText {
	texts := make(map[domain.Kind]freeText, len(domain.Kinds))
	for _, row := range domain.Kinds {
		texts[row.Kind] = c.freeTextOf(at(c.doc, "components", "schemas", typeName(row.Kind)))
	}
	return texts
}

func (c *contract) freeTextOf(schema any) freeText {
	object := c.behind(schema)
	if items, ok := object["items"]; ok {
		return c.freeTextOf(items)
	}
	properties, _ := object["properties"].(map[string]any)
	tree := freeText{}
	for name, property := range properties {
		// The mark may stand beside the name or in a schema that several share.
		if marked, _ := c.behind(property)["x-free-text"].(bool); marked {
			tree[name] = freeText{}
		} else if within := c.freeTextOf(property); len(within) > 0 {
			tree[name] = within
		}
	}
	return tree
}

// behind is the schema that a $ref names, or the schema itself.
func (c *contract) behind(schema any) map[string]any {
	object, _ := schema.(map[string]any)
	for range longestChain {
		ref, ok := object["$ref"].(string)
		if !ok {
			break
		}
		object, _ = c.resolve(ref).(map[string]any)
	}
	return object
}

// strip leaves the free texts out of a canonical body.
func (t freeText) strip(body []byte) []byte {
	if len(t) == 0 {
		return body
	}
	var out bytes.Buffer
	encoder := jsontext.NewEncoder(&out)
	if err := t.copy(jsontext.NewDecoder(bytes.NewReader(body)), encoder); err != nil {
		return []byte("{}") // a stored body is one JSON object; should it not be, nothing of it is shown
	}
	return bytes.TrimSpace(out.Bytes())
}

func (t freeText) copy(in *jsontext.Decoder, out *jsontext.Encoder) error {
	switch in.PeekKind() {
	case '[':
		return t.copyAll(in, out, ']', func() error { return t.copy(in, out) })
	case '{':
		return t.copyAll(in, out, '}', func() error {
			name, err := in.ReadToken()
			if err != nil {
				return err
			}
			within, named := t[name.String()]
			if named && len(within) == 0 {
				return in.SkipValue()
			}
			if err := out.WriteToken(name.Clone()); err != nil {
				return err
			}
			return within.copy(in, out)
		})
	}
	value, err := in.ReadValue()
	if err != nil {
		return err
	}
	return out.WriteValue(slices.Clone(value))
}

func (t freeText) copyAll(in *jsontext.Decoder, out *jsontext.Encoder, end jsontext.Kind, each func() error) error {
	for range 2 { // the opening, then, after all members, the closing token
		token, err := in.ReadToken()
		if err != nil {
			return err
		}
		if err := out.WriteToken(token); err != nil {
			return err
		}
		if token.Kind() == end {
			return nil
		}
		for in.PeekKind() != end {
			if err := each(); err != nil {
				return err
			}
		}
	}
	return nil
}
