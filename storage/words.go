package storage

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	"ductledger/domain"
	"ductledger/domain/intake"

	"github.com/go-json-experiment/json"
	"golang.org/x/text/unicode/norm"
)

// What words stand in the table for: a park, who lives in a home, a contractor's
// name. The first two stand under the home's id.
const (
	homeWords       = "home"
	residentWords   = "resident"
	contractorWords = "contractor"
)

// Bounds of what is found: later words of a text are not, and of a long one its beginning.
const (
	mostWords  = 16
	mostLetter = 80
)

// Words are those of a text as they are compared: letters and digits without
// marks, in lower case. What is left out within a word joins its halves.
func Words(text string) []string {
	var b strings.Builder
	for _, r := range norm.NFKD.String(text) {
		switch {
		case unicode.IsLetter(r) || unicode.IsDigit(r):
			b.WriteRune(unicode.ToLower(r))
		case unicode.Is(unicode.Mn, r) || r == '\'' || r == '’' || r == '.':
		default:
			b.WriteByte(' ')
		}
	}
	words := strings.Fields(b.String())
	return words[:min(len(words), mostWords)]
}

// WordsFrom is a text from each of its words on: who knows some words that stand
// together finds them in one range.
func WordsFrom(text string) (list []string) {
	words := Words(text)
	for i := range words {
		from := []rune(strings.Join(words[i:], " "))
		list = append(list, strings.TrimSpace(string(from[:min(len(from), mostLetter)])))
	}
	return list
}

// PhoneWords are a telephone number as people write it and as they dial it, with
// and without what stands before the last seven digits.
func PhoneWords(phone string) (list []string) {
	digits := PhoneDigits(phone)
	if n := len(digits); n >= 7 {
		local := digits[n-7:]
		list = append(list, digits, local, local[:3]+" "+local[3:])
		if n == 10 {
			list = append(list, digits[:3]+" "+local[:3]+" "+local[3:])
		}
		list = append(list, local[3:])
	}
	return append(list, WordsFrom(phone)...)
}

// PhoneDigits are the digits of a number, without the 1 of the long distance
// before ten others.
func PhoneDigits(phone string) string {
	digits := strings.Map(func(r rune) rune {
		if r < '0' || r > '9' {
			return -1
		}
		return r
	}, phone)
	if len(digits) == 11 && digits[0] == '1' {
		digits = digits[1:]
	}
	return digits[:min(len(digits), mostLetter)]
}

const wordsDeleteSQL = `
DELETE FROM word WHERE program_id = @program_id AND id = @id AND kind = @kind AND NOT word = ANY (@words::text[])`

const wordsInsertSQL = `
INSERT INTO word (program_id, kind, word, id)
SELECT @program_id, @kind, x.word, @id FROM unnest(@words::text[]) AS x(word)
ON CONFLICT (program_id, kind, word, id) DO NOTHING`

// setWords queues what a record is found by from now on; none: it is not found.
func (t *Tx) setWords(kind string, id domain.UUID, words []string) {
	slices.Sort(words)
	words = slices.Compact(words)
	if words == nil {
		words = []string{}
	}
	args := Args{"program_id": t.Program, "kind": kind, "id": id, "words": words}
	t.Queue(wordsDeleteSQL, args)
	if len(words) > 0 {
		t.Queue(wordsInsertSQL, args)
	}
}

// writeWords queues the words of the homes and contractors that were accepted.
func (t *Tx) writeWords(accepted []intake.Decision) error {
	for i := range accepted {
		d := &accepted[i]
		kind := string(d.Item.Kind)
		if kind != homeWords && kind != contractorWords {
			continue
		}
		var of struct {
			Name string `json:"name"` // of a contractor
			Park string `json:"park"` // of a home
		}
		if err := json.Unmarshal(d.Body, &of); err != nil {
			return fmt.Errorf("words of %s %s: %w", kind, d.Item.ID, err)
		}
		if of.Park == domain.ErasedText {
			of.Park = ""
		}
		t.setWords(kind, d.Item.ID, append(WordsFrom(of.Name), WordsFrom(of.Park)...))
	}
	return nil
}
