package frame

import (
	"cmp"
	"fmt"
	"maps"
	"math/big"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"ductledger/domain"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/santhosh-tekuri/jsonschema/v6/kind"
)

// CheckBody judges a whole body by the schema of its operation and gives every
// fault, sorted by place.
func (c *Contract) CheckBody(operationID string, value any) []domain.Fault {
	op := c.Operations[operationID]
	if op == nil || op.body == nil {
		return nil
	}
	return c.check(op.body, value)
}

// CheckSchema judges one value by #/components/schemas/<name>, as one record of
// a batch is judged. A name that is not there is a mistake of ours and comes
// back as a fault, so that nothing passes unjudged.
func (c *Contract) CheckSchema(name string, value any) []domain.Fault {
	schema := c.schemas[name]
	if schema == nil {
		return []domain.Fault{{Code: "unknown_kind", Detail: "there is no schema for this"}}
	}
	return c.check(schema, value)
}

// decode takes a body through all three sieves: strict JSON, schema, struct.
func (c *Contract) decode(operationID string, body []byte, into any) error {
	value, faults, err := DecodeText(body, RequestJSON())
	if err != nil {
		return err
	}
	faults = append(faults, c.CheckBody(operationID, value)...)
	SortFaults(faults)
	if err := domain.InvalidFields(faults); err != nil {
		return err
	}
	return DecodeInto(body, into)
}

func (c *Contract) check(schema *jsonschema.Schema, value any) []domain.Fault {
	err := schema.Validate(value)
	if err == nil {
		return nil
	}
	tree, ok := err.(*jsonschema.ValidationError)
	if !ok {
		return []domain.Fault{{Code: "invalid", Detail: "the value does not fit its schema"}}
	}
	r := faultReader{Contract: c}
	r.read(tree)
	faults := append(r.faults, r.lonely()...)
	SortFaults(faults)
	return slices.Compact(faults)
}

func SortFaults(faults []domain.Fault) {
	order := func(a, b domain.Fault) int {
		return cmp.Or(comparePointers(a.Pointer, b.Pointer), cmp.Compare(a.Code, b.Code))
	}
	if !slices.IsSortedFunc(faults, order) { // sorting thousands again is not free
		slices.SortStableFunc(faults, order)
	}
}

// faultReader turns the tree of errors into faults.
type faultReader struct {
	*Contract
	faults []domain.Fault
	never  []domain.Fault // from "false" schemas
}

// lonely are the fields that may never stand there, unless something else is
// wrong in the same object and explains more.
func (r *faultReader) lonely() []domain.Fault {
	return slices.DeleteFunc(r.never, func(f domain.Fault) bool {
		parent := f.Pointer[:max(0, strings.LastIndex(f.Pointer, "/"))]
		return slices.ContainsFunc(r.faults, func(o domain.Fault) bool {
			return strings.HasPrefix(o.Pointer, parent+"/")
		})
	})
}

func (r *faultReader) add(place []string, code, detail, fix string) {
	r.faults = append(r.faults, domain.Fault{Pointer: PointerOf(place), Code: code, Detail: detail, Fix: fix})
}

func (r *faultReader) read(e *jsonschema.ValidationError) {
	place := e.InstanceLocation
	unit := unitOf(place)
	switch k := e.ErrorKind.(type) {
	case *kind.OneOf:
		if len(e.Causes) == 0 {
			r.add(place, "invalid", "the value fits more than one form", "")
			return
		}
		r.read(r.likeliest(e.Causes))
	case *kind.AnyOf:
		r.read(r.likeliest(e.Causes))
	case *kind.Required:
		for _, name := range k.Missing {
			r.add(append(slices.Clone(place), name), "required", "this field is needed", "")
		}
	case *kind.DependentRequired:
		for _, name := range k.Missing {
			r.add(append(slices.Clone(place), name), "required", "this field is needed beside "+k.Prop, "")
		}
	case *kind.AdditionalProperties:
		known := r.namesAt(e.SchemaURL)
		slices.Sort(k.Properties) // they come in the order of a map
		within := PointerOf(place) + "/"
		r.faults = slices.Grow(r.faults, len(k.Properties)) // there may be thousands
		for _, name := range k.Properties {
			r.faults = append(r.faults, domain.Fault{Pointer: within + escapePointer(name), Code: "unknown_field",
				Detail: "this field is not known here", Fix: known.didYouMean(name)})
		}
	case *kind.FalseSchema:
		r.never = append(r.never, domain.Fault{Pointer: PointerOf(place), Code: "unknown_field", Detail: "this field may not stand here"})
	case *kind.Type:
		r.wrongType(place, k)
	case *kind.Const:
		r.add(place, "not_in_list", "must be "+jsonText(k.Want), "")
	case *kind.Enum:
		code, detail := "not_in_list", "must be one of "+listText(k.Want)
		if At(r.nodeAt(e.SchemaURL), discriminates) == true {
			code = "unknown_kind"
		}
		r.add(place, code, detail, "")
	case *kind.Minimum:
		r.add(place, "too_small", fmt.Sprintf("must be %s or more; %s was sent", amount(k.Want, unit), amount(k.Got, unit)), "")
	case *kind.ExclusiveMinimum:
		r.add(place, "too_small", fmt.Sprintf("must be more than %s; %s was sent", amount(k.Want, unit), amount(k.Got, unit)), "")
	case *kind.Maximum:
		r.add(place, "too_large", fmt.Sprintf("must be %s or less; %s was sent", amount(k.Want, unit), amount(k.Got, unit)), "")
	case *kind.ExclusiveMaximum:
		r.add(place, "too_large", fmt.Sprintf("must be less than %s; %s was sent", amount(k.Want, unit), amount(k.Got, unit)), "")
	case *kind.MultipleOf:
		r.add(place, "bad_step", fmt.Sprintf("must be a multiple of %s", amount(k.Want, unit)), "")
	case *kind.MinLength:
		r.add(place, "too_short", fmt.Sprintf("must have %d characters or more; %d were sent", k.Want, k.Got), "")
	case *kind.MaxLength:
		r.add(place, "too_long", fmt.Sprintf("must have %d characters or fewer; %d were sent", k.Want, k.Got), "")
	case *kind.MinItems:
		r.add(place, "too_few_items", fmt.Sprintf("must have %d items or more; %d were sent", k.Want, k.Got), "")
	case *kind.MaxItems:
		r.add(place, "too_many_items", fmt.Sprintf("must have %d items or fewer; %d were sent", k.Want, k.Got), "")
	case *kind.MinProperties:
		r.add(place, "too_few_items", fmt.Sprintf("must have %d fields or more; %d were sent", k.Want, k.Got), "")
	case *kind.MaxProperties:
		r.add(place, "too_many_items", fmt.Sprintf("must have %d fields or fewer; %d were sent", k.Want, k.Got), "")
	case *kind.UniqueItems:
		r.add(place, "not_unique", fmt.Sprintf("items %d and %d are the same", k.Duplicates[0], k.Duplicates[1]), "")
	case *kind.Pattern:
		r.add(place, "bad_pattern", "must match "+k.Want, "")
	case *kind.Format:
		r.add(place, "bad_format", "must be "+formatText(k.Want), "")
	case *kind.PropertyNames:
		r.add(append(slices.Clone(place), k.Property), "unknown_field", "this name is not allowed here", "")
	default:
		if len(e.Causes) == 0 {
			r.add(place, "invalid", "the value does not fit here", "")
		}
		for _, cause := range e.Causes {
			r.read(cause)
		}
	}
}

func (r *faultReader) wrongType(place []string, k *kind.Type) {
	want := strings.Join(k.Want, " or ")
	if k.Got == "null" {
		r.add(place, "null_not_allowed", "null is not allowed; must be "+Article(want), "leave the field out if it is not known")
		return
	}
	r.add(place, "wrong_type", fmt.Sprintf("must be %s; %s was sent", Article(want), Article(k.Got)), "")
}

// likeliest picks the branch that the sender most likely meant: of those whose
// type fits, the one with the fewest faults.
func (r *faultReader) likeliest(branches []*jsonschema.ValidationError) *jsonschema.ValidationError {
	score := func(e *jsonschema.ValidationError) int {
		probe := faultReader{Contract: r.Contract}
		probe.read(e)
		n := len(probe.faults) + len(probe.never)
		for _, f := range probe.faults {
			misfit := f.Code == "wrong_type" || f.Code == "null_not_allowed" || f.Code == "not_in_list"
			if misfit && f.Pointer == PointerOf(e.InstanceLocation) {
				n += 1000 // another form altogether
			}
		}
		return n
	}
	return slices.MinFunc(branches, func(a, b *jsonschema.ValidationError) int { return cmp.Compare(score(a), score(b)) })
}

// nodeAt is the schema's text at an address of the compiler.
func (c *Contract) nodeAt(location string) any {
	_, fragment, _ := strings.Cut(location, "#")
	if path, err := url.PathUnescape(fragment); err == nil {
		fragment = path
	}
	return At(c.Doc, PointerTokens(fragment)...)
}

// knownNames are the names of an object by their plain form.
type knownNames map[string]string

func (c *Contract) namesAt(location string) knownNames {
	properties, _ := At(c.nodeAt(location), "properties").(map[string]any)
	known := make(knownNames, len(properties))
	for _, name := range slices.Sorted(maps.Keys(properties)) {
		known[plainName(name)] = name
	}
	return known
}

// didYouMean finds the name that differs in case and underscores only.
func (k knownNames) didYouMean(name string) string {
	if known, ok := k[plainName(name)]; ok {
		return "the name is " + known
	}
	return ""
}

func plainName(name string) string {
	return strings.ToLower(strings.ReplaceAll(strings.ReplaceAll(name, "_", ""), "-", ""))
}

func amount(r *big.Rat, unit string) string {
	f, _ := r.Float64()
	return strings.TrimSpace(strconv.FormatFloat(f, 'g', -1, 64) + " " + unit)
}
