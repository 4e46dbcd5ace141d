package frame

import (
	stdjson "encoding/json"
	"errors"
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strings"

	"ductledger/domain"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

// checkQuery reads a query and judges it: a parameter that is not known, stands
// twice or does not fit its schema is bad_query, all of them at once. A limit
// over the largest page is cut to it. Values are never quoted: one may be a
// secret that was put into the address by mistake.
func (c *Contract) checkQuery(operationID, raw string) (url.Values, error) {
	sent, err := url.ParseQuery(raw)
	if err != nil {
		return nil, domain.Errorf(domain.BadQuery, "the query cannot be read: name=value pairs joined by & are expected")
	}
	known := c.parametersOf(operationID, "query")
	checked := url.Values{}
	var faults []domain.Fault
	for _, name := range sortedNames(sent) {
		values := sent[name]
		i := slices.IndexFunc(known, func(p Parameter) bool { return p.Name == name })
		switch {
		case i < 0:
			faults = append(faults, domain.Fault{Pointer: PointerOf([]string{printable(name)}), Code: "unknown_field",
				Detail: "this query parameter is not known here; known are " + namesText(known)})
		case len(values) > 1:
			faults = append(faults, domain.Fault{Pointer: PointerOf([]string{name}), Code: "not_unique",
				Detail: "this query parameter may stand once"})
		default:
			value := values[0]
			if name == "limit" {
				value = cutLimit(value)
			}
			faults = append(faults, c.checkText(known[i], value)...)
			checked.Set(name, value)
		}
	}
	for _, p := range known {
		if p.required && !sent.Has(p.Name) {
			faults = append(faults, domain.Fault{Pointer: PointerOf([]string{p.Name}), Code: "required",
				Detail: "this query parameter is needed"})
		}
	}
	if len(faults) == 0 {
		return checked, nil
	}
	SortFaults(faults)
	first := faults[0]
	return nil, &domain.Error{Code: domain.BadQuery, Faults: faults,
		Detail: fmt.Sprintf("query parameter %s: %s", strings.TrimPrefix(first.Pointer, "/"), first.Detail)}
}

// checkPath judges the values in the path. An address that cannot be anything's
// address is an address where nothing is: 404, with the reason.
func (c *Contract) checkPath(operationID string, values map[string]string) error {
	var faults []domain.Fault
	for _, p := range c.parametersOf(operationID, "path") {
		faults = append(faults, c.checkText(p, values[p.Name])...)
	}
	if len(faults) == 0 {
		return nil
	}
	return &domain.Error{Code: domain.NotFound, Faults: faults,
		Detail: fmt.Sprintf("%s in the path: %s", strings.TrimPrefix(faults[0].Pointer, "/"), faults[0].Detail)}
}

func (c *Contract) parametersOf(operationID, in string) []Parameter {
	op := c.Operations[operationID]
	if op == nil {
		return nil
	}
	var list []Parameter
	for _, p := range op.Parameters {
		if p.in == in {
			list = append(list, p)
		}
	}
	return list
}

// checkText judges the text of a parameter as the type that its schema names.
func (c *Contract) checkText(p Parameter, text string) []domain.Fault {
	if detail, fix := unfitText(text); detail != "" {
		return []domain.Fault{{Pointer: PointerOf([]string{p.Name}), Code: "bad_characters", Detail: detail, Fix: fix}}
	}
	faults := c.check(p.schema, typed(p.schema, text))
	for i := range faults {
		faults[i].Pointer = PointerOf([]string{p.Name}) + faults[i].Pointer
	}
	return faults
}

// plainNumber is JSON's grammar of numbers, short enough to compute with.
var plainNumber = regexp.MustCompile(`^-?(0|[1-9][0-9]{0,17})(\.[0-9]{1,17})?$`)

// typed reads text as a number, a truth value or a list where the schema wants
// one; text that is none stays text, and the schema says so.
func typed(schema *jsonschema.Schema, text string) any {
	for schema.Ref != nil && schema.Types == nil {
		schema = schema.Ref
	}
	if schema.Types == nil {
		return text
	}
	for _, want := range schema.Types.ToStrings() {
		switch {
		case (want == "integer" || want == "number") && plainNumber.MatchString(text):
			return stdjson.Number(text)
		case want == "boolean" && (text == "true" || text == "false"):
			return text == "true"
		case want == "array":
			var list []any
			for _, part := range strings.Split(text, ",") {
				if schema.Items2020 != nil {
					list = append(list, typed(schema.Items2020, part))
				} else {
					list = append(list, part)
				}
			}
			return list
		}
	}
	return text
}

// cutLimit: a page may always be shorter than asked for.
func cutLimit(text string) string {
	digits := strings.TrimLeft(text, "0")
	if text != "" && strings.Trim(text, "0123456789") == "" && (len(digits) > 3 || len(digits) == 3 && digits > "500") {
		return fmt.Sprint(MaxPage)
	}
	return text
}

func sortedNames(q url.Values) []string {
	names := make([]string, 0, len(q))
	for name := range q {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

func namesText(known []Parameter) string {
	if len(known) == 0 {
		return "none"
	}
	names := make([]string, 0, len(known))
	for _, p := range known {
		names = append(names, p.Name)
	}
	slices.Sort(names)
	return strings.Join(names, ", ")
}

// printable cuts a name that the client made up down to what may be shown.
func printable(name string) string {
	const longest = 60 // bytes
	if detail, _ := unfitText(name); detail != "" {
		return "?"
	}
	if len(name) > longest {
		name = name[:longest]
	}
	return strings.ToValidUTF8(MaskSecrets(name), "")
}

// onlyAbsent tells a query whose only fault is what it lacks.
func onlyAbsent(err error) bool {
	var e *domain.Error
	return errors.As(err, &e) && len(e.Faults) > 0 && !slices.ContainsFunc(e.Faults, func(f domain.Fault) bool { return f.Code != "required" })
}
