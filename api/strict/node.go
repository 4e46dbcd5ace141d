package strict

import (
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"ductledger/domain"

	"github.com/go-json-experiment/json/jsontext"
)

// unknownKind is the code of a value that tells a union apart and does not.
const unknownKind = "unknown_kind"

// A form is what a value is on the wire.
type form int

const (
	plain  form = iota // a text
	closed             // one of a list
	id
	moment
	day
	month
	truth
	real
	whole
	list
	table // a map
	object
	raw
	record
)

// A node is what is known of a type beforehand, with the tag of the field in
// which it stands.
type node struct {
	form       form
	want       string // as JSON names the type
	check      Check
	words      map[string]string
	told       []string // the words in their order
	pattern    *regexp.Regexp
	patternFix string // the pattern in words, where they help
	isTime     bool   // a text that is a moment
	unlike     string // the code of a text that is none of the words
	items      *node
	keys       *node
	members    *objectNode
}

func (n *node) kind() jsontext.Kind {
	switch n.form {
	case truth:
		return 't'
	case real, whole:
		return '0'
	case list:
		return '['
	case table, object, raw, record:
		return '{'
	}
	return '"'
}

// An objectNode has the members of a struct.
type objectNode struct {
	list     []*memberNode
	byName   map[string]*memberNode
	known    string // all names
	isRecord bool
	record   *memberNode // whose type the member kind tells
	kindAt   []int
}

// mostMembers is how many members one struct may have.
const mostMembers = 256

type memberNode struct {
	Field
	number int
	node   *node
}

// members is a set of members.
type members [mostMembers / 64]uint64

func (s *members) add(number int)      { s[number/64] |= 1 << (number % 64) }
func (s *members) has(number int) bool { return s[number/64]&(1<<(number%64)) != 0 }

// kindIn reads the kind that an object told so far.
func (o *objectNode) kindIn(v reflect.Value) string {
	if o.kindAt == nil {
		return ""
	}
	return v.FieldByIndex(o.kindAt).String()
}

var nodes sync.Map // of *node by reflect.Type

// nodeOf makes the node of a type once.
func nodeOf(t reflect.Type) (*node, error) {
	if known, ok := nodes.Load(t); ok {
		return known.(*node), nil
	}
	n, err := newNode(t, &Check{}, nil)
	if err != nil {
		return nil, err
	}
	nodes.Store(t, n)
	return n, nil
}

// Prepare makes the nodes of a type beforehand, so that a mistake in a tag
// stops the start and not a request.
func Prepare(t reflect.Type) error {
	_, err := nodeOf(t)
	return err
}

// greatestInteger is what a double holds exactly.
const greatestInteger = 1<<53 - 1

func newNode(t reflect.Type, c *Check, f *Field) (*node, error) {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	n := &node{check: *c, want: "string", unlike: "not_in_list"}
	switch t {
	case reflect.TypeFor[domain.UUID]():
		n.form = id
		return n, nil
	case reflect.TypeFor[time.Time]():
		n.form = moment
		return n, nil
	case reflect.TypeFor[domain.Date]():
		n.form = day
		return n, nil
	case reflect.TypeFor[domain.Month]():
		n.form = month
		return n, nil
	case reflect.TypeFor[Record]():
		n.form, n.want = record, "object"
		return n, nil
	case reflect.TypeFor[jsontext.Value]():
		n.form, n.want = raw, "object"
		return n, nil
	}
	var err error
	switch t.Kind() {
	case reflect.Bool:
		n.form, n.want = truth, "boolean"
	case reflect.String:
		err = n.text(t, f)
	case reflect.Int, reflect.Int32, reflect.Int64:
		n.form, n.want = whole, "integer"
		if f != nil && c.Least == nil && c.Above == nil && CountsUp(f.Name) {
			n.check.Least = new(0.0)
		}
		if c.Most == nil && c.Below == nil {
			n.check.Most = new(float64(greatestInteger))
		}
	case reflect.Float64:
		n.form, n.want = real, "number"
	case reflect.Slice:
		n.form, n.want = list, "array"
		n.items, err = newNode(t.Elem(), itemCheck(f), nil)
	case reflect.Map:
		n.form, n.want = table, "object"
		if n.items, err = newNode(t.Elem(), itemCheck(f), nil); err == nil && f != nil && f.Keys != nil {
			n.keys, err = newNode(reflect.TypeFor[string](), f.Keys, nil)
		}
	case reflect.Struct:
		n.form, n.want = object, "object"
		n.members, err = newObject(t)
	default:
		err = fmt.Errorf("%s cannot be read", t)
	}
	return n, err
}

func itemCheck(f *Field) *Check {
	if f == nil || f.Items == nil {
		return &Check{}
	}
	return f.Items
}

var snakeCase = regexp.MustCompile("^[a-z][a-z0-9_]*$")

func (n *node) text(t reflect.Type, f *Field) (err error) {
	n.told = Words(t)
	if len(n.told) == 0 {
		n.told = n.check.Words
	}
	switch {
	case len(n.told) > 0:
		n.form, n.words = closed, map[string]string{}
		for _, word := range n.told {
			n.words[word] = word
		}
	case n.check.Snake:
		n.pattern, n.patternFix = snakeCase, "write lower-case letters, digits and underscores, a letter first"
	case n.check.SHA256:
		n.pattern = regexp.MustCompile("^[0-9a-f]{64}$")
		n.patternFix = "write all 32 bytes as lower-case hexadecimal digits"
	case f != nil && f.Pattern != "":
		n.pattern, err = regexp.Compile(f.Pattern)
	case f != nil:
		n.isTime = strings.HasSuffix(f.Name, "_at")
	}
	if f != nil && f.Unlike != "" {
		n.unlike = f.Unlike
	}
	return err
}

var objects sync.Map // of *objectNode by reflect.Type

func newObject(t reflect.Type) (*objectNode, error) {
	if known, ok := objects.Load(t); ok {
		return known.(*objectNode), nil
	}
	fields, err := Fields(t)
	if err != nil {
		return nil, err
	}
	if len(fields) > mostMembers {
		return nil, fmt.Errorf("%s has more than %d members", t, mostMembers)
	}
	o := &objectNode{byName: map[string]*memberNode{}, isRecord: reflect.PointerTo(t).Implements(reflect.TypeFor[domain.Record]())}
	names := make([]string, 0, len(fields))
	for i := range fields {
		m := &memberNode{Field: fields[i], number: i}
		if m.node, err = newNode(m.Type, &m.Value, &m.Field); err != nil {
			return nil, fmt.Errorf("%s.%s: %w", t, m.GoName, err)
		}
		switch {
		case m.node.form == record:
			o.record = m
		case m.Name == "kind":
			o.kindAt = m.Index
		}
		o.list = append(o.list, m)
		o.byName[m.Name] = m
		names = append(names, m.Name)
	}
	slices.Sort(names)
	o.known = strings.Join(names, ", ")
	objects.Store(t, o)
	return o, nil
}

// CountsUp tells names of numbers that are never negative.
func CountsUp(name string) bool {
	return strings.HasSuffix(name, "_count") || strings.HasSuffix(name, "position") || slices.Contains([]string{"n", "count", "index", "degrees_of_freedom"}, name)
}

// Words are the constants of a named type of text, where it is a closed list.
func Words(t reflect.Type) []string {
	if t.PkgPath() == "" {
		return nil
	}
	return words[t.PkgPath()+"."+t.Name()]
}
