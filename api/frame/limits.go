package frame

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// Limits are all bounds of a running service. LimitTable says of each what it
// is, why it stands where it stands, and how it is set.
type Limits struct {
	TokenRate, ProgramRate     float64 // requests per second, averaged
	TokenBurst, ProgramBurst   int
	UnknownRate                float64 // of unknown tokens by one address, per second
	UnknownBurst               int
	GuessRate                  float64 // of secrets that people type, by one address, per second
	GuessBurst                 int
	Remembered                 int // tokens, programs and addresses
	TokenShare, ProgramShare   float64
	Work, Queue, Polls         int // requests
	QueueWait, LookupTime      time.Duration
	BodyMemory                 int64 // bytes
	Memory                     int64 // bytes
	Connections                int   // open at once
	AddressShare               float64
	BodyBytes                  int64
	HeaderBytes                int
	BodyTime, BodyTimeMost     time.Duration
	BodyRate                   int64 // bytes per second
	WriteTime, StopTime        time.Duration
	CompressFrom               int // bytes; smaller answers are not compressed
	HeldItems, HeldTokenItems  int64
	HeldBytes, HeldTokenBytes  int64
	JobRecords, AnswerFindings int64

	Monotonic func() time.Time // for rates and time limits; time.Now when nil
}

// A Limit is one row of the table of limits.
type Limit struct {
	Name    string // as it is set, with its unit
	Default float64
	Reason  string
	field   func(*Limits) any // a pointer to its field
}

// LimitTable is the one place where limits and their defaults stand. They
// serve an agency with some hundred devices on two cores.
func LimitTable() []Limit {
	const mebibyte = 1 << 20
	return []Limit{
		{"token_rate_per_s", 50, "A device that polls each minute needs 0.02: rates stop loops and not people.", func(l *Limits) any { return &l.TokenRate }},
		{"token_burst_count", 500, "An outbox of a week goes out at once.", func(l *Limits) any { return &l.TokenBurst }},
		{"program_rate_per_s", 500, "Ten busy tokens.", func(l *Limits) any { return &l.ProgramRate }},
		{"program_burst_count", 2000, "All devices of a program come back after an outage.", func(l *Limits) any { return &l.ProgramBurst }},
		{"unknown_token_rate_per_s", 2, "Of one address. A mistyped token is tried a few times; guessing needs millions of tries.", func(l *Limits) any { return &l.UnknownRate }},
		{"unknown_token_burst_count", 300, "After a start no token is known yet, and an office has one address.", func(l *Limits) any { return &l.UnknownBurst }},
		{"guess_rate_per_s", 1.0 / 60, "Of one address, of passwords, links and codes that were wrong: one a minute.", func(l *Limits) any { return &l.GuessRate }},
		{"guess_burst_count", 5, "Wrong ones at once; right ones cost nothing.", func(l *Limits) any { return &l.GuessBurst }},
		{"remembered_count", 10_000, "Tokens, and addresses, whose rate is known; 3 MB.", func(l *Limits) any { return &l.Remembered }},

		{"token_share", 0.25, "Of work, queue, polls and body memory: one token leaves room for others.", func(l *Limits) any { return &l.TokenShare }},
		{"program_share", 0.75, "Of the same: one program leaves room for others.", func(l *Limits) any { return &l.ProgramShare }},
		{"work_count", 14, "Requests at work. Two less than there are connections, so that none waits for a connection and the loops have theirs.", func(l *Limits) any { return &l.Work }},
		{"queue_count", 256, "Requests that wait for work to end.", func(l *Limits) any { return &l.Queue }},
		{"queue_wait_s", 2, "The longest such wait; the refusal comes within 3 s. A tenth of it while the line does not pass.", func(l *Limits) any { return &l.QueueWait }},
		{"lookup_time_s", 2.5, "The longest look-up of a token.", func(l *Limits) any { return &l.LookupTime }},
		{"poll_count", 2000, "Requests that wait for news: devices whose app is open.", func(l *Limits) any { return &l.Polls }},
		{"body_memory_bytes", 48 * mebibyte, "Bodies that are read, wait or are worked on.", func(l *Limits) any { return &l.BodyMemory }},
		{"memory_bytes", 160 * mebibyte, "Of the process, beyond which it collects what is free the harder; GOMEMLIMIT says it otherwise.", func(l *Limits) any { return &l.Memory }},
		{"connection_count", 4096, "Open connections: twice the polls, and some 20 kB each.", func(l *Limits) any { return &l.Connections }},
		{"address_share", 0.5, "Of connections: one address leaves room for others. An office or a proxy is one address.", func(l *Limits) any { return &l.AddressShare }},

		{"body_bytes", 2 * mebibyte, "One body, after inflating: some 30 whole jobs.", func(l *Limits) any { return &l.BodyBytes }},
		{"header_bytes", 16 << 10, "Address and header fields of a request.", func(l *Limits) any { return &l.HeaderBytes }},
		{"body_time_s", 30, "To bring a body.", func(l *Limits) any { return &l.BodyTime }},
		{"body_time_most_s", 120, "To bring it while body_rate is kept.", func(l *Limits) any { return &l.BodyTimeMost }},
		{"body_rate_bytes_per_s", 1 << 10, "A phone at the edge of a cell.", func(l *Limits) any { return &l.BodyRate }},
		{"write_time_s", 60, "To take an answer, after the address's own time limit.", func(l *Limits) any { return &l.WriteTime }},
		{"stop_time_s", 30, "For requests under way when the end is asked for.", func(l *Limits) any { return &l.StopTime }},
		{"compress_from_bytes", 1 << 10, "Smaller answers are one packet anyway.", func(l *Limits) any { return &l.CompressFrom }},

		{"held_items_count", 50_000, "Open held items of a program, five times what a busy month brings in records. What finds no room stays on the device.", func(l *Limits) any { return &l.HeldItems }},
		{"held_token_items_count", 10_000, "Those from one token: a phone that is wrong about everything for a season.", func(l *Limits) any { return &l.HeldTokenItems }},
		{"held_bytes", 256 * mebibyte, "Bytes of the open held items of a program.", func(l *Limits) any { return &l.HeldBytes }},
		{"held_token_bytes", 64 * mebibyte, "Those from one token.", func(l *Limits) any { return &l.HeldTokenBytes }},
		{"job_records_count", 2000, "Records of one job; a whole one has some 70. Judging 2000 takes 0.3 s, and four times as many sixty times as long.", func(l *Limits) any { return &l.JobRecords }},
		{"answer_findings_count", 1000, "Findings listed in one answer, 0.6 MB; the rest is counted.", func(l *Limits) any { return &l.AnswerFindings }},
	}
}

// LimitsOf are the defaults, with some set otherwise by name.
func LimitsOf(set map[string]float64) (Limits, error) {
	var l Limits
	table := LimitTable()
	for name, value := range set {
		i := slices.IndexFunc(table, func(row Limit) bool { return row.Name == name })
		if i < 0 {
			names := make([]string, len(table))
			for i := range table {
				names[i] = table[i].Name
			}
			return l, fmt.Errorf("there is no limit %q; the limits are %s", name, strings.Join(names, ", "))
		}
		if !(value > 0) || math.IsInf(value, 0) || strings.HasSuffix(name, "_share") && value > 1 {
			return l, fmt.Errorf("the limit %s is more than 0, a share at most 1; %g was given", name, value)
		}
		table[i].set(&l, value)
		if table[i].Of(l) == 0 {
			return l, fmt.Errorf("the limit %s is a whole number; %g was given", name, value)
		}
	}
	return l.OrDefaults(), nil
}

// OrDefaults fills in what is zero.
func (l Limits) OrDefaults() Limits {
	for _, row := range LimitTable() {
		if row.Of(l) == 0 {
			row.set(&l, row.Default)
		}
	}
	if l.Monotonic == nil {
		l.Monotonic = time.Now
	}
	return l
}

// Of is the limit's value.
func (row Limit) Of(l Limits) float64 {
	switch p := row.field(&l).(type) {
	case *int:
		return float64(*p)
	case *int64:
		return float64(*p)
	case *time.Duration:
		return p.Seconds()
	case *float64:
		return *p
	}
	panic("a limit of an unknown type")
}

func (row Limit) set(l *Limits, value float64) {
	switch p := row.field(l).(type) {
	case *int:
		*p = int(value)
	case *int64:
		*p = int64(value)
	case *time.Duration:
		*p = time.Duration(value * float64(time.Second))
	case *float64:
		*p = value
	}
}
