package frame

import (
	"bytes"
	stdjson "encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"ductledger/domain"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"golang.org/x/text/unicode/norm"
)

// jsonLimits bound what one JSON text may cost before anything else looks at it.
type jsonLimits struct {
	depth  int // nested objects and arrays
	names  int // members of all objects together
	values int // values of all kinds together
	digits int // characters of one number
	faults int // texts that may not be stored; with more the whole body is refused
}

// RequestJSON are the limits for bodies of requests. A full batch of 500 items
// has some 20,000 members. The longest float64 that round-trips has 24
// characters; a longer number carries digits that would be lost.
func RequestJSON() jsonLimits {
	return jsonLimits{depth: 32, names: 65_536, values: 200_000, digits: 40, faults: 1000}
}

// DecodeAny reads exactly one JSON value, strictly, as the schema check wants
// it: objects as map[string]any, numbers as json.Number. What is not one value
// is bad_json (400) with the place; texts that may not be stored are invalid
// (422), all of them at once.
func DecodeAny(body []byte) (any, error) {
	value, faults, err := DecodeText(body, RequestJSON())
	if err != nil {
		return nil, err
	}
	return value, domain.InvalidFields(faults)
}

// DecodeText is DecodeAny for a caller that judges parts of the body apart: a
// bad text in one item of a batch is the fault of that item only.
func DecodeText(body []byte, lim jsonLimits) (any, []domain.Fault, error) {
	if len(bytes.TrimLeft(body, " \t\r\n")) == 0 {
		return nil, nil, domain.Errorf(domain.BadJSON, "the body is empty; one JSON value is expected")
	}
	if err := measure(body, lim); err != nil {
		return nil, nil, err
	}
	t := treeReader{dec: jsontext.NewDecoder(bytes.NewBuffer(body)), lim: lim}
	value, err := t.value()
	if err == nil {
		// Whatever follows the value, even another value, is refused.
		if _, more := t.dec.ReadToken(); more == nil {
			err = t.bad("bytes after the end of the value")
		} else if !errors.Is(more, io.EOF) {
			err = t.bad("bytes after the end of the value")
		}
	}
	if err != nil {
		return nil, nil, err
	}
	return value, t.faults, nil
}

// measure counts before anything is built, some nanoseconds a byte: a map of
// 100,000 names would cost more than the rest of its request. Outside of strings
// every member has a colon and every value but the first of its container a
// comma, so the counts are right for JSON; for anything else they are bounded
// and the decoder refuses it.
func measure(body []byte, lim jsonLimits) error {
	var depth, names, values int
	quoted := false
	for i := 0; i < len(body); i++ {
		switch c := body[i]; {
		case c == '"':
			quoted = !quoted
		case quoted && c == '\\':
			i++
		case quoted:
		case c == ':':
			names++
		case c == ',':
			values++
		case c == '{' || c == '[':
			depth++
			values++
		case c == '}' || c == ']':
			depth--
		}
		switch {
		case depth > lim.depth:
			return badJSON("", int64(i), fmt.Sprintf("more than %d levels of objects and arrays", lim.depth))
		case names > lim.names:
			return badJSON("", int64(i), fmt.Sprintf("more than %d object members", lim.names))
		case values > lim.values:
			return badJSON("", int64(i), fmt.Sprintf("more than %d values", lim.values))
		}
	}
	return nil
}

// treeReader builds the value in one pass over the tokens.
type treeReader struct {
	dec    *jsontext.Decoder
	lim    jsonLimits
	faults []domain.Fault
}

func (t *treeReader) value() (any, error) {
	tok, err := t.dec.ReadToken()
	if err != nil {
		return nil, t.syntax(err)
	}
	switch tok.Kind() {
	case '{':
		return t.object()
	case '[':
		return t.array()
	case '"':
		s := tok.String()
		return s, t.text(s)
	case '0':
		return t.number(tok.String())
	case 't', 'f':
		return tok.Bool(), nil
	}
	return nil, nil // null
}

func (t *treeReader) object() (any, error) {
	object := map[string]any{}
	for {
		tok, err := t.dec.ReadToken()
		if err != nil {
			return nil, t.syntax(err)
		}
		if tok.Kind() == '}' {
			return object, nil
		}
		name := tok.String()
		if err := t.text(name); err != nil {
			return nil, err
		}
		if object[name], err = t.value(); err != nil {
			return nil, err
		}
	}
}

func (t *treeReader) array() (any, error) {
	array := []any{}
	for t.dec.PeekKind() != ']' {
		v, err := t.value()
		if err != nil {
			return nil, err
		}
		array = append(array, v)
	}
	if _, err := t.dec.ReadToken(); err != nil {
		return nil, t.syntax(err)
	}
	return array, nil
}

// number refuses what float64 cannot hold: too large, or not zero and yet read
// as zero. A bounded exponent also keeps the exact arithmetic of the schema
// check small: 1e-999999999 is 17 characters, and a billion digits when exact.
func (t *treeReader) number(text string) (any, error) {
	if len(text) > t.lim.digits {
		return nil, t.bad("a number of more than %d characters", t.lim.digits)
	}
	f, err := strconv.ParseFloat(text, 64)
	mantissa, _, _ := strings.Cut(strings.ToLower(text), "e")
	if err != nil || math.IsInf(f, 0) || f == 0 && strings.ContainsAny(mantissa, "123456789") {
		return nil, t.bad("a number outside the range of float64 (about ±1.8e308, not nearer to zero than 5e-324)")
	}
	if f == 0 && mantissa != text { // 0e999999999 is zero, however it is written
		text = mantissa
	}
	return stdjson.Number(text), nil
}

// text notes what may not be stored in a text: Postgres refuses NUL, a control
// character can forge a line of a log or a cell of a sheet, and two spellings
// of one letter would be two names. It is refused, never changed.
func (t *treeReader) text(s string) error {
	detail, fix := unfitText(s)
	if detail == "" {
		return nil
	}
	if len(t.faults) >= t.lim.faults {
		return t.bad("more than %d texts that may not be stored; %s", t.lim.faults, detail)
	}
	t.faults = append(t.faults, domain.Fault{
		Pointer: string(t.dec.StackPointer()), Code: "bad_characters", Detail: detail, Fix: fix})
	return nil
}

// unfitText says what is wrong with a text; empty when nothing is.
func unfitText(s string) (detail, fix string) {
	switch {
	case isPlain(s): // most are
	case !utf8.ValidString(s):
		return "the text is not UTF-8", "send UTF-8"
	case strings.IndexFunc(s, unicode.IsControl) >= 0:
		return "control characters are not allowed", "send line breaks and tabs as spaces"
	case !norm.NFC.IsNormalString(s):
		return "the text is not in Unicode normalization form C", "normalize the text to NFC before sending"
	}
	return "", ""
}

func isPlain(s string) bool {
	for i := range len(s) {
		if s[i] < ' ' || s[i] > '~' {
			return false
		}
	}
	return true
}

// bad is a refusal of the whole body at the decoder's place.
func (t *treeReader) bad(format string, args ...any) error {
	return badJSON(string(t.dec.StackPointer()), t.dec.InputOffset(), fmt.Sprintf(format, args...))
}

// syntax gives the decoder's error in our words, with its place.
func (t *treeReader) syntax(err error) error {
	var s *jsontext.SyntacticError
	if !errors.As(err, &s) {
		return badJSON(string(t.dec.StackPointer()), t.dec.InputOffset(), "the text ends too early")
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

// DecodeInto reads a body that the schema has passed into a struct. Names are
// matched exactly; one the struct does not know is refused, so that schema and
// struct cannot drift apart unseen.
func DecodeInto(body []byte, into any) error {
	err := json.Unmarshal(body, into, json.RejectUnknownMembers(true))
	var semantic *json.SemanticError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &semantic):
		fault := domain.Fault{Pointer: string(semantic.JSONPointer), Code: "wrong_type",
			Detail: "the value does not fit here"}
		if errors.Is(err, json.ErrUnknownName) {
			fault.Code, fault.Detail = "unknown_field", "this field is not known here"
		}
		return domain.InvalidFields([]domain.Fault{fault})
	}
	t := treeReader{dec: jsontext.NewDecoder(bytes.NewReader(nil))}
	return t.syntax(err)
}
