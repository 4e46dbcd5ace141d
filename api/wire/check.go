package wire

import (
	"cmp"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"time"

	"ductledger/domain"

	"github.com/go-playground/validator/v10"
)

// Checker finds what needs two fields of a record.
type Checker struct{ validate *validator.Validate }

// NewChecker reads the tags on the records.
func NewChecker() (*Checker, error) {
	v := validator.New(validator.WithRequiredStructEnabled())
	v.RegisterTagNameFunc(func(f reflect.StructField) string {
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		return name
	})
	// The library's own gtefield compares texts by their length and refuses a
	// value whose partner is absent; what is not known contradicts nothing.
	for tag, holds := range map[string]func(int) bool{"notbefore": func(c int) bool { return c >= 0 }, "beyond": func(c int) bool { return c > 0 }} {
		if err := v.RegisterValidation(tag, ordered(holds)); err != nil {
			return nil, err
		}
	}
	v.RegisterStructValidation(measurementReadings, domain.Measurement{})
	for _, row := range domain.Kinds {
		onlyPairs(v, reflect.TypeOf(row.New()).Elem())
	}
	return &Checker{v}, nil
}

// onlyPairs leaves a struct and those within it the tags that need a second
// field: single values are judged where they are read. It tells whether any is left.
func onlyPairs(v *validator.Validate, t reflect.Type) (any bool) {
	rules := map[string]string{}
	for i := range t.NumField() {
		f := t.Field(i)
		inner, repeated := f.Type, false
		for inner.Kind() == reflect.Pointer || inner.Kind() == reflect.Slice {
			inner, repeated = inner.Elem(), repeated || inner.Kind() == reflect.Slice
		}
		within := inner.Kind() == reflect.Struct && inner.PkgPath() == t.PkgPath() && onlyPairs(v, inner)
		var kept []string
		for tag := range strings.SplitSeq(f.Tag.Get("validate"), ",") {
			name, _, _ := strings.Cut(tag, "=")
			if _, pair := pairs[name]; pair || name == "omitempty" {
				kept = append(kept, tag)
			}
		}
		switch left := strings.Join(kept, ","); {
		case within && repeated:
			rules[f.Name] = strings.TrimPrefix(left+",dive", ",")
		case within, left != "" && left != "omitempty":
			rules[f.Name] = left
		default:
			rules[f.Name] = "-"
			continue
		}
		any = true
	}
	v.RegisterStructValidationMapRules(rules, reflect.New(t).Elem().Interface())
	return any
}

// ordered compares a field with another of the same struct.
func ordered(holds func(int) bool) validator.Func {
	return func(level validator.FieldLevel) bool {
		other, kind, _, found := level.GetStructFieldOK2()
		if !found || kind == reflect.Invalid || kind == reflect.Pointer || other.IsZero() {
			return true
		}
		switch a := level.Field().Interface().(type) {
		case time.Time:
			return holds(a.Compare(other.Interface().(time.Time)))
		case domain.Date:
			return holds(strings.Compare(string(a), string(other.Interface().(domain.Date))))
		case float64:
			return holds(cmp.Compare(a, other.Interface().(float64)))
		}
		return false
	}
}

// Record gives every fault of one record that the schema cannot see.
func (c *Checker) Record(record domain.Record) []domain.Fault {
	err := c.validate.Struct(record)
	broken, _ := err.(validator.ValidationErrors)
	faults := make([]domain.Fault, 0, len(broken))
	for _, b := range broken {
		faults = append(faults, faultOf(b))
	}
	slices.SortFunc(faults, func(a, b domain.Fault) int { return strings.Compare(a.Pointer, b.Pointer) })
	return faults
}

var indexed = regexp.MustCompile(`\[(\d+)\]`)

// pointerTo turns Measurement.readings[3].pressure_pa into /readings/3/pressure_pa.
func pointerTo(namespace string) string {
	_, path, _ := strings.Cut(namespace, ".")
	return "/" + strings.ReplaceAll(indexed.ReplaceAllString(path, ".$1"), ".", "/")
}

func faultOf(b validator.FieldError) domain.Fault {
	pair := pairs[b.Tag()]
	if pair.code == "" {
		return domain.Fault{Pointer: pointerTo(b.Namespace()), Code: b.Tag(), Detail: wanted[b.Tag()]}
	}
	return domain.Fault{Pointer: pointerTo(b.Namespace()), Code: pair.code, Detail: pair.detail(b, snake(b.Param()))}
}

// pairs are the tags that need a second field, with the code and the words of
// what is wrong.
var pairs = map[string]struct {
	code   string
	detail func(b validator.FieldError, other string) string
}{
	"notbefore": {"order", ordering}, "beyond": {"order", ordering},
	"nefield": {"order", func(b validator.FieldError, other string) string { return b.Field() + " must differ from " + other }},
	"excluded_with": {"one_holder", func(b validator.FieldError, other string) string {
		return "only one of " + b.Field() + " and " + other + " can be given"
	}},
	"required_without_all": {"required", func(b validator.FieldError, other string) string { return b.Field() + " or " + other + " is needed" }},
	"required_with_all": {"required", func(b validator.FieldError, other string) string {
		return b.Field() + " is needed together with " + other
	}},
	"required_if": {"required", func(b validator.FieldError, _ string) string { return b.Field() + " is needed here" }},
}

func ordering(b validator.FieldError, other string) string {
	if b.Type() != reflect.TypeFor[time.Time]() && b.Type() != reflect.TypeFor[domain.Date]() {
		return b.Field() + " must be more than " + other
	}
	return b.Field() + " cannot lie before " + other
}

// snake is the wire name of a Go field named in a tag.
func snake(field string) string {
	var b strings.Builder
	for i, r := range field {
		if i > 0 && r >= 'A' && r <= 'Z' && !(field[i-1] >= 'A' && field[i-1] <= 'Z') {
			b.WriteByte('_')
		}
		b.WriteRune(r)
	}
	return strings.ToLower(b.String())
}
