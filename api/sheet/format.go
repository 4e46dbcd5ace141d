package sheet

import (
	"fmt"
	"regexp"
	"strings"
	"time"
)

// Number formats of the workbook.
const (
	dayFormat    = "yyyy-mm-dd"
	momentFormat = "yyyy-mm-dd hh:mm:ss"
)

// figureFormat shows all digits of a figure, thousands apart.
func figureFormat(decimals int) string {
	if decimals == 0 {
		return "#,##0"
	}
	return "#,##0." + strings.Repeat("0", decimals)
}

// serialDay is how a spreadsheet counts the days: 1 is 1900-01-01, and a day
// too many since it holds 1900 for a leap year (right from 1900-03-01 on).
func serialDay(t time.Time) int64 {
	return int64(t.Sub(time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)) / (24 * time.Hour))
}

// escapeText writes a text so that XML 1.0 can hold it: a character that it
// cannot is written _x0007_, and what looks like that is written _x005F_x0007_
// (ST_Xstring of ISO/IEC 29500-1, 22.9.2.19 [mem]).
func escapeText(text string) string {
	var b strings.Builder
	for i, r := range text {
		switch {
		case r < ' ' && r != '\t' && r != '\n', r == 0xfffe, r == 0xffff:
			fmt.Fprintf(&b, "_x%04X_", r)
		case r == '_' && escapeForm.MatchString(text[i:]):
			b.WriteString("_x005F_")
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

var escapeForm = regexp.MustCompile(`^_x[0-9A-Fa-f]{4}_`)
