package strict

import (
	"fmt"
	"reflect"
	"regexp"

	"ductledger/domain"
)

// A Param is a value in the path of an address.
type Param struct {
	Description string
	Type        reflect.Type
	Check       Check
}

// Judge says what is wrong with the text of a value in a path.
func (p *Param) Judge(name, text string) ([]domain.Fault, error) {
	n, err := newNode(p.Type, &p.Check, nil)
	if err != nil {
		return nil, err
	}
	return n.judge(name, text, p.Type), nil
}

// Params are the parameters of a query: the members of a struct.
type Params struct{ o *objectNode }

// ParamsOf reads them; t is nil where there are none.
func ParamsOf(t reflect.Type) (Params, error) {
	if t == nil {
		return Params{&objectNode{}}, nil
	}
	o, err := newObject(t)
	return Params{o}, err
}

// Known are their names, to be read by people.
func (p Params) Known() string { return p.o.known }

// Needed are those that cannot be left out.
func (p Params) Needed() (names []string) {
	for _, m := range p.o.list {
		if !m.Optional {
			names = append(names, m.Name)
		}
	}
	return names
}

// Judge says what is wrong with one; known is false where there is none of the name.
func (p Params) Judge(name, text string) (faults []domain.Fault, known bool) {
	m := p.o.byName[name]
	if m == nil {
		return nil, false
	}
	return m.node.judge(name, text, m.Type), true
}

// plainNumber is JSON's grammar of numbers, short enough to compute with.
var plainNumber = regexp.MustCompile(`^-?(0|[1-9][0-9]{0,17})(\.[0-9]{1,17})?$`)

// judge takes a text for what its type is on the wire.
func (n *node) judge(name, text string, t reflect.Type) []domain.Fault {
	r := &reader{place: []step{{name: name}}}
	if detail, fix := UnfitText(text); detail != "" {
		r.fault("bad_characters", detail, fix)
		return r.faults.done().List
	}
	v := reflect.New(t).Elem()
	for v.Kind() == reflect.Pointer {
		v = reflect.New(v.Type().Elem()).Elem()
	}
	switch n.form {
	case truth:
		if text != "true" && text != "false" {
			r.fault("wrong_type", "must be a boolean: true or false", "")
		}
	case real, whole:
		if !plainNumber.MatchString(text) {
			r.fault("wrong_type", fmt.Sprintf("must be %s; a string was sent", Article(n.want)), "")
			break
		}
		var f float64
		if _, err := fmt.Sscan(text, &f); err == nil {
			r.judgeNumber([]byte(text), f, n)
		}
	default:
		r.judgeText(v, []byte(text), n)
	}
	return r.faults.done().List
}
