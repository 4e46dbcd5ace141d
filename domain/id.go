package domain

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"time"
)

// UUID is an identifier made by whoever creates a record, on the device,
// before the first send. Any version of RFC 9562 is accepted.
type UUID [16]byte

// String gives the 36 lower-case characters of RFC 9562.
func (u UUID) String() string {
	var b [36]byte
	u.put(b[:])
	return string(b[:])
}

// Append appends the id in its text form.
func (u UUID) Append(b []byte) []byte {
	b = append(b, make([]byte, 36)...)
	u.put(b[len(b)-36:])
	return b
}

func (u UUID) put(b []byte) {
	hex.Encode(b, u[:4])
	b[8] = '-'
	hex.Encode(b[9:], u[4:6])
	b[13] = '-'
	hex.Encode(b[14:], u[6:8])
	b[18] = '-'
	hex.Encode(b[19:], u[8:10])
	b[23] = '-'
	hex.Encode(b[24:], u[10:])
}

// IsZero tells the id that nobody made.
func (u UUID) IsZero() bool { return u == UUID{} }

// Compare orders ids by their bytes, as Postgres orders uuid.
func (u UUID) Compare(v UUID) int { return bytes.Compare(u[:], v[:]) }

// MarshalText and UnmarshalText make UUID a JSON string.
func (u UUID) MarshalText() ([]byte, error) {
	b := make([]byte, 36)
	u.put(b)
	return b, nil
}

// UnmarshalText takes the 36-character form with lower-case digits only: one
// id has one spelling, so that content with the same id has the same digest.
func (u *UUID) UnmarshalText(b []byte) error {
	if len(b) != 36 || b[8] != '-' || b[13] != '-' || b[18] != '-' || b[23] != '-' {
		return fmt.Errorf("not a UUID: 36 characters with dashes are expected")
	}
	for _, r := range [][2]int{{0, 8}, {9, 13}, {14, 18}, {19, 23}, {24, 36}} {
		for _, c := range b[r[0]:r[1]] {
			if (c < '0' || c > '9') && (c < 'a' || c > 'f') {
				return fmt.Errorf("not a UUID: lower-case hexadecimal digits are expected")
			}
		}
	}
	var h [32]byte
	copy(h[:], b[:8])
	copy(h[8:], b[9:13])
	copy(h[12:], b[14:18])
	copy(h[16:], b[19:23])
	copy(h[20:], b[24:])
	_, err := hex.Decode(u[:], h[:])
	return err
}

// ParseUUID reads the form that String gives.
func ParseUUID(s string) (UUID, error) {
	var u UUID
	err := u.UnmarshalText([]byte(s))
	return u, err
}

// Date is a calendar day as 2006-01-02. Its order as text is its order in time.
type Date string

// DateOf is the day on which t falls where the program works.
func DateOf(t time.Time, zone *time.Location) Date {
	return Date(t.In(zone).Format(time.DateOnly))
}

// AddWorkingDays is the day so many days from Monday to Friday later; holidays are
// not known. A day that is none stays as it is.
func (d Date) AddWorkingDays(days int) Date {
	t, err := time.Parse(time.DateOnly, string(d))
	if err != nil {
		return d
	}
	for days > 0 {
		t = t.AddDate(0, 0, 1)
		if t.Weekday() != time.Saturday && t.Weekday() != time.Sunday {
			days--
		}
	}
	return Date(t.Format(time.DateOnly))
}

// Month is a calendar month as 2006-01.
type Month string

// MonthOf is the month in which t falls where the program works.
func MonthOf(t time.Time, zone *time.Location) Month {
	return Month(t.In(zone).Format("2006-01"))
}
