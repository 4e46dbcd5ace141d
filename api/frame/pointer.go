package frame

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"
)

// PointerOf writes a JSON Pointer (RFC 6901).
func PointerOf(place []string) string {
	var b strings.Builder
	for _, token := range place {
		b.WriteString("/" + escapePointer(token))
	}
	return b.String()
}

func escapePointer(token string) string {
	return strings.ReplaceAll(strings.ReplaceAll(token, "~", "~0"), "/", "~1")
}

func PointerTokens(pointer string) []string {
	if pointer == "" {
		return nil
	}
	tokens := strings.Split(strings.TrimPrefix(pointer, "/"), "/")
	for i, t := range tokens {
		tokens[i] = strings.ReplaceAll(strings.ReplaceAll(t, "~1", "/"), "~0", "~")
	}
	return tokens
}

// comparePointers orders places as a reader meets them: /items/2 before
// /items/10, an object before what stands in it. It runs for every pair of
// thousands of faults and takes no memory.
func comparePointers(a, b string) int {
	for a != "" && b != "" {
		var x, y string
		x, a = firstToken(a)
		y, b = firstToken(b)
		if order := compareTokens(x, y); order != 0 {
			return order
		}
	}
	return cmp.Compare(len(a), len(b))
}

// firstToken splits a pointer after its first token, which stays escaped.
func firstToken(pointer string) (token, rest string) {
	pointer = strings.TrimPrefix(pointer, "/")
	if end := strings.IndexByte(pointer, '/'); end >= 0 {
		return pointer[:end], pointer[end:]
	}
	return pointer, ""
}

func compareTokens(x, y string) int {
	if x == y {
		return 0
	}
	if isNumber(x) && isNumber(y) {
		m, _ := strconv.Atoi(x)
		n, _ := strconv.Atoi(y)
		return cmp.Or(cmp.Compare(m, n), cmp.Compare(x, y))
	}
	return cmp.Compare(x, y)
}

// isNumber is whether a token may be an index, which is short.
func isNumber(token string) bool {
	const longest = 9
	return token != "" && len(token) <= longest && strings.Trim(token, "0123456789") == ""
}

// unitOf reads the unit off a field's name: the name ends in it. An item of an
// array has the unit of the array.
func unitOf(place []string) string {
	for i := len(place) - 1; i >= 0; i-- {
		if _, err := strconv.Atoi(place[i]); err == nil {
			continue
		}
		for _, u := range unitSuffixes() {
			if strings.HasSuffix(place[i], u.suffix) {
				return u.unit
			}
		}
		return ""
	}
	return ""
}

type unitSuffix struct{ suffix, unit string }

// unitSuffixes are tried in order, so the longer ones of a family come first.
func unitSuffixes() []unitSuffix {
	return []unitSuffix{
		{"_cfm25_per_100ft2", "cfm at 25 Pa per 100 ft²"},
		{"_cfm25", "cfm at 25 Pa"}, {"_cfm50", "cfm at 50 Pa"}, {"_cfm", "cfm"},
		{"_pa", "Pa"}, {"_in", "in"}, {"_ft2", "ft²"}, {"_ft", "ft"}, {"_mils", "mils"},
		{"_f", "°F"}, {"_btu_h", "Btu/h"}, {"_ppm", "ppm"}, {"_s", "s"},
		{"_cents", "US cents"}, {"_bytes", "bytes"},
	}
}

// formatText says what a format wants.
func formatText(format string) string {
	switch format {
	case "uuid":
		return "a UUID: 36 characters, lower-case hexadecimal digits with dashes"
	case "date":
		return "a date such as 2026-10-14"
	case "date-time":
		return "an RFC 3339 time with offset, such as 2026-10-14T09:30:00-05:00"
	}
	return "in the format " + format
}

// Article makes "string" into "a string".
func Article(words string) string {
	if words == "" || words == "null" {
		return words
	}
	if strings.ContainsRune("aeiou", rune(words[0])) {
		return "an " + words
	}
	return "a " + words
}

// listed is how many values of a closed list a fault names.
const listed = 60

func listText(values []any) string {
	words := make([]string, 0, len(values))
	for _, v := range values[:min(len(values), listed)] {
		words = append(words, jsonText(v))
	}
	if len(values) > listed {
		words = append(words, "…")
	}
	return strings.Join(words, ", ")
}

func jsonText(v any) string {
	if v == nil {
		return "null"
	}
	return fmt.Sprint(v)
}
