package worklist

import (
	"testing"

	"ductledger/domain"
)

// Days are calendar days: 2026-11-01 has 25 hours and 2026-03-08 has 23 where
// this program works (tz database, America/Los_Angeles).
func TestCalendarDays(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		from domain.Date
		days int
		to   domain.Date
	}{
		{"2026-10-31", 0, "2026-10-31"}, {"2026-10-31", 1, "2026-11-01"}, {"2026-10-31", 2, "2026-11-02"}, {"2026-03-07", 2, "2026-03-09"},
		{"2026-12-31", 60, "2027-03-01"}, {"2028-02-28", 1, "2028-02-29"}, {"2026-11-01", -1, "2026-10-31"},
	} {
		if got := dayAfter(row.from, row.days); got != row.to {
			t.Errorf("%s and %d days are %s, want %s", row.from, row.days, got, row.to)
		}
		if got := daysBetween(row.from, row.to); got != row.days {
			t.Errorf("from %s to %s are %d days, want %d", row.from, row.to, got, row.days)
		}
	}
}
