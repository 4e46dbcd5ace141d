package frame

import (
	"errors"
	"fmt"
	"maps"
	"net/url"
	"reflect"
	"slices"
	"strings"

	"ductledger/api/strict"
	"ductledger/domain"
)

// What many queries have.
type (
	// LimitQuery bounds a page.
	LimitQuery struct {
		// At most so many items a page; more than 500 is taken as 500. A page may be shorter.
		Limit int `json:"limit,omitzero" validate:"omitempty,gte=1" default:"50"`
	}
	// PageQuery goes from page to page.
	PageQuery struct {
		LimitQuery
		// The `next` of the page before; opaque and bound to its filters.
		After string `json:"after,omitzero" validate:"omitempty,min=1,max=400"`
	}
	// PeriodQuery is of a period of days.
	PeriodQuery struct {
		// The first day of the period.
		From domain.Date `json:"from"`
		// The day after the last of the period.
		Before domain.Date `json:"before"`
	}
	// PositionQuery is of what stood at a position.
	PositionQuery struct {
		// Asks what stood at this position; the head without.
		Position int64 `json:"position,omitzero" validate:"omitempty,gte=0,lte=9007199254740991"`
	}
)

// PathValues are the values that stand in addresses.
func PathValues() map[string]strict.Param {
	return map[string]strict.Param{
		"id":       {Description: "The id of the record or item.", Type: reflect.TypeFor[domain.UUID]()},
		"month":    {Description: "A month where the program works.", Type: reflect.TypeFor[domain.Month]()},
		"revision": {Description: "The revision of the package: `2` in a program with one fund or none, `utility_fund-r2` of one of several.", Type: reflect.TypeFor[string]()},
	}
}

// checkQuery reads a query and judges it: a parameter that is not known, stands
// twice or does not fit its type is bad_query, all of them at once. A limit
// over the largest page is cut to it. Values are never quoted: one may be a
// secret that was put into the address by mistake.
func checkQuery(params strict.Params, raw string) (url.Values, error) {
	sent, err := url.ParseQuery(raw)
	if err != nil {
		return nil, domain.Errorf(domain.BadQuery, "the query cannot be read: name=value pairs joined by & are expected")
	}
	checked := url.Values{}
	var faults []domain.Fault
	for _, name := range slices.Sorted(maps.Keys(sent)) {
		values := sent[name]
		value := values[0]
		if name == "limit" {
			value = cutLimit(value)
		}
		bad, known := params.Judge(name, value)
		switch {
		case !known:
			fault := domain.Fault{Pointer: strict.PointerOf([]string{printable(name)}), Code: "unknown_field",
				Detail: "this query parameter is not known here; known are " + orNone(params.Known())}
			if MaskSecrets(value) != value {
				fault.Fix = "a token goes into the header field Authorization, never into an address, which is logged on its way: have this one revoked"
			}
			faults = append(faults, fault)
		case len(values) > 1:
			faults = append(faults, domain.Fault{Pointer: strict.PointerOf([]string{name}), Code: "not_unique",
				Detail: "this query parameter may stand once"})
		default:
			faults = append(faults, bad...)
			checked.Set(name, value)
		}
	}
	for _, name := range params.Needed() {
		if !sent.Has(name) {
			faults = append(faults, domain.Fault{Pointer: strict.PointerOf([]string{name}), Code: "required",
				Detail: "this query parameter is needed"})
		}
	}
	if len(faults) == 0 {
		return checked, nil
	}
	strict.SortFaults(faults)
	first := faults[0]
	return nil, &domain.Error{Code: domain.BadQuery, Faults: faults,
		Detail: fmt.Sprintf("query parameter %s: %s", strings.TrimPrefix(first.Pointer, "/"), first.Detail)}
}

func orNone(names string) string {
	if names == "" {
		return "none"
	}
	return names
}

// checkPath judges the values in the path. An address that cannot be anything's
// address is an address where nothing is: 404, with the reason.
func checkPath(values map[string]string) error {
	var faults []domain.Fault
	known := PathValues()
	for name, text := range values {
		if p, ok := known[name]; ok {
			bad, err := p.Judge(name, text)
			if err != nil {
				return err
			}
			faults = append(faults, bad...)
		}
	}
	if len(faults) == 0 {
		return nil
	}
	strict.SortFaults(faults)
	return &domain.Error{Code: domain.NotFound, Faults: faults,
		Detail: fmt.Sprintf("%s in the path: %s", strings.TrimPrefix(faults[0].Pointer, "/"), faults[0].Detail)}
}

// cutLimit: a page may always be shorter than asked for.
func cutLimit(text string) string {
	digits := strings.TrimLeft(text, "0")
	if text != "" && strings.Trim(text, "0123456789") == "" && (len(digits) > 3 || len(digits) == 3 && digits > "500") {
		return fmt.Sprint(MaxPage)
	}
	return text
}

// printable cuts a name that the client made up down to what may be shown.
func printable(name string) string {
	const longest = 60 // bytes
	if detail, _ := strict.UnfitText(name); detail != "" {
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
