package pack

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// maxCell bounds one cell, in bytes: a spreadsheet holds 32,767 characters.
const maxCell = 32767

// A cellRule judges the cells of one column.
type cellRule struct {
	typ      Type
	decimals int
	required bool
	min      *int64 // as ordinal gives it
	enum     map[string]bool
}

func newCellRule(c Column) (cellRule, error) {
	k := c.Constraints
	r := cellRule{typ: c.Type, decimals: c.Decimals, required: k.Required}
	switch c.Type {
	case Text, ID, Code, Date, DateTime, Month, Integer, Number, Boolean:
	default:
		return r, fmt.Errorf("unknown type %q", c.Type)
	}
	if c.Decimals < 0 || c.Decimals > maxDecimals || c.Decimals != 0 && c.Type != Number {
		return r, fmt.Errorf("%d decimals: a number has 0 to %d, another type none", c.Decimals, maxDecimals)
	}
	if k.Minimum != "" {
		v, why := r.ordinal(k.Minimum)
		if why != "" || !slices.Contains([]Type{Integer, Number, Date, Month}, c.Type) {
			return r, fmt.Errorf("%q bounds no column of type %s", k.Minimum, c.Type)
		}
		r.min = &v
	}
	for _, v := range k.Enum {
		if _, why := r.ordinal(v); why != "" {
			return r, fmt.Errorf("listed value %q %s", v, why)
		}
	}
	if len(k.Enum) > 0 {
		r.enum = make(map[string]bool, len(k.Enum))
		for _, v := range k.Enum {
			r.enum[v] = true
		}
	}
	if c.Example != "" {
		if _, why := r.judge(c.Example); why != "" {
			return r, fmt.Errorf("example %q %s", c.Example, why)
		}
	}
	return r, nil
}

// judge gives the ordinal of a cell as it stands in the file, and why the
// column does not allow it; "" when it does.
func (r *cellRule) judge(cell string) (ordinal int64, why string) {
	if cell == "" {
		if r.required {
			return 0, "is empty and must be known"
		}
		return 0, ""
	}
	v, why := r.ordinal(cell)
	switch {
	case why != "":
		return 0, why
	case r.min != nil && v < *r.min:
		return 0, "is below the column's minimum"
	case r.enum != nil && !r.enum[cell]:
		return 0, "is not one of the column's values"
	}
	return v, ""
}

// ordinal reads a cell of the type: the value in units of the last decimal of
// an integer or number, days of a date, months of a month, else 0.
func (r *cellRule) ordinal(cell string) (int64, string) {
	if cell == "" {
		return 0, "is empty"
	}
	if len(cell) > maxCell {
		return 0, fmt.Sprintf("is longer than %d bytes", maxCell)
	}
	switch r.typ {
	case Text:
		switch {
		case !utf8.ValidString(cell):
			return 0, "is not UTF-8"
		case strings.ContainsAny(cell, "\r\n"):
			return 0, "has more than one line"
		case cell[0] != '\'' && needsGuard(cell):
			return 0, "begins like a formula and lacks the leading apostrophe"
		case cell[0] == '\'' && !needsGuard(cell[1:]):
			return 0, "has a leading apostrophe that guards nothing"
		}
	case ID, Code:
		if !token(cell) {
			return 0, "is not a letter followed by letters, digits and . _ : -, and unlike a date or true/false"
		}
	case Boolean:
		if cell != "true" && cell != "false" {
			return 0, "is neither true nor false"
		}
	case Integer:
		return decimal(cell, 0)
	case Number:
		return decimal(cell, r.decimals)
	case Date:
		day, err := time.Parse(time.DateOnly, cell)
		if err != nil {
			return 0, "is not a date such as 2026-10-31"
		}
		return day.Unix() / secondsPerDay, ""
	case Month:
		return month(cell)
	case DateTime:
		if _, err := time.Parse(time.DateOnly, cell[:min(len(cell), 10)]); err != nil || !momentForm.MatchString(cell) {
			return 0, "is not a time such as 2026-10-31T14:05:00-05:00"
		}
	}
	return 0, ""
}

const secondsPerDay = 24 * 60 * 60

// momentForm is RFC 3339 with a capital T and Z or an offset; its day is
// looked at apart.
var momentForm = regexp.MustCompile(`^.{10}T([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)(\.[0-9]{1,9})?(Z|[+-]([01][0-9]|2[0-3]):[0-5][0-9])$`)

// month counts months since year 0 of 2026-10.
func month(text string) (int64, string) {
	t, err := time.Parse("2006-01", text)
	if err != nil {
		return 0, "is not a month such as 2026-10"
	}
	return int64(t.Year())*12 + int64(t.Month()) - 1, ""
}

// maxDigits of a number, so that it fits 64 bits in units of its last decimal.
const maxDigits = 18

// decimal reads `-?digits[.digits]` without superfluous zeros in front, in
// units of the last of the given decimals: "120.7" with 2 is 12070.
func decimal(cell string, decimals int) (int64, string) {
	digits, negative := strings.CutPrefix(cell, "-")
	whole, after, point := strings.Cut(digits, ".")
	plain := func(s string) bool { return s != "" && strings.Trim(s, "0123456789") == "" }
	switch {
	case !plain(whole) || point && !plain(after):
		if decimals == 0 {
			return 0, "is not a whole number in plain digits"
		}
		return 0, "is not a number in plain digits with a point"
	case len(whole) > 1 && whole[0] == '0':
		return 0, "has a zero in front"
	case len(after) > decimals:
		return 0, fmt.Sprintf("has more than %d digits after the point", decimals)
	case len(whole)+decimals > maxDigits:
		return 0, "has more than 18 digits"
	}
	v, _ := strconv.ParseInt(whole+after+strings.Repeat("0", decimals-len(after)), 10, 64) // 18 digits at most
	if negative {
		v = -v
	}
	return v, ""
}

// Scaled writes a whole number of units of the last decimal: 1207 with 1
// decimal is "120.7".
func Scaled(v int64, decimals int) string { return string(appendScaled(nil, v, decimals)) }

func appendScaled(b []byte, v int64, decimals int) []byte {
	u, unit := uint64(v), uint64(1)
	if v < 0 {
		b = append(b, '-')
		u = -u
	}
	for range decimals {
		unit *= 10
	}
	b = strconv.AppendUint(b, u/unit, 10)
	if decimals == 0 {
		return b
	}
	b = append(b, '.')
	for u %= unit; unit > 1; u %= unit {
		unit /= 10
		b = append(b, '0'+byte(u/unit))
	}
	return b
}

// token: what a spreadsheet leaves alone. MAR1 becomes 1 March, TRUE a truth
// value, 1E5 a number; so a letter comes first and the known traps are shut.
func token(cell string) bool {
	for i, c := range []byte(cell) {
		letter := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z'
		if !letter && (i == 0 || !(c >= '0' && c <= '9' || c == '_' || c == '-' || c == '.' || c == ':')) {
			return false
		}
	}
	return len(cell) > longestTrap || !spreadsheetTrap.MatchString(cell)
}

const longestTrap = len("september-2026")

var spreadsheetTrap = regexp.MustCompile(`(?i)^(?:(?:jan|feb|mar|apr|may|jun|jul|aug|sep|sept|oct|nov|dec|january|february|march|april|june|july|august|september|october|november|december)[-.:]?[0-9]{1,4}|true|false)$`)
