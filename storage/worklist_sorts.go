package storage

import (
	"fmt"
	"strings"
	"time"

	"ductledger/domain"
)

// worklistSort is one row of the table of what may wait.
type worklistSort struct {
	name    string
	subject string        // kind of the subject; a held item is none of the records
	ahead   bool          // its day is the one until which something is good or due
	roles   []domain.Role // for whom it waits
	sql     string
	args    func(*worklistArgs) Args
	detail  func(word string, days int) string
}

// worklistArgs are the moments and days that the statements compare with.
type worklistArgs struct {
	now   time.Time
	today domain.Date
	days  WorklistDays
}

func (a *worklistArgs) before(days int) time.Time { return a.now.AddDate(0, 0, -days) }

func (a *worklistArgs) day(days int) *string {
	day := string(dayAfter(a.today, days))
	return &day
}

// lapses are the papers whose last day lies within from … to days from today;
// a negative to is before today, however long ago.
func lapses(from, to func(WorklistDays) int) func(*worklistArgs) Args {
	return func(a *worklistArgs) Args {
		first := a.day(from(a.days))
		return Args{"first_day": first, "last_day": a.day(to(a.days))}
	}
}

func lapsed(a *worklistArgs) Args { return Args{"first_day": (*string)(nil), "last_day": a.day(-1)} }

// worklistSorts is the table of all sorts, in the order in which equally old
// ones are shown.
func worklistSorts() []worklistSort {
	office := []domain.Role{domain.Staff, domain.Admin}
	crews := append([]domain.Role{domain.Field, domain.ContractorRole}, office...)
	notFirm := append([]domain.Role{domain.Field}, office...)
	inspectors := append([]domain.Role{domain.Inspector}, office...)
	none := func(*worklistArgs) Args { return Args{} }
	soon := lapses(func(WorklistDays) int { return 0 }, func(d WorklistDays) int { return d.LapseSoon })
	later := lapses(func(d WorklistDays) int { return d.LapseSoon + 1 }, func(d WorklistDays) int { return d.Lapse })
	since := func(words string) func(string, int) string {
		return func(_ string, days int) string { return fmt.Sprintf(words, ago(days)) }
	}
	until := func(words string) func(string, int) string {
		return func(word string, days int) string { return fmt.Sprintf(words, plain(word), ahead(days)) }
	}
	return []worklistSort{
		{"sent_in", "job", false, office, worklistStateSQL,
			func(a *worklistArgs) Args { return Args{"state": "sent_in", "since": a.before(a.days.SentIn)} }, since("Sent in %s and not reviewed.")},
		{"started_by_crew", "job", false, office, worklistStartedByCrewSQL, none, since("Started by its crew %s and not confirmed: the crew sees no contact.")},
		{"returned", "job", false, crews, worklistStateSQL,
			func(a *worklistArgs) Args { return Args{"state": "returned", "since": a.before(a.days.Returned)} }, since("Returned %s and not sent in again.")},
		{"overdue", "job", true, crews, worklistOverdueSQL, none, func(word string, days int) string {
			return fmt.Sprintf("The job was due %s and is %s.", ago(-days), plain(word))
		}},
		{"held", "held", false, notFirm, worklistHeldSQL, none, func(word string, days int) string {
			return fmt.Sprintf("Sent %s and not accepted (%s).", ago(days), word)
		}},
		{"call_back", "call_back", false, crews, worklistCallBackSQL, none, since("The call-back was reported %s and is not closed.")},
		{"inspection_owed", "job", false, inspectors, worklistInspectionSQL, none, since("Drawn for inspection %s and not inspected.")},
		{"credential_lapsed", "credential", true, crews, worklistCredentialSQL, lapsed, until("The %s ended %s, and there are open jobs.")},
		{"credential_lapses_soon", "credential", true, crews, worklistCredentialSQL, soon, until("The %s ends %s.")},
		{"credential_lapses", "credential", true, crews, worklistCredentialSQL, later, until("The %s ends %s.")},
		{"calibration_lapsed", "instrument", true, crews, worklistCalibrationSQL, lapsed, until("The calibration of a %s ended %s, and there are open jobs.")},
		{"calibration_lapses_soon", "instrument", true, crews, worklistCalibrationSQL, soon, until("The calibration of a %s ends %s.")},
		{"calibration_lapses", "instrument", true, crews, worklistCalibrationSQL, later, until("The calibration of a %s ends %s.")},
		{"device_silent", "device", false, crews, worklistDeviceSQL,
			func(a *worklistArgs) Args { return Args{"since": a.before(a.days.Silent)} }, since("Last heard of the device %s; its contractor has open jobs.")},
	}
}

// WorklistSorts are the names of all sorts.
func WorklistSorts() (names []string) {
	for _, s := range worklistSorts() {
		names = append(names, s.name)
	}
	return names
}

// dayAfter and daysBetween count calendar days, which summer time does not bend.
func dayAfter(day domain.Date, days int) domain.Date {
	t, err := time.Parse(time.DateOnly, string(day))
	if err != nil {
		return day // made by DateOf, or read from a column of days
	}
	return domain.Date(t.AddDate(0, 0, days).Format(time.DateOnly))
}

func daysBetween(from, to domain.Date) int {
	a, errA := time.Parse(time.DateOnly, string(from))
	b, errB := time.Parse(time.DateOnly, string(to))
	if errA != nil || errB != nil {
		return 0 // as above
	}
	return int(b.Sub(a) / (24 * time.Hour))
}

func ago(days int) string {
	switch days {
	case 0:
		return "today"
	case 1:
		return "yesterday"
	}
	return fmt.Sprintf("%d days ago", days)
}

func ahead(days int) string {
	switch {
	case days < 0:
		return ago(-days)
	case days == 0:
		return "today"
	case days == 1:
		return "tomorrow"
	}
	return fmt.Sprintf("in %d days", days)
}

// plain writes a word of the wire as people do.
func plain(word string) string { return strings.ReplaceAll(word, "_", " ") }
