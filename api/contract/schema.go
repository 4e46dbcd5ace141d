package contract

import (
	"encoding"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"
	"time"

	"ductledger/api/strict"
	"ductledger/domain"

	"github.com/go-json-experiment/json/jsontext"
	"gopkg.in/yaml.v3"
)

// greatestInteger is what a double holds exactly.
const greatestInteger = 1<<53 - 1

// schemas makes the components of the contract from types.
type schemas struct {
	*Source
	names       map[reflect.Type]string // where the type's own name does not do
	unions      map[reflect.Type]Union
	raw         map[string]reflect.Type // what raw JSON holds, by the word of its field
	open        []reflect.Type          // lists of words that grow
	closed      bool                    // what is made now refuses unknown members
	untold      bool                    // what is made now may lack its free texts
	only        string                  // of the unions in what is made now, the form of this word alone
	made        map[string]object
	types       map[string]reflect.Type
	closedLists map[string][]string // by type, as sources name it
	errs        []error
}

func (s *schemas) bad(format string, args ...any) {
	s.errs = append(s.errs, fmt.Errorf(format, args...))
}

// shared values are told once and for all.
func shared() map[reflect.Type]string {
	return map[reflect.Type]string{
		reflect.TypeFor[domain.UUID]():  "Uuid",
		reflect.TypeFor[time.Time]():    "Timestamp",
		reflect.TypeFor[domain.Date]():  "Day",
		reflect.TypeFor[domain.Month](): "Month",
	}
}

func (s *schemas) share() {
	text := func(name, description, format, pattern, example string) {
		s.made[name] = of("description", description, "type", "string", "format", format, "pattern", pattern, "examples", []string{example})
	}
	text("Uuid", "An id, made by whoever creates the record. Any version of RFC 9562, lower-case only, so that one id has one spelling.",
		"uuid", "^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$", "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d11")
	text("Timestamp", "A moment with its offset, RFC 3339 with upper-case T and Z. It is kept as it was written.",
		"date-time", `^[1-9][0-9]{3}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-5][0-9](\.[0-9]{1,9})?(Z|[+-][0-9]{2}:[0-9]{2})$`, "2026-10-14T09:20:00-07:00")
	text("Day", "A calendar day where the program works.", "date", "^[1-9][0-9]{3}-[0-9]{2}-[0-9]{2}$", "2026-10-14")
	text("Month", "A calendar month where the program works.", "", "^(19|20)[0-9]{2}-(0[1-9]|1[0-2])$", "2026-10")
}

func ref(name string) object { return of("$ref", "#/components/schemas/"+name) }

// name of the component that a type becomes.
func (s *schemas) name(t reflect.Type) string {
	if name := s.names[t]; name != "" {
		return name
	}
	return strings.ToUpper(t.Name()[:1]) + t.Name()[1:]
}

// component makes a type's component once and refers to it.
func (s *schemas) component(name string, t reflect.Type, make func() object) object {
	switch known, seen := s.types[name]; {
	case !seen:
		s.types[name] = t
		s.made[name] = newObject() // a type may refer to itself
		s.made[name] = make()
	case known != t:
		s.bad("%s and %s are both called %s", known, t, name)
	}
	return ref(name)
}

// of gives the schema of a type as it stands in a field; f is nil within lists.
func (s *schemas) of(t reflect.Type, c *strict.Check, f *strict.Field) object {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if c == nil {
		c = &strict.Check{}
	}
	if name := shared()[t]; name != "" {
		return lengths(ref(name), c)
	}
	if union, is := s.unions[t]; is {
		whole := s.component(s.name(t), t, func() object { return s.union(t, &union) })
		if s.only != "" {
			return s.form(&union, s.only)
		}
		return whole
	}
	if t == reflect.TypeFor[jsontext.Value]() {
		if f == nil || f.Schema == "" {
			return of("type", "object")
		}
		held, known := s.raw[f.Schema]
		if !known {
			s.bad("nothing is called %s", f.Schema)
			return newObject()
		}
		return s.of(held, nil, nil)
	}
	if t.Kind() != reflect.String && t.Implements(reflect.TypeFor[encoding.TextMarshaler]()) {
		return of("type", "string")
	}
	switch t.Kind() {
	case reflect.Bool:
		return of("type", "boolean")
	case reflect.String:
		return s.text(t, c, f)
	case reflect.Int, reflect.Int32, reflect.Int64:
		return s.whole(t, c, f)
	case reflect.Float64:
		return bounded(of("type", "number", "format", "double"), c)
	case reflect.Slice, reflect.Array:
		return s.list(t, c, f)
	case reflect.Map:
		var items *strict.Check
		o := of("type", "object")
		if c.Max != nil {
			o.set("maxProperties", *c.Max)
		}
		if f != nil {
			items = f.Items
			if f.Keys != nil {
				o.set("propertyNames", s.text(reflect.TypeFor[string](), f.Keys, nil))
			}
		}
		return o.set("additionalProperties", s.of(t.Elem(), items, nil))
	case reflect.Struct:
		if s.untold && hasFreeText(t) {
			return s.component(s.name(t)+"AsRead", t, func() object { return s.object(t) })
		}
		return s.component(s.name(t), t, func() object { return s.object(t) })
	case reflect.Interface:
		return newObject()
	}
	s.bad("%s has no schema", t)
	return newObject()
}

func (s *schemas) text(t reflect.Type, c *strict.Check, f *strict.Field) object {
	if words := s.Words[key(t)]; slices.Contains(s.open, t) {
		return s.component(s.name(t), t, func() object {
			return of("description", s.Comments[key(t)], "type", "string", "x-extensible-enum", words)
		})
	} else if t.PkgPath() != "" && len(words) > 0 {
		s.closedLists[key(t)] = words
		return s.component(s.name(t), t, func() object {
			return of("description", s.Comments[key(t)], "type", "string", "enum", words)
		})
	}
	o := of("type", "string")
	switch {
	case len(c.Words) > 0:
		o.set("enum", c.Words)
	case c.Snake:
		o.set("pattern", "^[a-z][a-z0-9_]*$")
	case c.SHA256:
		o.set("pattern", "^[0-9a-f]{64}$")
	case f != nil && f.Format+f.Pattern != "":
		o.set("format", f.Format).set("pattern", f.Pattern)
	case f != nil && strings.HasSuffix(f.Name, "_at"):
		o.set("format", "date-time")
	}
	return lengths(o, c)
}

func lengths(o object, c *strict.Check) object {
	if c.Min != nil {
		o.set("minLength", *c.Min)
	}
	if c.Max != nil {
		o.set("maxLength", *c.Max)
	}
	return o
}

func (s *schemas) whole(t reflect.Type, c *strict.Check, f *strict.Field) object {
	o := of("type", "integer")
	if t.Kind() == reflect.Int64 {
		o.set("format", "int64")
	}
	if f != nil && c.Least == nil && c.Above == nil && strict.CountsUp(f.Name) {
		o.set("minimum", 0)
	}
	bounded(o, c)
	if (s.closed || t.Kind() == reflect.Int64) && c.Most == nil && c.Below == nil {
		o.set("maximum", float64(greatestInteger))
	}
	return o
}

func bounded(o object, c *strict.Check) object {
	for _, limit := range []struct {
		name  string
		value *float64
	}{{"minimum", c.Least}, {"exclusiveMinimum", c.Above}, {"maximum", c.Most}, {"exclusiveMaximum", c.Below}} {
		if limit.value != nil {
			o.set(limit.name, *limit.value)
		}
	}
	return o
}

func (s *schemas) list(t reflect.Type, c *strict.Check, f *strict.Field) object {
	if t.Elem().Kind() == reflect.Uint8 && t.Kind() == reflect.Slice {
		return of("type", "string", "contentEncoding", "base64")
	}
	o := of("type", "array")
	if c.Min != nil {
		o.set("minItems", *c.Min)
	}
	if c.Max != nil {
		o.set("maxItems", *c.Max)
	}
	if c.Unique {
		o.set("uniqueItems", true)
	}
	var items *strict.Check
	var raw *strict.Field
	if f != nil {
		items = f.Items
		if f.Schema != "" {
			raw = &strict.Field{Schema: f.Schema}
		}
	}
	return o.set("items", s.of(t.Elem(), items, raw))
}

// object gives the schema of a struct.
func (s *schemas) object(t reflect.Type) object {
	o := of("description", s.Comments[key(t)], "type", "object")
	if s.closed {
		o.set("additionalProperties", false)
	}
	fields, err := strict.Fields(t)
	if err != nil {
		s.bad("%w", err)
		return o
	}
	return s.members(o, fields)
}

// members adds required, dependentRequired and properties.
func (s *schemas) members(o object, fields []strict.Field) object {
	var required []string
	needs := map[string][]string{}
	properties := newObject()
	var without *strict.Field
	for i := range fields {
		f := &fields[i]
		if f.Name == "" { // members of raw JSON
			within, err := strict.Fields(s.raw[f.Schema])
			if err != nil {
				s.bad("%w", err)
			}
			for j := range within {
				if !within[j].Optional {
					required = append(required, within[j].Name)
				}
				properties.set(within[j].Name, s.member(&within[j]))
			}
			continue
		}
		if !f.Optional && !(s.untold && f.Free) {
			required = append(required, f.Name)
		}
		if len(f.Without) > 0 {
			without = f
		}
		for _, other := range f.With {
			needs[other] = append(needs[other], f.Name)
		}
		properties.set(f.Name, s.member(f))
	}
	o.set("required", required)
	if len(needs) > 0 {
		dependent := newObject()
		for _, name := range slices.Sorted(maps.Keys(needs)) {
			dependent.set(name, needs[name])
		}
		o.set("dependentRequired", dependent)
	}
	if without != nil {
		var others []object
		for _, name := range without.Without {
			others = append(others, of("required", []string{name}))
		}
		o.set("if", of("anyOf", list(others...))).set("else", of("required", []string{without.Name}))
	}
	if len(properties.Content) > 0 {
		o.set("properties", properties)
	}
	return o
}

func (s *schemas) member(f *strict.Field) object {
	o := s.of(f.Type, &f.Value, f)
	o.set("x-step", number(f.Step))
	if f.Default != "" {
		o.set("default", literal(f.Type, f.Default))
	}
	if f.Free {
		o.set("x-free-text", true)
	}
	if f.Since > 0 {
		o.set("x-since", f.Since)
	}
	o.set("x-not-told-to", f.NotTold)
	return o.set("description", s.Comments[key(f.Owner)+"."+f.GoName])
}

// number is a decimal as it stands in a tag.
func number(text string) *yaml.Node {
	if text == "" {
		return nil
	}
	return &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!float", Value: text}
}

func literal(t reflect.Type, text string) *yaml.Node {
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	tag := map[reflect.Kind]string{reflect.Bool: "!!bool", reflect.Int: "!!int", reflect.Int64: "!!int", reflect.Float64: "!!float"}[t.Kind()]
	if tag == "" {
		return plain(text)
	}
	return &yaml.Node{Kind: yaml.ScalarNode, Tag: tag, Value: text}
}
