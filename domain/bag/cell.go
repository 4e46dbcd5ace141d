package bag

import (
	"fmt"
	"regexp"
	"unicode/utf8"
)

// maxCell bounds one cell, in bytes: a spreadsheet holds 32,767 characters.
const maxCell = 32767

// A cellRule judges the cells of one column.
type cellRule struct {
	typ      Type
	decimals int
	required bool
	unique   bool
	min, max *int64 // as ordinal gives them
	maxLen   int
	pattern  *regexp.Regexp
	enum     map[string]bool
}

func newCellRule(c Column) (cellRule, error) {
	k := c.Constraints
	r := cellRule{typ: c.Type, decimals: c.Decimals, required: k.Required, unique: k.Unique, maxLen: k.MaxLength}
	switch c.Type {
	case Text, ID, Code, Date, DateTime, Month, Integer, Number, Boolean:
	default:
		return r, fmt.Errorf("unknown type %q", c.Type)
	}
	if c.Decimals < 0 || c.Decimals > maxDecimals || c.Decimals != 0 && c.Type != Number {
		return r, fmt.Errorf("%d decimals: a number has 0 to %d, another type none", c.Decimals, maxDecimals)
	}
	if len(k.Pattern) > maxPattern {
		return r, fmt.Errorf("the pattern is longer than %d characters", maxPattern)
	}
	if k.Pattern != "" {
		re, err := regexp.Compile(`\A(?:` + k.Pattern + `)\z`)
		if err != nil {
			return r, fmt.Errorf("pattern: %w", err)
		}
		r.pattern = re
	}
	for _, bound := range []struct {
		text string
		to   **int64
	}{{k.Minimum, &r.min}, {k.Maximum, &r.max}} {
		if bound.text == "" {
			continue
		}
		v, why := r.ordinal([]byte(bound.text))
		if why != "" || c.Type == Text || c.Type == ID || c.Type == Code || c.Type == Boolean || c.Type == DateTime {
			return r, fmt.Errorf("%q bounds no column of type %s", bound.text, c.Type)
		}
		*bound.to = &v
	}
	for _, v := range k.Enum {
		if _, why := r.ordinal([]byte(v)); why != "" {
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
		if _, why := r.judge([]byte(c.Example)); why != "" {
			return r, fmt.Errorf("example %q %s", c.Example, why)
		}
	}
	return r, nil
}

// judge gives the ordinal of a cell as it stands in the file, and why the
// column does not allow it; "" when it does.
func (r *cellRule) judge(cell []byte) (ordinal int64, why string) {
	if len(cell) == 0 {
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
	case r.max != nil && v > *r.max:
		return 0, "is above the column's maximum"
	case r.maxLen > 0 && utf8.RuneCount(cell) > r.maxLen:
		return 0, "is longer than the column allows"
	case r.enum != nil && !r.enum[string(cell)]:
		return 0, "is not one of the column's values"
	case r.pattern != nil && !r.pattern.Match(cell):
		return 0, "does not have the column's form"
	}
	return v, ""
}

// ordinal reads a cell of the type: the value in units of the last decimal of
// an integer or number, days of a date, months of a month, else 0.
func (r *cellRule) ordinal(cell []byte) (int64, string) {
	if len(cell) == 0 {
		return 0, "is empty"
	}
	if len(cell) > maxCell {
		return 0, fmt.Sprintf("is longer than %d bytes", maxCell)
	}
	switch r.typ {
	case Text:
		if !utf8.Valid(cell) {
			return 0, "is not UTF-8"
		}
		if cell[0] != '\'' && needsGuard(cell) {
			return 0, "begins like a formula and lacks the leading apostrophe"
		}
		if cell[0] == '\'' && !needsGuard(cell[1:]) {
			return 0, "has a leading apostrophe that guards nothing"
		}
	case ID, Code:
		if !token(cell) {
			return 0, "is not a letter followed by letters, digits and . _ : -, and unlike a date or true/false"
		}
	case Boolean:
		if string(cell) != "true" && string(cell) != "false" {
			return 0, "is neither true nor false"
		}
	case Integer:
		return decimal(cell, 0)
	case Number:
		return decimal(cell, r.decimals)
	case Date:
		return date(cell)
	case Month:
		return month(cell)
	case DateTime:
		return 0, datetime(cell)
	}
	return 0, ""
}
