package rules

import (
	"strconv"
	"strings"
	"unicode/utf8"
)

// longestSentence is how many characters a phone shows of a sentence without
// scrolling. What does not fit is counted.
const longestSentence = 160

// sentence says of a part what is at fault and what is missing.
func sentence(name string, faults, lacks []string) string {
	head := name + ": "
	if len(faults) == 0 {
		return fitted(head+"not recorded: ", lacks, ", ")
	}
	if len(lacks) == 0 {
		return fitted(head, faults, "; ")
	}
	clauses := append(append(make([]string, 0, len(faults)+1), faults...), "not recorded: "+strings.Join(lacks, ", "))
	return fitted(head, clauses, "; ")
}

// fitted joins as many clauses as fit after the head, and counts the rest.
func fitted(head string, clauses []string, between string) string {
	for n := len(clauses); ; n-- {
		text := head + strings.Join(clauses[:n], between)
		if left := len(clauses) - n; left > 0 {
			text += " and " + strconv.Itoa(left) + " more"
		}
		text += "."
		if n <= 1 || utf8.RuneCountInString(text) <= longestSentence {
			return text
		}
	}
}
