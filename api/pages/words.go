package pages

import (
	"fmt"
	"html/template"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"ductledger/domain"
)

// words are what templates say numbers, moments and days with. Times are told
// in the zone.
func words(zone *time.Location) template.FuncMap {
	return template.FuncMap{
		"moment":    func(t any) string { return Moment(t, zone) },
		"day":       func(t any) string { return Day(t, zone) },
		"stamp":     func(t any) string { return stamp(t) },
		"month":     Month,
		"money":     Money,
		"number":    Number,
		"points":    points,
		"ratio":     Ratio,
		"count":     Count,
		"role":      RoleName,
		"plain":     Plain,
		"reason":    Reason,
		"size":      size,
		"ruletitle": func(rule string) string { return firstOf(ruleTitles[rule], Plain(rule)) },
		"sentence":  sentence, "sentenceStart": sentenceStart, "change": Change,
	}
}

// timeOf reads a moment as the API writes it, a time, or a day.
func timeOf(value any) (t time.Time, isDay, ok bool) {
	switch v := value.(type) {
	case time.Time:
		return v, false, !v.IsZero()
	case *time.Time:
		if v == nil {
			return t, false, false
		}
		return *v, false, !v.IsZero()
	case domain.Date:
		t, err := time.Parse(time.DateOnly, string(v))
		return t, true, err == nil
	case string:
		if t, err := time.Parse(time.RFC3339, v); err == nil {
			return t, false, true
		}
		t, err := time.Parse(time.DateOnly, v)
		return t, true, err == nil
	}
	return t, false, false
}

// Moment says when: "30 November 2026, 9:14 am".
func Moment(value any, zone *time.Location) string {
	t, isDay, ok := timeOf(value)
	switch {
	case !ok:
		return ""
	case isDay:
		return t.Format("2 January 2006")
	}
	return t.In(zone).Format("2 January 2006, 3:04 pm")
}

// Day says on which day: "30 November 2026".
func Day(value any, zone *time.Location) string {
	t, isDay, ok := timeOf(value)
	if !ok {
		return ""
	}
	if !isDay {
		t = t.In(zone)
	}
	return t.Format("2 January 2006")
}

// stamp is the moment for machines.
func stamp(value any) string {
	t, isDay, ok := timeOf(value)
	switch {
	case !ok:
		return ""
	case isDay:
		return t.Format(time.DateOnly)
	}
	return t.UTC().Format(time.RFC3339)
}

// Month says a month: "November 2026".
func Month(m any) string {
	t, err := time.Parse("2006-01", fmt.Sprint(m))
	if err != nil {
		return fmt.Sprint(m)
	}
	return t.Format("January 2006")
}

// grouped writes a whole number with a comma at each thousand.
func grouped(n int64) string {
	digits := strconv.FormatInt(n, 10)
	sign := ""
	if digits[0] == '-' {
		sign, digits = "−", digits[1:]
	}
	var b strings.Builder
	for i, d := range digits {
		if i > 0 && (len(digits)-i)%3 == 0 {
			b.WriteByte(',')
		}
		b.WriteRune(d)
	}
	return sign + b.String()
}

// Money says US cents: "$1,100" or "$1,100.50".
func Money(cents any) string {
	n, ok := wholeOf(cents)
	if !ok {
		return ""
	}
	sign := ""
	if n < 0 {
		sign, n = "−", -n
	}
	if n%100 == 0 {
		return sign + "$" + grouped(n/100)
	}
	return fmt.Sprintf("%s$%s.%02d", sign, grouped(n/100), n%100)
}

func wholeOf(value any) (int64, bool) {
	switch v := value.(type) {
	case int:
		return int64(v), true
	case int64:
		return v, true
	case int32:
		return int64(v), true
	case *int64:
		if v == nil {
			return 0, false
		}
		return *v, true
	case *int:
		if v == nil {
			return 0, false
		}
		return int64(*v), true
	}
	return 0, false
}

// Number says a number with so many digits after the point, rounded half-even;
// empty where it is not known. The unit stands beside it or over it.
func Number(value any, digits int) string {
	var f float64
	switch v := value.(type) {
	case float64:
		f = v
	case *float64:
		if v == nil {
			return ""
		}
		f = *v
	case int, int64, *int64:
		n, ok := wholeOf(v)
		if !ok {
			return ""
		}
		f = float64(n)
	default:
		return ""
	}
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return ""
	}
	text := strconv.FormatFloat(math.Abs(f), 'f', digits, 64) // rounds the exact value; a tie is one in binary only
	whole, part, _ := strings.Cut(text, ".")
	n, err := strconv.ParseInt(whole, 10, 64)
	if err != nil {
		return text
	}
	out := grouped(n)
	if part != "" {
		out += "." + part
	}
	if f < 0 && strings.Trim(out, "0.,") != "" {
		out = "−" + out
	}
	return out
}

// Ratio says a fraction in percent: "62 %".
func Ratio(value any) string {
	switch v := value.(type) {
	case float64:
		return Number(100*v, 0) + " %"
	case *float64:
		if v == nil {
			return ""
		}
		return Number(100**v, 0) + " %"
	}
	return ""
}

// points says a difference of two shares in points of a percent.
func points(value *float64) string {
	if value == nil {
		return ""
	}
	return Number(100**value, 0)
}

// Change says an index of leakage left: "12 % more", "5 % less"; empty where it
// is not known.
func Change(value any) string {
	switch v := value.(type) {
	case float64:
		return changeWords(v)
	case *float64:
		if v != nil {
			return changeWords(*v)
		}
	}
	return ""
}

// Count says how many of what: "no jobs", "1 job", "12 jobs". The word's plural
// is given where it does not end in s.
func Count(n any, one string, many ...string) string {
	k, _ := wholeOf(n)
	word := one + "s"
	if len(many) > 0 {
		word = many[0]
	}
	switch k {
	case 0:
		return "no " + word
	case 1:
		return "1 " + one
	}
	return grouped(k) + " " + word
}

// CountWords is Count with small numbers in words, for sentences.
func CountWords(n int, one string, many ...string) string {
	words := []string{"", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"}
	if n < 1 || n >= len(words) {
		return Count(n, one, many...)
	}
	_, unit, _ := strings.Cut(Count(n, one, many...), " ")
	return words[n] + " " + unit
}

// RoleName says a role.
func RoleName(role any) string {
	switch domain.Role(fmt.Sprint(role)) {
	case domain.Field:
		return "crew"
	case domain.ContractorRole:
		return "contractor"
	case domain.Inspector:
		return "inspector"
	case domain.Staff:
		return "staff"
	case domain.Funder:
		return "funder"
	case domain.Admin:
		return "admin"
	}
	return fmt.Sprint(role)
}

// Plain makes words of a name of the contract: "sent_in" is "sent in".
func Plain(name any) string { return strings.ReplaceAll(fmt.Sprint(name), "_", " ") }

// reasonsInWords say why a figure is absent, or a job left out of it, where the name in
// the contract does not read as words.
var reasonsInWords = map[string]string{
	"n_too_small": "too few jobs", "contractors_too_few": "too few contractors", "no_jobs": "no job counts", "zero_variance": "the jobs are alike to the last digit",
	"one_run": "all homes go together", "below_range": "most readings lie below the instrument’s range", "no_areas": "no floor area is known",
	"deemed": "paid by a fixed sum per home", "excluded": "taken out of the statistics", "missing_before": "no reading before", "missing_after": "no reading after",
	"other_quantity": "another quantity was read", "undecided": "the readings decide nothing", "not_positive": "a reading of nothing",
	"several_kinds": "repairs of several kinds lie between the readings", "no_repair": "no repair lies between the readings",
	"not_in_order": "the later reading knows fewer repairs", "pressures_drift": "read at different duct pressures",
	"not_accepted": "the office has not accepted it",
}

// Reason says a reason of the contract in words.
func Reason(code any) string { return firstOf(reasonsInWords[fmt.Sprint(code)], Plain(code)) }

// sentence begins with a capital and ends with a stop.
func sentence(text string) string {
	text = strings.TrimSpace(text)
	if text == "" {
		return ""
	}
	first, size := utf8.DecodeRuneInString(text)
	text = string(unicode.ToUpper(first)) + text[size:]
	if !strings.ContainsAny(text[len(text)-1:], ".!?") {
		text += "."
	}
	return text
}

// faultSentence tells one bad field: where, what, and what to do.
func faultSentence(f domain.Fault) string {
	where := Plain(strings.ReplaceAll(strings.TrimPrefix(f.Pointer, "/"), "/", ", "))
	text := sentence(f.Detail)
	if where != "" {
		text = sentence(where + ": " + f.Detail)
	}
	if f.Fix != "" {
		text += " " + sentence(f.Fix)
	}
	return text
}

// duration says a wait.
func duration(d time.Duration) string {
	switch {
	case d <= time.Second:
		return "a moment"
	case d < 2*time.Minute:
		return fmt.Sprintf("%d seconds", int(math.Ceil(d.Seconds())))
	}
	return fmt.Sprintf("%d minutes", int(math.Ceil(d.Minutes())))
}
