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
	// Single values are judged where they are read; here these tags only need a meaning.
	if err := v.RegisterValidation("snake", func(level validator.FieldLevel) bool { return snakeCase.MatchString(level.Field().String()) }); err != nil {
		return nil, err
	}
	v.RegisterStructValidation(measurementReadings, domain.Measurement{})
	return &Checker{v}, nil
}

var snakeCase = regexp.MustCompile("^[a-z][a-z0-9_]*$")

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
		if fault := faultOf(b); fault.Detail != "" { // what one value must be was judged before
			faults = append(faults, fault)
		}
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
	fault := domain.Fault{Pointer: pointerTo(b.Namespace()), Code: b.Tag()}
	other := snake(b.Param())
	switch b.Tag() {
	case "notbefore", "beyond":
		fault.Code = "order"
		fault.Detail = b.Field() + " cannot lie before " + other
		if b.Type() != reflect.TypeFor[time.Time]() && b.Type() != reflect.TypeFor[domain.Date]() {
			fault.Detail = b.Field() + " must be more than " + other
		}
	case "nefield":
		fault.Code, fault.Detail = "order", b.Field()+" must differ from "+other
	case "excluded_with":
		fault.Code, fault.Detail = "one_holder", "only one of "+b.Field()+" and "+other+" can be given"
	case "required_without_all":
		fault.Code, fault.Detail = "required", b.Field()+" or "+other+" is needed"
	case "required_with_all":
		fault.Code, fault.Detail = "required", b.Field()+" is needed together with "+other
	case "required_if":
		fault.Code, fault.Detail = "required", b.Field()+" is needed here"
	default:
		fault.Detail = wanted[b.Tag()]
	}
	return fault
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
