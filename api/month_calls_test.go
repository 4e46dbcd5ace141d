package api_test

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/domain/rules"
	"ductledger/storage"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// lived runs a script of calls; testdata/month/calls.txt tells its form.
type lived struct {
	*testing.T
	api    *apitest.API
	tokens map[string]string
	values map[string]string
	line   int

	role, method, path, body string
	answer                   apitest.Answer
}

// The month of an agency lived by calls alone.
func TestTheMonthLivedByCalls(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../testdata/month/calls.txt")
	if err != nil {
		t.Fatal(err)
	}
	a, _ := serve(t)
	l := &lived{T: t, api: a, tokens: map[string]string{}, values: map[string]string{
		"contractor": a.World.Contractor.String(), "instrument": a.World.Instrument.String()}}
	for role, token := range a.Tokens {
		l.tokens[string(role)] = token
	}
	l.tokens["builder"] = a.Token(t, a.World.Program, storage.Token{Role: domain.Admin, Name: "Invented staff"})
	var off []domain.RuleSetting
	for _, key := range rules.Keys() {
		if !slices.Contains([]string{"fund_source_named", "readings_in_order", "crew_member_supervised"}, key) {
			off = append(off, domain.RuleSetting{Rule: key, Off: new(true)})
		}
	}
	list, err := json.Marshal(off)
	if err != nil {
		t.Fatal(err)
	}
	l.values["rules_off"] = string(list)
	calls := 0
	lines := strings.Split(string(text), "\n")
	for l.line = 0; l.line < len(lines); l.line++ {
		words := strings.Fields(lines[l.line])
		if len(words) == 0 || words[0] == "#" || strings.HasPrefix(words[0], "#") {
			continue
		}
		rest := strings.TrimSpace(strings.TrimPrefix(lines[l.line], words[0]))
		switch words[0] {
		case "at":
			l.moveTo(rest)
		case "keep":
			l.values[words[1]] = string(l.at(words[2]))
		case "find", "lacks":
			if strings.Contains(string(l.answer.Body), l.filled(rest)) != (words[0] == "find") {
				l.fail("%s %q: %s", words[0], rest, l.answer.Body)
			}
		case "stored", "gone":
			if tables := l.tablesWith(rest); (len(tables) > 0) != (words[0] == "stored") {
				l.fail("%s %q: it stands in %v", words[0], rest, tables)
			}
		case "same":
			left, right, _ := strings.Cut(l.filled(rest), "=")
			if a, b := l.sum(left), l.sum(right); a != b {
				l.fail("%s: %d and %d", rest, a, b)
			}
		case "total":
			l.values[words[1]] = strconv.FormatInt(l.total(words[2], words[3]), 10)
		case "wait":
			for range 6000 {
				if string(l.at("/"+words[1])) == words[2] {
					break
				}
				time.Sleep(20 * time.Millisecond)
				l.call(http.StatusOK)
			}
			if got := string(l.at("/" + words[1])); got != words[2] {
				l.fail("%s is %s", words[1], got)
			}
		default:
			l.role, l.method, l.path, l.body = words[0], words[1], l.filled(words[2]), ""
			status, err := strconv.Atoi(words[3])
			if err != nil {
				l.fail("no status: %v", err)
			}
			for l.line+1 < len(lines) && (strings.HasPrefix(lines[l.line+1], "{") || strings.HasPrefix(lines[l.line+1], " ")) {
				l.line++
				l.body += l.filled(lines[l.line])
			}
			l.call(status)
			calls++
		}
	}
	if calls < 50 {
		t.Errorf("%d calls", calls)
	}
}

func (l *lived) fail(format string, args ...any) {
	l.Helper()
	l.Fatalf("line %d, %s %s %s: "+format, append([]any{l.line + 1, l.role, l.method, l.path}, args...)...)
}

func (l *lived) call(status int) {
	l.Helper()
	if l.role == "funder_b" && l.tokens[l.role] == "" { // bound to one fund, once there is one
		l.tokens[l.role] = l.api.Token(l.T, l.api.World.Program, storage.Token{Role: domain.Funder, Name: "Invented other funder", Fund: "utility_fund"})
	}
	token := l.tokens[l.role]
	if token == "" {
		l.fail("nobody is called so")
	}
	var body any
	if l.body != "" {
		body = l.body
	}
	l.answer = l.api.Send(token, l.method, l.path, body)
	if l.answer.Status != status {
		l.fail("%d, want %d: %s", l.answer.Status, status, l.answer.Body)
	}
}

var named = regexp.MustCompile(`\$[a-z_]+`)

// filled puts values in the place of their names; a new name is a new id, or
// the digest of a picture.
func (l *lived) filled(text string) string {
	return named.ReplaceAllStringFunc(text, func(name string) string {
		name = name[1:]
		if l.values[name] == "" {
			id := storagetest.ID()
			l.values[name] = id.String()
			if strings.HasPrefix(name, "digest") {
				sum := sha256.Sum256(id[:])
				l.values[name] = hex.EncodeToString(sum[:])
			}
		}
		return l.values[name]
	})
}

func (l *lived) moveTo(local string) {
	zone, err := time.LoadLocation("America/Los_Angeles")
	if err != nil {
		l.Fatal(err)
	}
	at, err := time.ParseInLocation("2006-01-02 15:04", local, zone)
	if err != nil {
		l.fail("%v", err)
	}
	l.api.Clock.Move(at.Sub(l.api.Clock.Now()))
}

// tablesWith are the tables of the database, as their owner dumps them, in which a
// text stands, as text or as bytes.
func (l *lived) tablesWith(text string) (tables []string) {
	l.Helper()
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, storagetest.AddressOf(l.api.DB))
	if err != nil {
		l.Fatal(err)
	}
	defer conn.Close(ctx)
	rows, err := conn.Query(ctx, "SELECT oid::regclass::text FROM pg_class WHERE relkind IN ('r', 'm') AND relnamespace = 'public'::regnamespace ORDER BY 1")
	if err != nil {
		l.Fatal(err)
	}
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil || len(names) < 10 {
		l.Fatal(names, err)
	}
	for _, name := range names {
		var count int
		if err := conn.QueryRow(ctx, "SELECT count(*) FROM "+name+" AS t WHERE strpos(lower(t::text), lower($1)) > 0 OR strpos(t::text, encode($1::bytea, 'hex')) > 0", text).Scan(&count); err != nil {
			l.Fatal(err)
		}
		if count > 0 {
			tables = append(tables, fmt.Sprintf("%s (%d rows)", name, count))
		}
	}
	return tables
}

// at is a value of the answer as text; of an object or a list its JSON.
func (l *lived) at(pointer string) []byte {
	l.Helper()
	var value any = json.RawMessage(l.answer.Body)
	for _, step := range strings.Split(pointer, "/")[1:] {
		raw, _ := value.(json.RawMessage)
		if i, err := strconv.Atoi(step); err == nil {
			var list []json.RawMessage
			if json.Unmarshal(raw, &list) != nil || i >= len(list) {
				l.fail("%s: %s", pointer, l.answer.Body)
			}
			value = list[i]
			continue
		}
		var object map[string]json.RawMessage
		if json.Unmarshal(raw, &object) != nil || object[step] == nil {
			l.fail("%s: %s", pointer, l.answer.Body)
		}
		value = object[step]
	}
	raw := value.(json.RawMessage)
	var text string
	if json.Unmarshal(raw, &text) == nil {
		return []byte(text)
	}
	return raw
}

func (l *lived) sum(text string) (sum int64) {
	for part := range strings.SplitSeq(text, "+") {
		n, err := strconv.ParseInt(strings.TrimSpace(part), 10, 64)
		if err != nil {
			l.fail("%v", err)
		}
		sum += n
	}
	return sum
}

// total adds up a column of a table of the package that the answer is; of
// table.row, of the row whose first cell that is.
func (l *lived) total(table, column string) (sum int64) {
	l.Helper()
	table, row, one := strings.Cut(table, ".")
	z, err := zip.NewReader(bytes.NewReader(l.answer.Body), int64(len(l.answer.Body)))
	if err != nil {
		l.fail("%v", err)
	}
	for _, f := range z.File {
		if filepath.Base(f.Name) != table+".csv" {
			continue
		}
		in, err := f.Open()
		if err != nil {
			l.Fatal(err)
		}
		lines, err := csv.NewReader(in).ReadAll()
		if err != nil {
			l.Fatal(err)
		}
		at := slices.Index(lines[0], column)
		for _, line := range lines[1:] {
			if n, err := strconv.ParseInt(line[at], 10, 64); err == nil && (!one || line[0] == row) {
				sum += n
			}
		}
		return sum
	}
	l.fail("the package has no %s.csv", table)
	return 0
}
