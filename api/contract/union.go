package contract

import (
	"reflect"
	"slices"
	"strings"

	"ductledger/api/strict"

	"gopkg.in/yaml.v3"
)

// union is one of several forms. Tools that know no discriminator find the
// form by the constant in each.
func (s *schemas) union(t reflect.Type, u *Union) object {
	mapping, forms := newObject(), make([]object, 0, len(u.Branches))
	for i := range u.Branches {
		b := &u.Branches[i]
		if b.Type != nil {
			forms = append(forms, s.of(b.Type, nil, nil))
			continue
		}
		s.made[b.Name] = s.branch(u, b)
		mapping.set(b.Word, "#/components/schemas/"+b.Name)
		forms = append(forms, ref(b.Name))
	}
	o := of("description", s.Comments[key(t)])
	if u.By != "" {
		o.set("discriminator", of("propertyName", u.By, "mapping", mapping))
	}
	return o.set("oneOf", list(forms...))
}

func (s *schemas) branch(u *Union, b *Branch) object {
	own := of("type", "object")
	if s.closed {
		own.set("additionalProperties", false)
	}
	s.untold = b.Untold
	s.members(own, b.Fields)
	s.untold = false
	properties := object{own.get("properties")}
	properties.Content = append([]*yaml.Node{plain(u.By), of("type", "string", "const", b.Word).Node}, properties.Content...)
	if required := own.get("required"); required == nil {
		own.set("required", []string{u.By})
	} else {
		required.Content = append([]*yaml.Node{plain(u.By)}, required.Content...)
	}
	if u.Base != nil {
		return of("description", b.Description, "allOf", list(s.of(u.Base, nil, nil), own))
	}
	own.Content = append([]*yaml.Node{plain("description"), plain(b.Description)}, own.Content...)
	return own
}

// form is the one form of a union that has a word.
func (s *schemas) form(u *Union, word string) object {
	for i := range u.Branches {
		if u.Branches[i].Word == word {
			return ref(u.Branches[i].Name)
		}
	}
	s.bad("no form of a union is called %s", word)
	return newObject()
}

// narrowed is the schema of a type of whose unions only one form can stand: a
// union itself, or what holds some.
func (s *schemas) narrowed(t reflect.Type, word string) object {
	if union, is := s.unions[t]; word == "" || is {
		whole := s.of(t, nil, nil)
		if word == "" {
			return whole
		}
		return s.form(&union, word)
	}
	s.only = word
	defer func() { s.only = "" }()
	name := ""
	for part := range strings.SplitSeq(word, "_") {
		name += strings.ToUpper(part[:1]) + part[1:]
	}
	return s.component(name+s.name(t), t, func() object { return s.object(t) })
}

// hasFreeText tells whether people must write a sentence somewhere in a type.
func hasFreeText(t reflect.Type) bool {
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct || shared()[t] != "" {
		return false
	}
	fields, err := strict.Fields(t)
	return err == nil && slices.ContainsFunc(fields, func(f strict.Field) bool { return f.Free && !f.Optional || hasFreeText(f.Type) })
}
