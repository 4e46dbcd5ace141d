package strict

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
)

// PointerOf writes a JSON Pointer (RFC 6901).
func PointerOf(place []string) string {
	var b strings.Builder
	for _, token := range place {
		b.WriteString("/" + EscapePointer(token))
	}
	return b.String()
}

// EscapePointer writes one token of a pointer.
func EscapePointer(token string) string {
	return strings.ReplaceAll(strings.ReplaceAll(token, "~", "~0"), "/", "~1")
}

// PointerTokens are the tokens of a pointer.
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

// unitOf reads the unit off a member's name: the name ends in it.
func unitOf(name string) string {
	for _, u := range unitSuffixes() {
		if strings.HasSuffix(name, u.suffix) {
			return u.unit
		}
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

func listText(words []string) string {
	if len(words) > listed {
		words = append(slices.Clone(words[:listed]), "…")
	}
	return strings.Join(words, ", ")
}
