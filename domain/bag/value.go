package bag

import (
	"fmt"
	"regexp"
	"strconv"
)

// maxDigits of a number, so that it fits 64 bits in units of its last decimal.
const maxDigits = 18

// decimal reads `-?digits[.digits]` without superfluous zeros in front, in
// units of the last of the given decimals: "120.7" with 2 is 12070.
func decimal(cell []byte, decimals int) (int64, string) {
	b := cell
	negative := false
	if len(b) > 0 && b[0] == '-' {
		negative, b = true, b[1:]
	}
	var v int64
	digits, after, point := 0, 0, false
	for i, c := range b {
		switch {
		case c >= '0' && c <= '9':
			v = v*10 + int64(c-'0')
			digits++
			if point {
				after++
			}
			if i == 1 && b[0] == '0' {
				return 0, "has a zero in front"
			}
		case c == '.' && !point && i > 0 && i < len(b)-1:
			point = true
		default:
			return 0, notNumber(decimals)
		}
		if digits > maxDigits {
			return 0, "has more than 18 digits"
		}
	}
	if digits == 0 {
		return 0, notNumber(decimals)
	}
	if after > decimals {
		return 0, fmt.Sprintf("has more than %d digits after the point", decimals)
	}
	for ; after < decimals; after++ {
		if digits++; digits > maxDigits {
			return 0, "has more than 18 digits"
		}
		v *= 10
	}
	if negative {
		v = -v
	}
	return v, ""
}

func notNumber(decimals int) string {
	if decimals == 0 {
		return "is not a whole number in plain digits"
	}
	return "is not a number in plain digits with a point"
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
func token(cell []byte) bool {
	if !(cell[0] >= 'a' && cell[0] <= 'z' || cell[0] >= 'A' && cell[0] <= 'Z') {
		return false
	}
	for _, c := range cell {
		if !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '_' || c == '-' || c == '.' || c == ':') {
			return false
		}
	}
	return !maybeTrap(cell) || !spreadsheetTrap.Match(cell)
}

// maybeTrap is a cheap first look: most ids are longer than any trap.
func maybeTrap(cell []byte) bool {
	if len(cell) > len("september-2026") || len(cell) < 4 {
		return false
	}
	switch string([]byte{cell[0] | 0x20, cell[1] | 0x20, cell[2] | 0x20}) {
	case "jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec", "tru", "fal":
		return true
	}
	return false
}

var spreadsheetTrap = regexp.MustCompile(`(?i)^(?:(?:jan|feb|mar|apr|may|jun|jul|aug|sep|sept|oct|nov|dec|january|february|march|april|june|july|august|september|october|november|december)[-.:]?[0-9]{1,4}|true|false)$`)

func number(b []byte) (int64, bool) {
	var v int64
	for _, c := range b {
		if c < '0' || c > '9' {
			return 0, false
		}
		v = v*10 + int64(c-'0')
	}
	return v, len(b) > 0
}

// month counts months since year 0 of 2026-10.
func month(b []byte) (int64, string) {
	const why = "is not a month such as 2026-10"
	if len(b) != 7 || b[4] != '-' {
		return 0, why
	}
	y, ok1 := number(b[:4])
	m, ok2 := number(b[5:])
	if !ok1 || !ok2 || m < 1 || m > 12 {
		return 0, why
	}
	return y*12 + m - 1, ""
}

// date orders 2026-10-31 by 31 days a month: enough to compare.
func date(b []byte) (int64, string) {
	const why = "is not a date such as 2026-10-31"
	if len(b) != 10 || b[7] != '-' {
		return 0, why
	}
	m, bad := month(b[:7])
	d, ok := number(b[8:])
	if bad != "" || !ok || d < 1 || d > daysIn(m) {
		return 0, why
	}
	return m*31 + d - 1, ""
}

func daysIn(m int64) int64 {
	switch y := m / 12; m%12 + 1 {
	case 2:
		if y%4 == 0 && (y%100 != 0 || y%400 == 0) {
			return 29
		}
		return 28
	case 4, 6, 9, 11:
		return 30
	}
	return 31
}

// datetime checks RFC 3339 with a capital T and Z or an offset.
func datetime(b []byte) string {
	const why = "is not a time such as 2026-10-31T14:05:00-05:00"
	if len(b) < 20 || b[10] != 'T' || b[13] != ':' || b[16] != ':' {
		return why
	}
	if _, bad := date(b[:10]); bad != "" || !within(b[11:13], 23) || !within(b[14:16], 59) || !within(b[17:19], 60) {
		return why
	}
	rest := b[19:]
	if rest[0] == '.' {
		n := 1
		for n < len(rest) && rest[n] >= '0' && rest[n] <= '9' {
			n++
		}
		if n == 1 || n > 10 || n == len(rest) {
			return why
		}
		rest = rest[n:]
	}
	if len(rest) == 1 && rest[0] == 'Z' {
		return ""
	}
	if len(rest) != 6 || rest[0] != '+' && rest[0] != '-' || rest[3] != ':' || !within(rest[1:3], 23) || !within(rest[4:], 59) {
		return why
	}
	return ""
}

func within(b []byte, most int64) bool {
	v, ok := number(b)
	return ok && v <= most
}
