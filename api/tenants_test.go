package api_test

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5/pgconn"
)

// withoutTrace is an answer's body without what differs each time.
func withoutTrace(t testing.TB, body []byte) string {
	t.Helper()
	var o object
	if err := json.Unmarshal(body, &o); err != nil {
		t.Fatalf("%v: %s", err, body)
	}
	delete(o, "trace_id")
	return fmt.Sprint(o)
}

// S1: what another program owns is answered as what nobody has.
func TestS1OthersRecordsAreNotThere(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	other, tokens := a.Program(t)
	theirs := other.Job(t)
	kinds := map[string]domain.UUID{"jobs": theirs, "homes": other.Home, "contractors": other.Contractor, "devices": other.Device, "instruments": other.Instrument, "crew-members": other.Lead}
	staff := a.Tokens[domain.Staff]
	unmoved(a, func() {
		for plural, id := range kinds {
			for _, c := range []struct {
				method, rest string
				body         any
			}{
				{"GET", "", nil}, {"GET", "/versions", nil}, {"POST", "/void", object{"reason": "mine"}},
			} {
				at := func(id domain.UUID) string { return "/v1/" + plural + "/" + id.String() + c.rest }
				got := a.Send(staff, c.method, at(id), c.body).Want(404)
				random := a.Send(staff, c.method, at(storagetest.ID()), c.body).Want(404)
				if withoutTrace(t, got.Body) != withoutTrace(t, random.Body) {
					t.Errorf("%s %s\n%s\n%s", c.method, at(id), got.Body, random.Body)
				}
			}
		}
		for _, rest := range []string{"/entries", "/findings", "/result"} {
			got := a.Send(staff, "GET", "/v1/jobs/"+theirs.String()+rest, nil).Want(404)
			random := a.Send(staff, "GET", "/v1/jobs/"+storagetest.ID().String()+rest, nil).Want(404)
			if withoutTrace(t, got.Body) != withoutTrace(t, random.Body) {
				t.Errorf("%s\n%s", got.Body, random.Body)
			}
		}
		resident := object{"name": "Mine"}
		a.Send(staff, "PUT", "/v1/homes/"+other.Home.String()+"/resident", resident).Want(404)
		a.Send(staff, "POST", "/v1/homes/"+other.Home.String()+"/resident/erase", nil).Want(404)
		a.Send(staff, "GET", "/v1/contractors/"+other.Contractor.String()+"/performance?from=2026-09-01&before=2026-10-01", nil).Want(404)
	}, staff, tokens[domain.Staff])
}

// S2: an item that points into another program waits as one that points
// nowhere, and stops no other.
func TestS2ABatchThatPointsIntoAnotherProgram(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	other, tokens := a.Program(t)
	job := func(home, contractor domain.UUID) object {
		return item(domain.JobKind, storagetest.ID(), 0, domain.Job{HomeID: home, ContractorID: contractor, PayBasis: domain.Measured, State: domain.Assigned})
	}
	staff := a.Tokens[domain.Staff]
	unmoved(a, func() {
		for name, item := range map[string][2]object{
			"contractor": {job(a.World.Home, other.Contractor), job(a.World.Home, storagetest.ID())},
			"home":       {job(other.Home, a.World.Contractor), job(storagetest.ID(), a.World.Contractor)},
		} {
			var items []any
			for range 9 {
				items = append(items, job(a.World.Home, a.World.Contractor))
			}
			items = slices.Insert(items, 4, any(item[0]))
			b := push(a, staff, items...)
			for i, got := range b.statuses() {
				if want := map[bool]string{true: "waiting", false: "created"}[i == 4]; got != want {
					t.Errorf("%s: item %d is %s, want %s", name, i, got, want)
				}
			}
			random := push(a, staff, item[1]).Items[0]
			got := b.Items[4]
			if random.Status != got.Status || random.Problem.Code != got.Problem.Code || got.Problem.Code != "parent_missing" || random.Problem.Detail != got.Problem.Detail ||
				random.Problem.Errors[0].Pointer != got.Problem.Errors[0].Pointer {
				t.Errorf("%s: told apart:\n%+v\n%+v", name, got.Problem, random.Problem)
			}
		}
	}, tokens[domain.Staff])
	// even when the id it waits for is there, in the other program, again
	must(a, tokens[domain.Staff], item(domain.HomeKind, storagetest.ID(), 0, domain.Home{SectionCount: 1}))
	if now := standsAt(a, staff); now.HeldOpenCount != 4 {
		t.Errorf("%d items are held, want 4", now.HeldOpenCount)
	}
}

// S3: an id is free in each program, whatever it is in another.
func TestS3TheSameIdInTwoPrograms(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	other, tokens := a.Program(t)
	theirs := other.Job(t)
	at := "/v1/jobs/" + theirs.String()
	unmoved(a, func() {
		a.Do(domain.Staff, "PUT", at, jobOf(a)).Want(201)
		a.Do(domain.Staff, "POST", at+"/void", object{"reason": "of ours"}, "If-Match", `"1"`).Want(200)
	}, tokens[domain.Staff])
	if got := a.Send(tokens[domain.Staff], "GET", at, nil).Want(200); strings.Contains(string(got.Body), `"void"`) {
		t.Errorf("theirs is void: %s", got.Body)
	}
}

// S4: a cursor is good for the program and the filters it was made for.
func TestS4CursorsOfAnotherProgram(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	_, tokens := a.Program(t)
	a.World.Job(t)
	a.World.Job(t)
	var list struct{ Next string }
	a.Do(domain.Staff, "GET", "/v1/jobs?limit=1", nil).Want(200).Into(&list)
	var feed struct {
		Next string `json:"next_after"`
	}
	a.Do(domain.Staff, "GET", "/v1/changes?limit=1", nil).Want(200).Into(&feed)
	unmoved(a, func() {
		for _, c := range []struct{ name, token, path string }{
			{"a list's", tokens[domain.Staff], "/v1/jobs?limit=1&after=" + list.Next},
			{"the feed's", tokens[domain.Staff], "/v1/changes?after=" + feed.Next},
			{"the feed's in a list", a.Tokens[domain.Staff], "/v1/jobs?after=" + feed.Next},
			{"a list's in the feed", a.Tokens[domain.Staff], "/v1/changes?after=" + list.Next},
			{"a list's of another kind", a.Tokens[domain.Staff], "/v1/homes?after=" + list.Next},
			{"a list's of another role", a.Tokens[domain.Field], "/v1/jobs?after=" + list.Next},
			{"the feed's of staff for a crew", a.Tokens[domain.Field], "/v1/changes?after=" + feed.Next},
			{"one made up", a.Tokens[domain.Staff], "/v1/changes?after=AAAA"},
			{"one cut short", a.Tokens[domain.Staff], "/v1/changes?after=" + feed.Next[:20]},
		} {
			if p := a.Send(c.token, "GET", c.path, nil).Want(400).Problem(); p.Code != "cursor_invalid" {
				t.Errorf("%s: %s", c.name, p.Code)
			}
		}
	}, a.Tokens[domain.Staff], tokens[domain.Staff])
}

// S5: a query for which no program is set fails; it does not answer nothing.
func TestS5NoProgramNoRows(t *testing.T) {
	t.Parallel()
	a, at := serve(t)
	a.World.Job(t)
	ctx := context.Background()
	conn := at.connect(t)
	rows, err := conn.Query(ctx, `
		SELECT c.relname, c.relforcerowsecurity AND c.relrowsecurity FROM pg_class AS c JOIN pg_attribute AS a ON a.attrelid = c.oid
		WHERE c.relkind = 'r' AND c.relnamespace = 'public'::regnamespace AND a.attname = 'program_id' ORDER BY 1`)
	if err != nil {
		t.Fatal(err)
	}
	var tables []string
	var table string
	var forced bool
	for rows.Next() {
		if err := rows.Scan(&table, &forced); err != nil {
			t.Fatal(err)
		}
		if table != "program_head" && !forced { // numbers only, read across programs
			t.Errorf("%s: row security is not forced", table)
		}
		tables = append(tables, table)
	}
	if err := rows.Err(); err != nil || len(tables) < 18 {
		t.Fatalf("%d tables, %v", len(tables), err)
	}
	if _, err := conn.Exec(ctx, "SET ROLE ductledger_app"); err != nil {
		t.Fatal(err)
	}
	var last string
	fails := func(code string) {
		for _, table := range tables {
			if table == "program_head" {
				continue
			}
			var count int
			err := conn.QueryRow(ctx, "SELECT count(*) FROM "+table).Scan(&count)
			pg, _ := err.(*pgconn.PgError)
			if pg == nil || pg.Code != code {
				t.Errorf("%s %s: %d rows, %v, want SQLSTATE %s", table, last, count, err, code)
			}
		}
	}
	last = "never set"
	fails("42704")
	last = "lost by a pooled session"
	if _, err := conn.Exec(ctx, "SELECT set_config('ductledger.program', '', false)"); err != nil {
		t.Fatal(err)
	}
	fails("22P02")
}
