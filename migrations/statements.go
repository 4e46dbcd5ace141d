package migrations

import (
	"fmt"
	"regexp"
	"strings"

	"github.com/jackc/pgx/v5/pgconn"
)

// statement is one of a file.
type statement struct {
	line int    // in the file, from 1
	end  int    // byte offset behind it
	text string // without comments before it
	bare string // text without comments and what is quoted
}

const shownLength = 60 // of a statement in an error, in bytes

// skipped matches what may hold a semicolon that ends nothing, at its start:
// comments, quoted names, strings (E'…' with backslashes) and $tag$ bodies,
// which are completed in statements since the tag must come again.
var skipped = regexp.MustCompile(`^(?:--[^\n]*|"(?:[^"]|"")*"|[eE]'(?:[^'\\]|''|\\.)*'|'(?:[^']|'')*'|\$[A-Za-z_]*\$)`)

// statements splits a file at the semicolons between statements. It serves
// error messages and the check for CONCURRENTLY; the file itself goes to
// Postgres as it is.
func statements(text string) []statement {
	var list []statement
	var bare strings.Builder
	begin := -1
	flush := func(end int) {
		if begin >= 0 {
			list = append(list, statement{
				line: 1 + strings.Count(text[:begin], "\n"), end: end,
				text: strings.TrimSpace(text[begin:end]), bare: bare.String(),
			})
		}
		begin = -1
		bare.Reset()
	}
	for i := 0; i < len(text); {
		length, comment := skip(text[i:])
		switch {
		case length > 0:
			if begin < 0 && !comment {
				begin = i
			}
			bare.WriteByte(' ')
			i += length
			continue
		case text[i] == ';':
			flush(i + 1)
		case begin < 0 && !isSpace(text[i]):
			begin = i
			fallthrough
		default:
			bare.WriteByte(text[i])
		}
		i++
	}
	flush(len(text))
	return list
}

// skip returns the length of the comment or quoted part at the start of rest.
func skip(rest string) (length int, comment bool) {
	if strings.HasPrefix(rest, "/*") {
		return blockComment(rest), true
	}
	found := skipped.FindString(rest)
	if strings.HasPrefix(found, "$") {
		after := strings.Index(rest[len(found):], found)
		if after < 0 {
			return len(rest), false
		}
		return len(found) + after + len(found), false
	}
	return len(found), strings.HasPrefix(found, "--")
}

// blockComment is the length of a comment, in which others may stand.
func blockComment(rest string) int {
	depth := 0
	for i := 0; i+1 < len(rest); i++ {
		switch rest[i : i+2] {
		case "/*":
			depth++
			i++
		case "*/":
			depth--
			i++
			if depth == 0 {
				return i + 1
			}
		}
	}
	return len(rest)
}

func isSpace(b byte) bool { return b == ' ' || b == '\t' || b == '\n' || b == '\r' }

func concurrent(list []statement) bool {
	for _, s := range list {
		if strings.Contains(strings.ToUpper(s.bare), "CONCURRENTLY") {
			return true
		}
	}
	return false
}

// place says where a file failed: at the position that Postgres names, which
// counts characters from 1, else at the statement after those that were done.
func place(text string, list []statement, done int, refused *pgconn.PgError) string {
	if refused != nil && refused.Position > 0 {
		runes := []rune(text)
		at := min(int(refused.Position)-1, len(runes))
		before := string(runes[:at])
		for i, s := range list {
			if len(before) < s.end {
				return describe(i+1, 1+strings.Count(before, "\n"), s)
			}
		}
	}
	if done < len(list) {
		return describe(done+1, list[done].line, list[done])
	}
	return "after its last statement"
}

func describe(number, line int, s statement) string {
	first, _, _ := strings.Cut(s.text, "\n")
	if len(first) > shownLength {
		first = strings.ToValidUTF8(first[:shownLength], "") + "…"
	}
	return fmt.Sprintf("line %d, statement %d (%s)", line, number, first)
}
