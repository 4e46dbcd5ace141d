package domain

import "time"

// Date is a calendar day as 2006-01-02. Its order as text is its order in time.
type Date string

// DateOf is the day on which t falls where the program works.
func DateOf(t time.Time, zone *time.Location) Date {
	return Date(t.In(zone).Format(time.DateOnly))
}

// Month is a calendar month as 2006-01.
type Month string

// MonthOf is the month in which t falls where the program works.
func MonthOf(t time.Time, zone *time.Location) Month {
	return Month(t.In(zone).Format("2006-01"))
}
