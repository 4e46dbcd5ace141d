// Package search finds homes, jobs and contractors by the beginnings of words:
// street, name, telephone number and park of a home, a job's number, a
// contractor's name.
//
// A job is found where each word begins its number, something of its home or its
// contractor's name; so "cedar gray" finds Gray Mesa's jobs in Cedar Loop. What
// is read is bounded whatever the program's size: candidates come from ranges of
// the table of words, the words that stand together first, then the rarest one.
package search

import (
	"cmp"
	"context"
	"slices"
	"strconv"
	"strings"

	"ductledger/domain"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
)

// MostCandidates are as many homes as are looked at for one question, and
// MostTerms as many words.
const (
	MostCandidates = 200
	MostTerms      = 8
)

// Found is what answers a question, each list in the order in which people read it.
type Found struct {
	Homes       []Home
	Jobs        []Job
	Contractors []Contractor
	More        bool // there is, or may be, more: further words narrow it
}

// Home is one whose park, street, resident or telephone number was meant.
type Home struct {
	HomeID                    domain.UUID
	Name, Phone, Street, Park string
	JobsCount                 int // not voided
}

// Job is one whose number was meant, or whose home.
type Job struct {
	JobID          domain.UUID
	Number         int64
	State          domain.JobState
	HomeID         domain.UUID
	Street, Park   string
	ContractorID   domain.UUID
	ContractorName string
}

// Contractor is one whose name was meant.
type Contractor struct {
	ContractorID domain.UUID
	Name         string
}

// high is behind every word that begins with low, in the order of the bytes.
func high(low string) string { return low + "\U0010FFFF" }

// Each range is one of the key: bounded, and read from the index alone.
const candidatesSQL = `
SELECT r.n::int AS n, w.id
FROM unnest(@kinds::text[], @lows::text[], @highs::text[]) WITH ORDINALITY AS r(kind, low, high, n)
CROSS JOIN LATERAL (SELECT x.id FROM word AS x
    WHERE x.program_id = @program_id AND x.kind = r.kind AND x.word >= r.low COLLATE "C" AND x.word < r.high COLLATE "C"
    LIMIT @most OFFSET 0) AS w
ORDER BY r.n`

type candidateRow struct {
	N  int
	ID [16]byte
}

// Numbers that begin with some digits, however many follow: one range a length.
const numbersSQL = `
SELECT j.id, j.home_id
FROM unnest(@lows::bigint[], @highs::bigint[]) WITH ORDINALITY AS r(low, high, n)
CROSS JOIN LATERAL (SELECT x.id, x.home_id, x.number FROM job AS x
    WHERE x.program_id = @program_id AND x.number >= r.low AND x.number <= r.high AND NOT x.void
    ORDER BY x.number LIMIT @most OFFSET 0) AS j
ORDER BY r.n, j.number
LIMIT @most`

type numberRow struct{ ID, HomeID [16]byte }

const homesSQL = `
SELECT e.record_id AS id, e.body, r.name, r.phone, r.street, (SELECT x.texts FROM entry_text AS x
    WHERE x.program_id = @program_id AND x.position = e.position) AS texts
FROM unnest(@homes::uuid[]) AS h(id)
CROSS JOIN LATERAL (SELECT x.record_id, x.position, x.body FROM entry AS x
    WHERE x.program_id = @program_id AND x.kind = 'home' AND x.record_id = h.id AND x.until_position IS NULL AND x.voided_at IS NULL OFFSET 0) AS e
LEFT JOIN LATERAL (SELECT x.name, x.phone, x.street FROM resident AS x
    WHERE x.program_id = @program_id AND x.home_id = h.id OFFSET 0) AS r ON true`

type homeRow struct {
	ID                  [16]byte
	Body                string
	Name, Phone, Street *string
	Texts               []string
}

// The newest jobs of each home; a home has few.
const jobsSQL = `
SELECT j.id, j.number, j.state, j.home_id, j.contractor_id, c.body
FROM unnest(@homes::uuid[]) AS h(id)
CROSS JOIN LATERAL (SELECT x.id, x.number, x.state, x.home_id, x.contractor_id FROM job AS x
    WHERE x.program_id = @program_id AND x.home_id = h.id AND NOT x.void ORDER BY x.id DESC LIMIT 20 OFFSET 0) AS j
CROSS JOIN LATERAL (SELECT x.body FROM entry AS x
    WHERE x.program_id = @program_id AND x.kind = 'contractor' AND x.record_id = j.contractor_id AND x.until_position IS NULL OFFSET 0) AS c`

type jobRow struct {
	ID, HomeID, ContractorID [16]byte
	Number                   int64
	State                    string
	Body                     string
}

const contractorsSQL = `
SELECT e.record_id AS id, e.body
FROM unnest(@contractors::uuid[]) AS c(id)
CROSS JOIN LATERAL (SELECT x.record_id, x.body FROM entry AS x
    WHERE x.program_id = @program_id AND x.kind = 'contractor' AND x.record_id = c.id AND x.until_position IS NULL AND x.voided_at IS NULL OFFSET 0) AS e`

type contractorRow struct {
	ID   [16]byte
	Body string
}

// termsOf are the words that are asked for; a telephone number is one.
func termsOf(text string) []string {
	written := strings.Trim(text, " +()-.0123456789")
	if digits := storage.PhoneDigits(text); written == "" && len(digits) >= 7 {
		return []string{digits}
	}
	terms := storage.Words(text)
	return terms[:min(len(terms), MostTerms)]
}

// Find answers with at most limit of each list. A text without a letter and
// without a digit finds nothing.
func Find(ctx context.Context, db *storage.DB, caller domain.Caller, text string, limit int) (found Found, err error) {
	q := question{terms: termsOf(text), limit: limit}
	if len(q.terms) == 0 {
		return found, nil
	}
	err = db.In(ctx, caller.Program, storage.Reading, func(t *storage.Tx) error {
		q.program = t.Program
		if err := q.candidates(t); err != nil {
			return err
		}
		found, err = q.read(t)
		return err
	})
	if err != nil {
		return Found{}, err
	}
	found.cut(limit)
	return found, nil
}

func (f *Found) cut(limit int) {
	f.More = f.More || len(f.Homes) > limit || len(f.Jobs) > limit || len(f.Contractors) > limit
	f.Homes, f.Jobs = f.Homes[:min(limit, len(f.Homes))], f.Jobs[:min(limit, len(f.Jobs))]
	f.Contractors = f.Contractors[:min(limit, len(f.Contractors))]
}

// A question is some words, and where their answers may lie.
type question struct {
	program            domain.UUID
	terms              []string
	limit              int
	homes, contractors []domain.UUID
	more               bool
}

// A span is a run of the words: those that stand together.
type span struct {
	kind     string
	first, n int
}

// candidates reads the homes and contractors of each run of the words and the
// jobs by their number, and keeps the homes of the longest runs and of the
// rarest word.
func (q *question) candidates(t *storage.Tx) error {
	var spans []span
	for _, kind := range []string{"resident", "home", "contractor"} {
		for n := len(q.terms); n > 0; n-- {
			for first := 0; first+n <= len(q.terms); first++ {
				if kind != "contractor" || n == 1 {
					spans = append(spans, span{kind, first, n})
				}
			}
		}
	}
	var kinds, lows, highs []string
	for _, s := range spans {
		low := strings.Join(q.terms[s.first:s.first+s.n], " ")
		kinds, lows, highs = append(kinds, s.kind), append(lows, low), append(highs, high(low))
	}
	var rows []candidateRow
	storage.All(t, &rows, candidatesSQL, storage.Args{"program_id": q.program, "kinds": kinds, "lows": lows, "highs": highs, "most": MostCandidates + 1})
	numbers := make([][]numberRow, len(q.terms))
	for i, term := range q.terms {
		if low, high := numberRanges(term); low != nil {
			storage.All(t, &numbers[i], numbersSQL, storage.Args{"program_id": q.program, "lows": low, "highs": high, "most": MostCandidates + 1})
		}
	}
	if err := t.Flush(); err != nil {
		return err
	}
	q.choose(spans, rows, numbers)
	return nil
}

// choose keeps the candidates. What a word alone finds is taken together, in
// street, name, park and number; of the words that find something the rarest
// leads, since whatever answers must be among its own.
func (q *question) choose(spans []span, rows []candidateRow, numbers [][]numberRow) {
	alone := make([][]domain.UUID, len(q.terms))
	full := make([]bool, len(q.terms)) // as many as are read: there may be more
	longest := map[int][]domain.UUID{}
	counts := map[int]int{}
	for _, r := range rows {
		s := spans[r.N-1]
		counts[r.N]++
		switch {
		case s.kind == "contractor":
			q.contractors = append(q.contractors, r.ID)
		case s.n == 1:
			alone[s.first] = append(alone[s.first], r.ID)
			full[s.first] = full[s.first] || counts[r.N] > MostCandidates
		default:
			longest[s.n] = append(longest[s.n], r.ID)
		}
	}
	for i := range numbers {
		for _, r := range numbers[i] {
			alone[i] = append(alone[i], r.HomeID)
		}
		full[i] = full[i] || len(numbers[i]) > MostCandidates
		alone[i] = unique(alone[i])
	}
	whole := longest[len(q.terms)]
	if len(q.terms) == 1 {
		whole = alone[0]
	}
	if whole = unique(whole); len(whole) > q.limit { // nobody reads further: all of them answer
		q.homes, q.more, q.contractors = whole[:q.limit+1], true, unique(q.contractors)
		return
	}
	for n := len(q.terms); n > 1; n-- {
		q.homes = append(q.homes, longest[n]...)
	}
	lead := -1
	for i := range alone {
		if len(alone[i]) > 0 && (lead < 0 || len(alone[i]) < len(alone[lead])) {
			lead = i
		}
	}
	if lead >= 0 {
		q.homes = append(q.homes, alone[lead]...)
		q.more = full[lead]
	}
	q.homes, q.contractors = unique(q.homes), unique(q.contractors)
	if len(q.homes) > MostCandidates {
		q.homes, q.more = q.homes[:MostCandidates], true
	}
}

// unique keeps the first of equal ids.
func unique(ids []domain.UUID) (list []domain.UUID) {
	seen := map[domain.UUID]bool{}
	for _, id := range ids {
		if !seen[id] {
			seen[id] = true
			list = append(list, id)
		}
	}
	return list
}

// numberRanges are the numbers that begin with the digits; nil where the term is
// none of a job.
func numberRanges(term string) (lows, highs []int64) {
	const digits = 9 // of the longest number that is looked for
	n, err := strconv.ParseInt(term, 10, 64)
	if err != nil || n <= 0 || len(term) > digits || term[0] == '0' {
		return nil, nil
	}
	for low, high, length := n, n, len(term); length <= digits; length++ {
		lows, highs = append(lows, low), append(highs, high)
		low, high = low*10, high*10+9
	}
	return lows, highs
}

// read looks at the candidates and keeps those that every word fits.
func (q *question) read(t *storage.Tx) (found Found, err error) {
	var homes []homeRow
	var jobs []jobRow
	var contractors []contractorRow
	storage.All(t, &homes, homesSQL, storage.Args{"program_id": q.program, "homes": q.homes})
	storage.All(t, &jobs, jobsSQL, storage.Args{"program_id": q.program, "homes": q.homes})
	storage.All(t, &contractors, contractorsSQL, storage.Args{"program_id": q.program, "contractors": q.contractors})
	if err := t.Flush(); err != nil {
		return found, err
	}
	found.More = q.more
	byID := map[domain.UUID]*place{}
	for i := range homes {
		p := placeOf(&homes[i])
		byID[p.HomeID] = p
	}
	for i := range jobs {
		if p := byID[jobs[i].HomeID]; p != nil {
			p.JobsCount++
		}
	}
	for _, id := range q.homes {
		if p := byID[id]; p != nil && q.fits(p.words) {
			found.Homes = append(found.Homes, p.Home)
		}
	}
	for i := range jobs {
		r := &jobs[i]
		p := byID[r.HomeID]
		if p == nil {
			continue
		}
		name := nameOf(r.Body)
		if q.fits(slices.Concat(p.words, storage.WordsFrom(name), []string{strconv.FormatInt(r.Number, 10)})) {
			found.Jobs = append(found.Jobs, Job{r.ID, r.Number, domain.JobState(r.State), r.HomeID, p.Street, p.Park, r.ContractorID, name})
		}
	}
	for i := range contractors {
		if name := nameOf(contractors[i].Body); q.fits(storage.WordsFrom(name)) {
			found.Contractors = append(found.Contractors, Contractor{contractors[i].ID, name})
		}
	}
	slices.SortFunc(found.Homes, func(a, b Home) int { return cmp.Or(strings.Compare(a.Street, b.Street), a.HomeID.Compare(b.HomeID)) })
	slices.SortFunc(found.Jobs, func(a, b Job) int { return cmp.Or(cmp.Compare(a.Number, b.Number), a.JobID.Compare(b.JobID)) })
	slices.SortFunc(found.Contractors, func(a, b Contractor) int {
		return cmp.Or(strings.Compare(a.Name, b.Name), a.ContractorID.Compare(b.ContractorID))
	})
	return found, nil
}

// fits tells that each word begins one of the texts.
func (q *question) fits(texts []string) bool {
	for _, term := range q.terms {
		if !slices.ContainsFunc(texts, func(text string) bool { return strings.HasPrefix(text, term) }) {
			return false
		}
	}
	return true
}

// A place is a home with what it is found by.
type place struct {
	Home
	words []string
}

func placeOf(r *homeRow) *place {
	var record struct {
		Park string `json:"park"`
	}
	p := &place{}
	p.HomeID = r.ID
	// What stands in the ledger can be read; a home that could not would have no park.
	if json.Unmarshal(domain.JoinTexts(domain.HomeKind, []byte(r.Body), r.Texts), &record) == nil && record.Park != domain.ErasedText {
		p.Park = record.Park
	}
	p.Name, p.Phone, p.Street = textOf(r.Name), textOf(r.Phone), textOf(r.Street)
	p.words = slices.Concat(storage.WordsFrom(p.Street), storage.WordsFrom(p.Name), storage.WordsFrom(p.Park), storage.PhoneWords(p.Phone))
	return p
}

func textOf(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

func nameOf(body string) string {
	var record struct {
		Name string `json:"name"`
	}
	if json.Unmarshal([]byte(body), &record) != nil {
		return ""
	}
	return record.Name
}
