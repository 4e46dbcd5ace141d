package stat

import (
	"math"
	"strconv"
	"strings"
)

// Limits of decimal rounding: beyond them a short text such as "1e999999999"
// would ask for a gigabyte of zeros.
const (
	MaxPlaces   = 30  // digits after the point, and before it that may be rounded away
	MaxExponent = 400 // of the decimal text; float64 ends at 308
)

// Round rounds a decimal text to places digits after the point, half to even,
// on its decimal digits. Negative places round tens, hundreds …; the text may
// carry an exponent. "-0.04" to one place is "0.0".
//
//	"6.9749515" → "6.974952"   "6.9749505" → "6.974950"   at 6 places
//
// Refused: a text that is no decimal number or is beyond MaxExponent
// (/value), places beyond ±MaxPlaces (/places).
//
// Source: NIST SP 811 B.7.1 [mem].
func Round(value string, places int) (string, error) {
	if places < -MaxPlaces || places > MaxPlaces {
		return "", Refuse(OutOfRange, "/places", "", "%d is outside −%d to %d", places, MaxPlaces, MaxPlaces)
	}
	d, ok := parseDecimal(value)
	if !ok {
		return "", Refuse(OutOfRange, "/value", "", "%.40q is not a decimal number with an exponent of at most ±%d", value, MaxExponent)
	}
	return d.rounded(places).String(), nil
}

// RoundFloat is Round for a float64, in its unit. Its decimal digits are the shortest ones
// that read back as the same float64: the decimal that a person or a JSON text
// gave, so 2.675 is a tie (2.68) though its binary value lies below.
//
// Refused: x not finite (/value), places beyond ±MaxPlaces.
// Source: NIST SP 811 B.7.1 [mem].
func RoundFloat(x float64, places int) (string, error) {
	if err := Finite("/value", x, "the value's unit"); err != nil {
		return "", err
	}
	return Round(strconv.FormatFloat(x, 'e', -1, 64), places)
}

// Units gives x as a whole number of 10^−places, rounded as by RoundFloat:
// 120.71 to one place is 1207 tenths. This is how readings are stored.
//
// Refused: x not finite, or more units than int64 holds (/value).
// Source: NIST SP 811 B.7.1 [mem].
func Units(x float64, places int) (int64, error) {
	s, err := RoundFloat(x, places)
	if err != nil {
		return 0, err
	}
	whole, part, _ := strings.Cut(s, ".")
	if places < 0 {
		whole = strings.TrimSuffix(whole, strings.Repeat("0", -places))
		if whole == "" || whole == "-" {
			whole = "0"
		}
	}
	n, err := strconv.ParseInt(whole+part, 10, 64)
	if err != nil {
		return 0, Refuse(OutOfRange, "/value", "", "%v has more than %d units of 10^%d", x, int64(math.MaxInt64), -places)
	}
	return n, nil
}

// A decimal is ±digits·10^−scale; digits are '0'…'9', the first not '0' (none: zero).
type decimal struct {
	negative bool
	digits   []byte
	scale    int
}

func parseDecimal(s string) (decimal, bool) {
	var d decimal
	if s != "" && (s[0] == '-' || s[0] == '+') {
		d.negative = s[0] == '-'
		s = s[1:]
	}
	mantissa := s
	if i := strings.IndexAny(s, "eE"); i >= 0 {
		exponent := s[i+1:]
		mantissa = s[:i]
		e, err := strconv.Atoi(exponent)
		if err != nil || e < -MaxExponent || e > MaxExponent {
			return d, false
		}
		d.scale = -e
	}
	whole, part, _ := strings.Cut(mantissa, ".")
	if whole+part == "" || len(whole+part) > 2*MaxExponent {
		return d, false
	}
	for _, c := range []byte(whole + part) {
		if c < '0' || c > '9' {
			return d, false
		}
	}
	d.scale += len(part)
	d.digits = []byte(strings.TrimLeft(whole+part, "0"))
	return d, true
}

// rounded gives d with exactly places digits after the point.
func (d decimal) rounded(places int) decimal {
	r := decimal{negative: d.negative, scale: places}
	drop := d.scale - places
	if drop <= 0 {
		r.digits = append([]byte(nil), d.digits...)
		for ; drop < 0 && len(r.digits) > 0; drop++ {
			r.digits = append(r.digits, '0')
		}
		return r
	}
	if drop > len(d.digits) {
		return r // less than a tenth of a unit
	}
	keep, rest := d.digits[:len(d.digits)-drop], d.digits[len(d.digits)-drop:]
	r.digits = append([]byte(nil), keep...)
	odd := len(keep) > 0 && (keep[len(keep)-1]-'0')%2 == 1
	beyond := strings.Trim(string(rest[1:]), "0") != ""
	if rest[0] > '5' || rest[0] == '5' && (beyond || odd) {
		r.digits = increment(r.digits)
	}
	return r
}

func increment(digits []byte) []byte {
	for i := len(digits) - 1; i >= 0; i-- {
		if digits[i] < '9' {
			digits[i]++
			return digits
		}
		digits[i] = '0'
	}
	return append([]byte{'1'}, digits...)
}

// String writes plain digits, no exponent; zero has no sign.
func (d decimal) String() string {
	digits := string(d.digits)
	if d.scale < 0 && digits != "" {
		digits += strings.Repeat("0", -d.scale)
	}
	if short := max(d.scale, 0) + 1 - len(digits); short > 0 {
		digits = strings.Repeat("0", short) + digits
	}
	if d.scale > 0 {
		point := len(digits) - d.scale
		digits = digits[:point] + "." + digits[point:]
	}
	if d.negative && len(d.digits) > 0 {
		return "-" + digits
	}
	return digits
}
