package strict

import (
	"fmt"
	"reflect"
	"strconv"
	"strings"
)

// A Field is one member of an object on the wire.
type Field struct {
	Name     string // on the wire
	GoName   string
	Owner    reflect.Type // the struct that states it, which may be embedded
	Index    []int        // as reflect.Value.FieldByIndex takes it
	Type     reflect.Type
	Optional bool
	Value    Check    // of the value
	Items    *Check   // of each item of a list or value of a map
	Keys     *Check   // of each name of a map
	With     []string // it is needed as soon as one of these fields stands
	Without  []string // it is needed when none of these stands
	Step     string
	Default  string
	Schema   string
	Format   string
	Pattern  string
	Since    int
	Free     bool
	NotTold  []string // the roles whose answers lack it
	Unlike   string   // the code of a text that is none of the words
}

// A Check is what one value may be. What is nil or empty does not bind.
type Check struct {
	Least, Most  *float64 // of a number
	Above, Below *float64
	Min, Max     *int // characters, items or members
	Words        []string
	Snake        bool
	SHA256       bool
	Unique       bool
}

// Fields lists the members of a struct in the order in which they stand,
// through structs that are embedded.
func Fields(t reflect.Type) ([]Field, error) {
	var fields []Field
	for i := range t.NumField() {
		f := t.Field(i)
		name, options, tagged := strings.Cut(f.Tag.Get("json"), ",")
		if name == "-" || !f.IsExported() && !f.Anonymous {
			continue
		}
		if options == "embed" && f.Tag.Get("schema") != "" { // raw JSON whose members stand here
			fields = append(fields, Field{GoName: f.Name, Owner: t, Index: []int{i}, Type: f.Type, Schema: f.Tag.Get("schema")})
			continue
		}
		if f.Anonymous && name == "" || options == "embed" {
			within, err := Fields(f.Type)
			if err != nil {
				return nil, err
			}
			for _, w := range within {
				w.Index = append([]int{i}, w.Index...)
				fields = append(fields, w)
			}
			continue
		}
		if name == "" {
			return nil, fmt.Errorf("%s.%s: no name on the wire", t, f.Name)
		}
		field := Field{Name: name, GoName: f.Name, Owner: t, Index: []int{i}, Type: f.Type, Optional: tagged && options != "" || f.Tag.Get("default") != "",
			Step: f.Tag.Get("step"), Default: f.Tag.Get("default"), Schema: f.Tag.Get("schema"), Format: f.Tag.Get("format"), Pattern: f.Tag.Get("pattern"), Free: f.Tag.Get("text") == "free", NotTold: strings.Fields(f.Tag.Get("nottold")), Unlike: f.Tag.Get("unlike")}
		if since := f.Tag.Get("since"); since != "" {
			var err error
			if field.Since, err = strconv.Atoi(since); err != nil {
				return nil, fmt.Errorf("%s.%s: since: %w", t, f.Name, err)
			}
		}
		if err := field.read(f.Tag.Get("validate"), t); err != nil {
			return nil, fmt.Errorf("%s.%s: %w", t, f.Name, err)
		}
		fields = append(fields, field)
	}
	return fields, nil
}

// read takes the words of a validate tag.
func (f *Field) read(tag string, owner reflect.Type) error {
	into := &f.Value
	for word := range strings.SplitSeq(tag, ",") {
		key, value, _ := strings.Cut(word, "=")
		switch key {
		case "omitempty":
			f.Optional = true
		case "dive":
			f.Items = &Check{}
			into = f.Items
		case "keys":
			f.Keys = &Check{}
			into = f.Keys
		case "endkeys":
			into = f.Items
		case "required_with", "required_without":
			f.Optional = true
			names, err := namesOf(owner, value)
			if err != nil {
				return err
			}
			if key == "required_with" {
				f.With = names
			} else {
				f.Without = names
			}
		default:
			if err := into.read(key, value); err != nil {
				return err
			}
		}
	}
	return nil
}

// namesOf turns Go names of fields into those on the wire.
func namesOf(owner reflect.Type, words string) (names []string, err error) {
	for word := range strings.FieldsSeq(words) {
		field, known := owner.FieldByName(word)
		if !known {
			return nil, fmt.Errorf("there is no field %s", word)
		}
		name, _, _ := strings.Cut(field.Tag.Get("json"), ",")
		names = append(names, name)
	}
	return names, nil
}

func (c *Check) read(key, value string) error {
	number := func(into **float64) error {
		n, err := strconv.ParseFloat(value, 64)
		*into = &n
		return err
	}
	count := func(into **int) error {
		n, err := strconv.Atoi(value)
		*into = &n
		return err
	}
	switch key {
	case "gte":
		return number(&c.Least)
	case "gt":
		return number(&c.Above)
	case "lte":
		return number(&c.Most)
	case "lt":
		return number(&c.Below)
	case "min":
		return count(&c.Min)
	case "max":
		return count(&c.Max)
	case "oneof":
		c.Words = strings.Fields(value)
	case "snake":
		c.Snake = true
	case "sha256":
		c.SHA256 = true
	case "unique":
		c.Unique = true
	}
	return nil // other words need two fields
}
