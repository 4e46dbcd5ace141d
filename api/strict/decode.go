package strict

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"
	"strconv"
	"strings"

	"ductledger/domain"

	"github.com/go-json-experiment/json/jsontext"
)

// What one JSON text may cost before anything else looks at it. A full batch
// of 500 items has some 20,000 members. The longest float64 that round-trips
// has 24 characters; a longer number carries digits that would be lost.
const (
	mostDepth  = 32      // nested objects and arrays
	mostNames  = 65_536  // members of all objects together
	mostValues = 200_000 // values of all kinds together
	mostDigits = 40      // characters of one number
	mostTexts  = 1000    // texts that may not be stored
)

// Decode reads exactly one JSON value into a struct, in one pass, and gives
// every fault at once. What is not one value is bad_json with its place; what
// breaks the words of a field's tag is invalid.
func Decode(body []byte, into any) error {
	faults, err := Read(body, into)
	if err != nil {
		return err
	}
	return faults.Err()
}

// Read is Decode for a caller that goes on although there are faults.
func Read(body []byte, into any) (Faults, error) {
	v := reflect.ValueOf(into).Elem()
	n, err := nodeOf(v.Type())
	if err != nil {
		return Faults{}, err
	}
	if len(bytes.TrimLeft(body, " \t\r\n")) == 0 {
		return Faults{}, domain.Errorf(domain.BadJSON, "the body is empty; one JSON value is expected")
	}
	r := &reader{dec: jsontext.NewDecoder(bytes.NewBuffer(body)), body: body}
	if err := r.value(v, n); err != nil {
		return Faults{}, err
	}
	if _, more := r.dec.ReadToken(); more == nil || !errors.Is(more, io.EOF) {
		return Faults{}, r.bad("bytes after the end of the value")
	}
	return r.faults.done(), nil
}

// An Apart is an item of a list that is judged by itself: it keeps its own
// bytes and its own faults, whose places run from the item.
type Apart interface {
	Keep(raw []byte, faults Faults)
}

// A Record is a record of the kind that stands beside it in the member kind.
// Without a kind that is known it stays unread.
type Record struct {
	Raw   jsontext.Value
	Value domain.Record
}

// IsZero tells whether none is there.
func (r Record) IsZero() bool { return r.Raw == nil }

// MarshalJSON writes it as it is.
func (r Record) MarshalJSON() ([]byte, error) { return r.Raw, nil }

// UnmarshalJSON takes it as it is.
func (r *Record) UnmarshalJSON(b []byte) error {
	r.Raw = bytes.Clone(b)
	return nil
}

type reader struct {
	dec    *jsontext.Decoder
	body   []byte
	place  []step
	faults notes

	depth, names, values, texts int
}

// A step leads to a member, or to an item where the name is empty.
type step struct {
	name  string
	item  bool
	index int
}

func (r *reader) pointer(last ...step) string {
	var b strings.Builder
	for _, s := range [][]step{r.place, last} {
		for _, s := range s {
			b.WriteByte('/')
			if s.item {
				b.WriteString(strconv.Itoa(s.index))
			} else {
				b.WriteString(EscapePointer(s.name))
			}
		}
	}
	return b.String()
}

// unit is that of the member in which the value stands.
func (r *reader) unit() string {
	for i := len(r.place) - 1; i >= 0; i-- {
		if !r.place[i].item {
			return unitOf(r.place[i].name)
		}
	}
	return ""
}

func (r *reader) fault(code, detail, fix string) {
	r.faults.add(note{Fault: domain.Fault{Pointer: r.pointer(), Code: code, Detail: detail, Fix: fix}})
}

// bad is a refusal of the whole body at the decoder's place.
func (r *reader) bad(format string, args ...any) error {
	return badJSON(string(r.dec.StackPointer()), r.dec.InputOffset(), fmt.Sprintf(format, args...))
}

// tooMuch is a refusal for what the body as a whole is.
func (r *reader) tooMuch(format string, args ...any) error {
	return badJSON("", r.dec.InputOffset(), fmt.Sprintf(format, args...))
}

// syntax gives the decoder's error in our words, with its place.
func (r *reader) syntax(err error) error {
	var s *jsontext.SyntacticError
	if !errors.As(err, &s) {
		return r.bad("the text ends too early")
	}
	reason := "not JSON: " + fmt.Sprint(s.Err)
	switch {
	case errors.Is(s.Err, jsontext.ErrDuplicateName):
		reason = "a name stands twice in one object"
	case errors.Is(s.Err, io.ErrUnexpectedEOF):
		reason = "the text ends too early"
	}
	return badJSON(string(s.JSONPointer), s.ByteOffset, reason)
}

func badJSON(pointer string, offset int64, reason string) error {
	at := fmt.Sprintf("byte %d", offset)
	if pointer != "" {
		at = fmt.Sprintf("%s, byte %d", pointer, offset)
	}
	return &domain.Error{
		Code:   domain.BadJSON,
		Detail: fmt.Sprintf("%s (at %s)", reason, at),
		Faults: []domain.Fault{{Pointer: pointer, Code: string(domain.BadJSON), Detail: reason}},
	}
}

// enter begins an object or an array.
func (r *reader) enter() error {
	if r.depth++; r.depth > mostDepth {
		return r.tooMuch("more than %d levels of objects and arrays", mostDepth)
	}
	if _, err := r.dec.ReadToken(); err != nil {
		return r.syntax(err)
	}
	return nil
}

func (r *reader) leave() error {
	r.depth--
	if _, err := r.dec.ReadToken(); err != nil {
		return r.syntax(err)
	}
	return nil
}

// more tells whether another member or item stands before the end.
func (r *reader) more(end jsontext.Kind) (bool, error) {
	if r.dec.PeekKind() == end {
		return false, nil
	}
	if r.values++; r.values > mostValues {
		return false, r.tooMuch("more than %d values", mostValues)
	}
	return true, nil
}

// scalar reads a value that holds no other. It is good until the next is read.
func (r *reader) scalar() ([]byte, error) {
	raw, err := r.dec.ReadValue()
	if err != nil {
		return nil, r.syntax(err)
	}
	return raw, nil
}

// name reads the name of a member.
func (r *reader) name() (name []byte, err error) {
	if r.names++; r.names > mostNames {
		return nil, r.tooMuch("more than %d object members", mostNames)
	}
	raw, err := r.scalar()
	if err != nil {
		return nil, err
	}
	name, plain := inner(raw)
	if plain {
		return name, nil
	}
	if detail, fix := UnfitText(string(name)); detail != "" {
		r.place = append(r.place, step{name: string(name)})
		err = r.unfit(detail, fix)
		r.place = r.place[:len(r.place)-1]
	}
	return name, err
}

// text reads a string and notes what may not be stored in one: Postgres
// refuses NUL, a control character can forge a line of a log or a cell of a
// sheet, and two spellings of one letter would be two names. It is refused,
// never changed.
func (r *reader) text() ([]byte, error) {
	raw, err := r.scalar()
	if err != nil {
		return nil, err
	}
	text, plain := inner(raw)
	if plain {
		return text, nil
	}
	if detail, fix := UnfitText(string(text)); detail != "" {
		return text, r.unfit(detail, fix)
	}
	return text, nil
}

func (r *reader) unfit(detail, fix string) error {
	if r.texts++; r.texts > mostTexts {
		return r.bad("more than %d texts that may not be stored; %s", mostTexts, detail)
	}
	r.fault("bad_characters", detail, fix)
	return nil
}

// inner is what stands between the quotes, unescaped. Plain text is printable
// ASCII, as most is.
func inner(raw []byte) (text []byte, plain bool) {
	text = raw[1 : len(raw)-1]
	for _, c := range text {
		if c < ' ' || c > '~' || c == '\\' {
			text, _ = jsontext.AppendUnquote(nil, raw) // the decoder has passed it
			return text, false
		}
	}
	return text, true
}

// number refuses what float64 cannot hold: too large, or not zero and yet read
// as zero.
func (r *reader) number() (text []byte, f float64, err error) {
	if text, err = r.scalar(); err != nil {
		return nil, 0, err
	}
	if len(text) > mostDigits {
		return nil, 0, r.bad("a number of more than %d characters", mostDigits)
	}
	f, err = strconv.ParseFloat(string(text), 64)
	if err != nil || math.IsInf(f, 0) || f == 0 && !isZero(text) {
		return nil, 0, r.bad("a number outside the range of float64 (about ±1.8e308, not nearer to zero than 5e-324)")
	}
	return text, f, nil
}

func isZero(text []byte) bool {
	mantissa, _, _ := bytes.Cut(bytes.ToLower(text), []byte("e"))
	return !bytes.ContainsAny(mantissa, "123456789")
}

// skip reads a value that goes nowhere; its texts and numbers are judged all
// the same.
func (r *reader) skip() error {
	switch r.dec.PeekKind() {
	case '{':
		return r.members(func([]byte) error { return r.skip() })
	case '[':
		return r.items(func(int) error { return r.skip() })
	case '"':
		_, err := r.text()
		return err
	case '0':
		_, _, err := r.number()
		return err
	}
	_, err := r.scalar()
	return err
}

// members reads an object whose names are not known beforehand.
func (r *reader) members(each func(name []byte) error) error {
	if err := r.enter(); err != nil {
		return err
	}
	for {
		more, err := r.more('}')
		if err != nil {
			return err
		}
		if !more {
			return r.leave()
		}
		name, err := r.name()
		if err != nil {
			return err
		}
		r.place = append(r.place, step{name: string(name)})
		if err := each(name); err != nil {
			return err
		}
		r.place = r.place[:len(r.place)-1]
	}
}

func (r *reader) items(each func(i int) error) error {
	if err := r.enter(); err != nil {
		return err
	}
	for i := 0; ; i++ {
		more, err := r.more(']')
		if err != nil {
			return err
		}
		if !more {
			return r.leave()
		}
		r.place = append(r.place, step{item: true, index: i})
		if err := each(i); err != nil {
			return err
		}
		r.place = r.place[:len(r.place)-1]
	}
}

// span reads a value and gives its bytes.
func (r *reader) span(read func() error) ([]byte, error) {
	start := int(r.dec.InputOffset())
	for start < len(r.body) && strings.IndexByte(" \t\r\n,:", r.body[start]) >= 0 {
		start++
	}
	if err := read(); err != nil { // what is no value has no end: the decoder may stand before its white space
		return nil, err
	}
	end := int(r.dec.InputOffset())
	return r.body[start:end:end], nil
}

// shape is how a text of the node is written, where it is no free one.
func (n *node) shape() string {
	switch n.form {
	case id:
		return idText
	case moment:
		return momentText
	case day:
		return dayText
	case closed:
		return "one of " + listText(n.told)
	}
	return ""
}

// misfit says that another type was sent than the one that is wanted, written
// in its shape, and passes over it.
func (r *reader) misfit(want, shape string) error {
	if shape != "" {
		shape = "send " + shape
	}
	got := map[jsontext.Kind]string{'"': "string", '0': "number", 't': "boolean", 'f': "boolean", '{': "object", '[': "array"}
	switch kind := r.dec.PeekKind(); {
	case kind == 'n':
		r.fault("null_not_allowed", "null is not allowed; must be "+Article(want), "leave the field out if it is not known")
	case got[kind] != "":
		r.fault("wrong_type", fmt.Sprintf("must be %s; %s was sent", Article(want), Article(got[kind])), shape)
	}
	return r.skip()
}

// value reads what a node describes. An error ends the reading of the body.
func (r *reader) value(v reflect.Value, n *node) error {
	if want, kind := n.kind(), r.dec.PeekKind(); kind != want && !(want == 't' && kind == 'f') {
		if n.unlike == unknownKind {
			r.fault(n.unlike, "must be one of "+listText(n.told), "")
			return r.skip()
		}
		return r.misfit(n.want, n.shape())
	}
	if v.Kind() == reflect.Pointer {
		if v.IsNil() {
			v.Set(reflect.New(v.Type().Elem()))
		}
		v = v.Elem()
	}
	switch n.form {
	case truth:
		raw, err := r.scalar()
		if err == nil {
			v.SetBool(raw[0] == 't')
		}
		return err
	case real, whole:
		text, f, err := r.number()
		if err == nil && r.judgeNumber(text, f, n) {
			if n.form == whole {
				v.SetInt(int64(f))
			} else {
				v.SetFloat(f)
			}
		}
		return err
	case list:
		return r.list(v, n)
	case table:
		return r.table(v, n)
	case object:
		return r.object(v, n)
	case raw:
		span, err := r.span(r.skip)
		v.SetBytes(span)
		return err
	}
	text, err := r.text()
	if err == nil {
		r.judgeText(v, text, n)
	}
	return err
}

func (r *reader) list(v reflect.Value, n *node) error {
	var spans [][]byte
	var spare reflect.Value // for items beyond the most that are taken
	v.SetLen(0)
	count := 0
	err := r.items(func(i int) error {
		count++
		item := spare
		if n.check.Max == nil || i < *n.check.Max {
			v.Grow(1)
			v.SetLen(i + 1)
			item = v.Index(i)
		} else if !item.IsValid() {
			spare = reflect.New(v.Type().Elem()).Elem()
			item = spare
		}
		item.SetZero()
		if apart, ok := item.Addr().Interface().(Apart); ok {
			return r.apart(item, apart, n.items)
		}
		if !n.check.Unique {
			return r.value(item, n.items)
		}
		span, err := r.span(func() error { return r.value(item, n.items) })
		spans = append(spans, span)
		return err
	})
	if err != nil {
		return err
	}
	if v.IsNil() {
		v.Set(reflect.MakeSlice(v.Type(), 0, 0))
	}
	r.judgeCount(count, n, "items")
	if i, j, same := firstTwins(spans); same {
		r.fault("not_unique", fmt.Sprintf("items %d and %d are the same", i, j), "")
	}
	return nil
}

// apart reads an item with faults and places of its own.
func (r *reader) apart(item reflect.Value, apart Apart, n *node) error {
	place, faults := r.place, r.faults
	r.place, r.faults = nil, notes{}
	raw, err := r.span(func() error { return r.value(item, n) })
	apart.Keep(raw, r.faults.done())
	r.place, r.faults = place, faults
	return err
}

func (r *reader) table(v reflect.Value, n *node) error {
	if v.IsNil() {
		v.Set(reflect.MakeMap(v.Type()))
	}
	count := 0
	err := r.members(func(name []byte) error {
		count++
		if n.keys != nil && !n.keys.fits(string(name)) {
			r.fault("unknown_field", "this name is not allowed here", "")
		}
		item := reflect.New(v.Type().Elem()).Elem()
		if err := r.value(item, n.items); err != nil {
			return err
		}
		if n.check.Max == nil || count <= *n.check.Max {
			v.SetMapIndex(reflect.ValueOf(string(name)).Convert(v.Type().Key()), item)
		}
		return nil
	})
	if err == nil {
		r.judgeCount(count, n, "fields")
	}
	return err
}

func (r *reader) object(v reflect.Value, n *node) error {
	if err := r.enter(); err != nil {
		return err
	}
	o := n.members
	var seen members
	var late []byte // a record that came before its kind
	for {
		more, err := r.more('}')
		if err != nil {
			return err
		}
		if !more {
			break
		}
		name, err := r.name()
		if err != nil {
			return err
		}
		m := o.byName[string(name)]
		if m == nil {
			r.place = append(r.place, step{name: string(name)})
			r.faults.add(note{Fault: domain.Fault{Pointer: r.pointer(), Code: "unknown_field", Detail: "this field is not known here"}, name: string(name), of: o})
			if err := r.skip(); err != nil {
				return err
			}
			r.place = r.place[:len(r.place)-1]
			continue
		}
		seen.add(m.number)
		r.place = append(r.place, step{name: m.Name})
		field := v.FieldByIndex(m.Index)
		if m.node.form == record {
			late, err = r.record(field.Addr().Interface().(*Record), domain.Kind(o.kindIn(v)))
		} else {
			err = r.value(field, m.node)
		}
		if err != nil {
			return err
		}
		r.place = r.place[:len(r.place)-1]
	}
	if err := r.leave(); err != nil {
		return err
	}
	if late != nil {
		if err := r.lateRecord(v, o, late); err != nil {
			return err
		}
	}
	r.judgeMembers(o, &seen)
	return nil
}

// record reads a record of a kind. Where the kind is not known yet it is
// passed over, and given back to be read later.
func (r *reader) record(into *Record, kind domain.Kind) (late []byte, err error) {
	if r.dec.PeekKind() != '{' {
		return nil, r.misfit("object", "")
	}
	row, known := domain.RowOf(kind)
	if !known {
		into.Raw, err = r.span(r.skip)
		return into.Raw, err
	}
	n, err := nodeOf(reflect.TypeOf(row.New()).Elem())
	if err != nil {
		return nil, err
	}
	into.Value = row.New()
	into.Raw, err = r.span(func() error { return r.value(reflect.ValueOf(into.Value).Elem(), n) })
	return nil, err
}

func (r *reader) lateRecord(v reflect.Value, o *objectNode, raw []byte) error {
	row, known := domain.RowOf(domain.Kind(o.kindIn(v)))
	if !known {
		return nil
	}
	n, err := nodeOf(reflect.TypeOf(row.New()).Elem())
	if err != nil {
		return err
	}
	into := v.FieldByIndex(o.record.Index).Addr().Interface().(*Record)
	into.Value = row.New()
	again := &reader{dec: jsontext.NewDecoder(bytes.NewBuffer(raw)), body: raw, place: append(r.place, step{name: o.record.Name}), faults: r.faults}
	err = again.value(reflect.ValueOf(into.Value).Elem(), n)
	r.faults = again.faults
	return err
}
