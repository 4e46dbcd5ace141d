package bag

import (
	"math/big"
	"strings"
	"time"
)

// Number formats of a workbook's own: no other may dress a figure up.
const (
	DayFormat    = "yyyy-mm-dd"
	MomentFormat = "yyyy-mm-dd hh:mm:ss"
)

// FigureFormat shows all digits of a figure, thousands apart.
func FigureFormat(decimals int) string {
	if decimals == 0 {
		return "#,##0"
	}
	return "#,##0." + strings.Repeat("0", decimals)
}

// SerialDay is how a spreadsheet counts the days: 1 is 1900-01-01, and a day
// too many since it holds 1900 for a leap year (right from 1900-03-01 on).
func SerialDay(t time.Time) int64 {
	return int64(t.Sub(time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)) / (24 * time.Hour))
}

const secondsPerDay = 24 * 60 * 60

// shownAs tells whether a cell of a workbook is this one: of its type and with
// exactly its value.
func (p PageCell) shownAs(c sheetCell) bool {
	switch p.Kind {
	case Words, Heading:
		return c.typ == "s" && c.text == p.Text
	case Blank:
		return false
	}
	held, ok := exact(c.text)
	if c.typ != "n" || !ok {
		return false
	}
	switch p.Kind {
	case Figure:
		want, ok := exact(p.Text)
		return ok && held.Cmp(want) == 0
	case Day:
		t, err := time.Parse(time.DateOnly, p.Text)
		return err == nil && held.Cmp(big.NewRat(SerialDay(t), 1)) == 0
	case Moment:
		t, err := time.Parse(time.DateTime, p.Text)
		if err != nil {
			return false
		}
		// A day has more seconds than a power of two can divide: to the nearest.
		seconds := SerialDay(t)*secondsPerDay + int64(t.Hour()*3600+t.Minute()*60+t.Second())
		off := held.Mul(held, big.NewRat(secondsPerDay, 1))
		off.Sub(off, big.NewRat(seconds, 1))
		return off.Abs(off).Cmp(big.NewRat(1, 2)) < 0
	}
	return false
}
