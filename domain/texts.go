package domain

import (
	"bytes"
	"reflect"
	"strings"

	"github.com/go-json-experiment/json/jsontext"
)

// Free texts are the sentences that people write. They stand apart from the
// record, so that one can be erased and the chain still verifies: in the body
// each leaves an empty string, which no text of its own can be.
//
// Which members are free texts is said by the tag text:"free" of their fields.

// ErasedText stands where a text was that has been erased.
const ErasedText = "(erased)"

// texts names the members that are free texts: a leaf is one, anything else
// leads to some.
type texts map[string]textsWithin

type textsWithin struct {
	texts
	mark []byte // how the member begins in a canonical body
}

func within(name string, texts texts) textsWithin {
	return textsWithin{texts, []byte(`"` + name + `":`)}
}

var textsOf = func() map[Kind]texts {
	all := make(map[Kind]texts, len(Kinds))
	for _, row := range Kinds {
		all[row.Kind] = textsIn(reflect.TypeOf(row.New()))
	}
	return all
}()

func textsIn(t reflect.Type) texts {
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	tree := texts{}
	if t.Kind() != reflect.Struct {
		return tree
	}
	for i := range t.NumField() {
		f := t.Field(i)
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		if f.Tag.Get("text") == "free" {
			tree[name] = within(name, nil)
		} else if inner := textsIn(f.Type); len(inner) > 0 {
			tree[name] = within(name, inner)
		}
	}
	return tree
}

// A Text is one free text of a record.
type Text struct {
	Pointer string // JSON Pointer in the record
	Text    string
}

// SplitTexts takes the free texts out of a canonical body, in the order in
// which they stand there. bare is canonical too.
func SplitTexts(kind Kind, body []byte) (bare []byte, list []Text) {
	bare = eachText(kind, body, func(pointer, text string) (string, bool) {
		list = append(list, Text{pointer, text})
		return "", true
	})
	return bare, list
}

// JoinTexts puts the texts back into a body from which SplitTexts took them;
// where there are none left, each place says that its text was erased.
func JoinTexts(kind Kind, bare []byte, list []string) []byte {
	return eachText(kind, bare, func(_, text string) (string, bool) {
		switch {
		case text != "": // was no free text yet when it was stored
			return text, true
		case len(list) == 0:
			return ErasedText, true
		}
		text, list = list[0], list[1:]
		return text, true
	})
}

// WithoutTexts leaves the members that are free texts out of a canonical body.
func WithoutTexts(kind Kind, body []byte) []byte {
	return eachText(kind, body, func(string, string) (string, bool) { return "", false })
}

// eachText writes the body again with another text in the place of each, or
// without the member.
func eachText(kind Kind, body []byte, use func(pointer, text string) (string, bool)) []byte {
	if !textsOf[kind].in(body) {
		return body
	}
	var out bytes.Buffer
	w := textWriter{in: jsontext.NewDecoder(bytes.NewReader(body)), out: jsontext.NewEncoder(&out), use: use}
	if err := w.copy(textsOf[kind]); err != nil {
		return []byte("{}") // a stored body is one JSON object; should it not be, nothing of it is told
	}
	return bytes.TrimSpace(out.Bytes())
}

// in tells whether one of the names stands in the body.
func (t texts) in(body []byte) bool {
	for _, member := range t {
		if bytes.Contains(body, member.mark) && (member.texts == nil || member.in(body)) {
			return true
		}
	}
	return false
}

type textWriter struct {
	in  *jsontext.Decoder
	out *jsontext.Encoder
	use func(pointer, text string) (string, bool)
}

func (w *textWriter) copy(tree texts) error {
	switch w.in.PeekKind() {
	case '[':
		return w.within(']', func() error { return w.copy(tree) })
	case '{':
		return w.within('}', func() error { return w.member(tree) })
	}
	return w.value()
}

func (w *textWriter) value() error {
	value, err := w.in.ReadValue()
	if err != nil {
		return err
	}
	return w.out.WriteValue(value.Clone())
}

func (w *textWriter) member(tree texts) error {
	token, err := w.in.ReadToken()
	if err != nil {
		return err
	}
	name := token.String()
	inner, named := tree[name]
	if !named || inner.texts != nil || w.in.PeekKind() != '"' {
		if err := w.out.WriteToken(jsontext.String(name)); err != nil {
			return err
		}
		if len(inner.texts) == 0 {
			return w.value()
		}
		return w.copy(inner.texts)
	}
	if token, err = w.in.ReadToken(); err != nil {
		return err
	}
	text, stays := w.use(string(w.in.StackPointer()), token.String())
	if !stays {
		return nil
	}
	if err := w.out.WriteToken(jsontext.String(name)); err != nil {
		return err
	}
	return w.out.WriteToken(jsontext.String(text))
}

// within copies an object or an array, each of its members by each.
func (w *textWriter) within(end jsontext.Kind, each func() error) error {
	token, err := w.in.ReadToken()
	if err == nil {
		err = w.out.WriteToken(token)
	}
	for err == nil && w.in.PeekKind() != end {
		err = each()
	}
	if err != nil {
		return err
	}
	if token, err = w.in.ReadToken(); err != nil {
		return err
	}
	return w.out.WriteToken(token)
}
