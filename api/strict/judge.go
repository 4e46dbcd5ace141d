package strict

import (
	"bytes"
	"fmt"
	"math/big"
	"reflect"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"ductledger/domain"

	"github.com/go-json-experiment/json/jsontext"
	"golang.org/x/text/unicode/norm"
)

// judgeNumber notes what is wrong with a number, and tells whether it can be kept.
func (r *reader) judgeNumber(text []byte, f float64, n *node) bool {
	if n.form == whole && !isWhole(text) {
		r.fault("wrong_type", "must be an integer; a number was sent", "")
		return false
	}
	fits := true
	limit := func(bound *float64, broken func(int) bool, code, words string) {
		if bound != nil && broken(compareExactly(text, f, *bound)) {
			unit := r.unit()
			r.fault(code, fmt.Sprintf("must be "+words+"; %s was sent", amount(*bound, unit), amount(f, unit)), "")
			fits = false
		}
	}
	limit(n.check.Least, func(c int) bool { return c < 0 }, "too_small", "%s or more")
	limit(n.check.Above, func(c int) bool { return c <= 0 }, "too_small", "more than %s")
	limit(n.check.Most, func(c int) bool { return c > 0 }, "too_large", "%s or less")
	limit(n.check.Below, func(c int) bool { return c >= 0 }, "too_large", "less than %s")
	return fits && (n.form != whole || f >= -1<<63 && f < 1<<63)
}

// isWhole tells whether a number has no fraction, however it is written.
func isWhole(text []byte) bool {
	if !bytes.ContainsAny(text, ".eE") {
		return true
	}
	exact, ok := new(big.Rat).SetString(string(text))
	return ok && exact.IsInt()
}

// exactDigits is how many characters of a number a double keeps apart.
const exactDigits = 15

// compareExactly compares a number as it was written with a limit: close to the
// limit its double may be the limit's.
func compareExactly(text []byte, f, limit float64) int {
	switch {
	case f < limit:
		return -1
	case f > limit:
		return 1
	case len(text) <= exactDigits:
		return 0
	}
	sent, _ := new(big.Rat).SetString(string(text))
	bound, _ := new(big.Rat).SetString(strconv.FormatFloat(limit, 'f', -1, 64))
	return sent.Cmp(bound)
}

func amount(f float64, unit string) string {
	return strings.TrimSpace(strconv.FormatFloat(f, 'g', -1, 64) + " " + unit)
}

// judgeText notes what is wrong with a text, or keeps it.
func (r *reader) judgeText(v reflect.Value, text []byte, n *node) {
	switch n.form {
	case closed:
		if word, known := n.words[string(text)]; known {
			v.SetString(word)
		} else {
			fix := ""
			if near, _ := nearest(string(text), n.told); near != "" {
				fix = "the nearest is " + near
			}
			r.fault(n.unlike, "must be one of "+listText(n.told), fix)
		}
		return
	case id:
		if v.Addr().Interface().(*domain.UUID).UnmarshalText(text) != nil {
			r.fault("bad_format", "must be "+idText, "")
		}
		return
	case moment:
		r.moment(text, v.Addr().Interface().(*time.Time))
		return
	case day:
		if r.day(string(text)) {
			v.SetString(string(text))
		}
		return
	case month:
		if !isMonth(text) {
			r.fault("bad_pattern", "must be a month such as 2026-10, from 1900 on", "")
			return
		}
	}
	length := utf8.RuneCount(text)
	if n.check.Min != nil && length < *n.check.Min {
		r.fault("too_short", fmt.Sprintf("must have %d characters or more; %d were sent", *n.check.Min, length), "")
	}
	if n.check.Max != nil && length > *n.check.Max {
		r.fault("too_long", fmt.Sprintf("must have %d characters or fewer; %d were sent", *n.check.Max, length), "")
		return
	}
	if n.pattern != nil && !n.pattern.Match(text) {
		r.fault("bad_pattern", "must match "+n.pattern.String(), n.patternFix)
	}
	if !n.isTime || r.moment(text, new(time.Time)) {
		v.SetString(string(text))
	}
}

// fits tells whether a name of a map may stand there.
func (n *node) fits(name string) bool {
	length := utf8.RuneCountInString(name)
	return (n.check.Min == nil || length >= *n.check.Min) && (n.check.Max == nil || length <= *n.check.Max) && (n.pattern == nil || n.pattern.MatchString(name))
}

const (
	idText     = "a UUID: 36 characters, lower-case hexadecimal digits with dashes"
	dayText    = "a date such as 2026-10-14"
	momentText = "an RFC 3339 time with offset, such as 2026-10-14T09:30:00-05:00"
)

// moment keeps a time that Go and Postgres both read, or notes what is wrong
// with it. Whoever reads it later finds the offset as it was sent.
func (r *reader) moment(text []byte, into *time.Time) bool {
	s := string(text)
	shaped := len(s) > 19 && s[0] != '0' && looksLike("0000-00-00T00:00:00", s[:19]) && endsLikeMoment(s[19:])
	if shaped && into.UnmarshalText(text) == nil && inRange(*into) {
		return true
	}
	_, err := time.Parse(time.RFC3339Nano, s)
	switch {
	case len(s) > 10 && looksLike("0000-00-00", s[:10]) && impossibleDay(s) != "":
		r.fault("no_such_day", impossibleDay(s), "")
	case !shaped && err == nil && !strings.ContainsAny(s, ",tz"): // Go would take a comma before the fraction
		r.fault("bad_pattern", "must be "+momentText+", in a year from 1000 on, with 9 digits of a fraction at most", "")
	default:
		r.fault("bad_format", "must be "+momentText, "")
	}
	return false
}

func (r *reader) day(text string) bool {
	t, err := time.Parse(time.DateOnly, text)
	switch {
	case err == nil && inRange(t) && text[0] != '0':
		return true
	case err == nil && inRange(t):
		r.fault("bad_pattern", "the year must be 1000 or later", "")
	case looksLike("0000-00-00", text) && impossibleDay(text) != "":
		r.fault("no_such_day", impossibleDay(text), "")
	default:
		r.fault("bad_format", "must be "+dayText, "")
	}
	return false
}

// impossibleDay says why a well-formed date is none: the 31st of February.
func impossibleDay(text string) string {
	year, _ := strconv.Atoi(text[:4])
	month, _ := strconv.Atoi(text[5:7])
	day, _ := strconv.Atoi(text[8:10])
	switch {
	case year < 1:
		return "there is no year 0"
	case month < 1 || month > 12:
		return fmt.Sprintf("there is no month %d", month)
	}
	if last := time.Date(year, time.Month(month)+1, 0, 0, 0, 0, 0, time.UTC).Day(); day < 1 || day > last {
		return fmt.Sprintf("%s %d has no day %d; its last is %d", time.Month(month), year, day, last)
	}
	return ""
}

// looksLike compares a text with a layout in which 0 is any digit.
func looksLike(layout, text string) bool {
	if len(text) != len(layout) {
		return false
	}
	for i := range len(layout) {
		digit := text[i] >= '0' && text[i] <= '9'
		if layout[i] == '0' && !digit || layout[i] != '0' && text[i] != layout[i] {
			return false
		}
	}
	return true
}

// endsLikeMoment judges fraction and offset.
func endsLikeMoment(rest string) bool {
	if strings.HasPrefix(rest, ".") {
		digits := len(rest) - 1 - len(strings.TrimLeft(rest[1:], "0123456789"))
		if digits < 1 || digits > 9 {
			return false
		}
		rest = rest[1+digits:]
	}
	return rest == "Z" || len(rest) == len("+00:00") && (rest[0] == '+' || rest[0] == '-') && looksLike("00:00", rest[1:])
}

// inRange: Postgres knows no year 0 and no offset of 16 hours or more.
func inRange(t time.Time) bool {
	const most = 16 * 60 * 60 // s
	_, offset := t.Zone()
	return t.Year() >= 1 && offset > -most && offset < most
}

// isMonth: a calendar month of the twentieth century or the next.
func isMonth(text []byte) bool {
	s := string(text)
	return len(s) == 7 && looksLike("0000-00", s) && (s[:2] == "19" || s[:2] == "20") && s[5:] >= "01" && s[5:] <= "12"
}

// judgeCount notes too few or too many items of a list or members of a map.
func (r *reader) judgeCount(count int, n *node, what string) {
	if n.check.Min != nil && count < *n.check.Min {
		r.fault("too_few_items", fmt.Sprintf("must have %d %s or more; %d were sent", *n.check.Min, what, count), "")
	}
	if n.check.Max != nil && count > *n.check.Max {
		r.fault("too_many_items", fmt.Sprintf("must have %d %s or fewer; %d were sent", *n.check.Max, what, count), "")
	}
}

// judgeMembers notes members that are needed and did not come.
func (r *reader) judgeMembers(o *objectNode, seen *members) {
	for _, m := range o.list {
		if seen.has(m.number) {
			continue
		}
		stands := func(name string) bool { other := o.byName[name]; return other != nil && seen.has(other.number) }
		detail := ""
		if !m.Optional {
			detail = "this field is needed"
		}
		for _, other := range m.With {
			if stands(other) {
				detail = "this field is needed beside " + other
				break
			}
		}
		if len(m.Without) > 0 {
			any := false
			for _, other := range m.Without {
				any = any || stands(other)
			}
			if !any {
				detail = "this field is needed"
			}
		}
		if detail != "" {
			r.faults.add(note{Fault: domain.Fault{Pointer: r.pointer(step{name: m.Name}), Code: "required", Detail: detail}})
		}
	}
}

// firstTwins finds two items that mean the same.
func firstTwins(spans [][]byte) (i, j int, same bool) {
	first := make(map[string]int, len(spans))
	for j, span := range spans {
		if span[0] != '"' || bytes.IndexByte(span, '\\') >= 0 {
			value := jsontext.Value(span).Clone()
			if value.Canonicalize() == nil {
				span = value
			}
		}
		if i, twice := first[string(span)]; twice {
			return i, j, true
		}
		first[string(span)] = j
	}
	return 0, 0, false
}

// UnfitText says what is wrong with a text that is to be stored; empty when
// nothing is.
func UnfitText(s string) (detail, fix string) {
	switch {
	case !utf8.ValidString(s):
		return "the text is not UTF-8", "send UTF-8"
	case strings.IndexFunc(s, unicode.IsControl) >= 0:
		return "control characters are not allowed", "send line breaks and tabs as spaces"
	case !norm.NFC.IsNormalString(s):
		return "the text is not in Unicode normalization form C", "normalize the text to NFC before sending"
	}
	return "", ""
}
