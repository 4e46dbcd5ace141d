package storage_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"ductledger/domain"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// constraint is one of the schema's, as the catalog tells it.
type constraint struct {
	Table      string
	Name       string
	Type       string // c check, u unique, f foreign key, x exclusion, p primary key
	Columns    []string
	Definition string
}

const constraintsSQL = `
SELECT c.relname AS table, x.conname AS name, x.contype::text AS type, pg_get_constraintdef(x.oid) AS definition,
    coalesce((SELECT array_agg(a.attname::text ORDER BY k.place) FROM unnest(x.conkey) WITH ORDINALITY AS k(number, place)
        JOIN pg_attribute AS a ON a.attrelid = c.oid AND a.attnum = k.number), '{}') AS columns
FROM pg_constraint AS x JOIN pg_class AS c ON c.oid = x.conrelid
WHERE x.connamespace = 'public'::regnamespace
UNION ALL
SELECT c.relname, i.relname, 'u', pg_get_indexdef(i.oid),
    (SELECT array_agg(a.attname::text ORDER BY a.attnum) FROM pg_attribute AS a WHERE a.attrelid = i.oid)
FROM pg_index AS n JOIN pg_class AS c ON c.oid = n.indrelid JOIN pg_class AS i ON i.oid = n.indexrelid
WHERE n.indisunique AND c.relnamespace = 'public'::regnamespace AND NOT EXISTS (SELECT FROM pg_constraint AS x WHERE x.conindid = i.oid)
ORDER BY 1, 2`

func constraints(t *testing.T, conn *pgx.Conn) []constraint {
	t.Helper()
	rows, err := conn.Query(context.Background(), constraintsSQL)
	if err != nil {
		t.Fatal(err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByName[constraint])
	if err != nil || len(list) < 60 {
		t.Fatalf("%d constraints, %v", len(list), err)
	}
	return list
}

// A program's rows are invisible to every other: row security is on for the
// owner too, keys begin with the program, and none crosses programs.
func TestEveryTableIsOfOneProgram(t *testing.T) {
	t.Parallel()
	conn := dial(t, storagetest.URL(t))
	for _, c := range constraints(t, conn) {
		switch c.Type {
		case "p", "u", "x":
			if c.Table != "schema_migrations" && c.Columns[0] != "program_id" {
				t.Errorf("%s.%s begins with %s, not with the program", c.Table, c.Name, c.Columns[0])
			}
		case "f":
			toProgram := strings.Contains(c.Definition, "REFERENCES program(program_id)")
			if c.Columns[0] != "program_id" || !toProgram && !strings.Contains(c.Definition, "(program_id, ") {
				t.Errorf("%s.%s crosses programs: %s", c.Table, c.Name, c.Definition)
			}
		}
	}
	type table struct {
		Name     string
		Kind     string
		Enabled  bool
		Forced   bool
		Policies int
		Invoker  bool
		Owner    string
	}
	rows, err := conn.Query(context.Background(), `
SELECT c.relname AS name, c.relkind::text AS kind, c.relrowsecurity AS enabled, c.relforcerowsecurity AS forced,
    (SELECT count(*) FROM pg_policy AS p WHERE p.polrelid = c.oid AND p.polcmd = '*' AND p.polpermissive
        AND pg_get_expr(p.polqual, c.oid) = '(program_id = current_program())'
        AND pg_get_expr(p.polwithcheck, c.oid) = '(program_id = current_program())') AS policies,
    coalesce('security_invoker=true' = ANY (c.reloptions), false) AS invoker, pg_get_userbyid(c.relowner) AS owner
FROM pg_class AS c WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'p', 'v', 'm', 'f', 'S')`)
	if err != nil {
		t.Fatal(err)
	}
	tables, err := pgx.CollectRows(rows, pgx.RowToStructByName[table])
	if err != nil || len(tables) < 18 {
		t.Fatalf("%d tables, %v", len(tables), err)
	}
	for _, c := range tables {
		if c.Owner == "ductledger_app" {
			t.Errorf("the service owns %s", c.Name)
		}
		switch {
		case c.Name == "schema_migrations":
		case c.Kind == "r" || c.Kind == "p":
			if !c.Enabled || !c.Forced || c.Policies != 1 {
				t.Errorf("%s: row security enabled %v, forced %v, %d policies of the program", c.Name, c.Enabled, c.Forced, c.Policies)
			}
		case c.Kind == "v":
			if !c.Invoker {
				t.Errorf("the view %s reads with its owner's rights", c.Name)
			}
		default:
			t.Errorf("%s is of the kind %q, on which row security says nothing", c.Name, c.Kind)
		}
	}
	// More than the policies of one program: heads, numbers only, to read.
	var more []string
	if err := conn.QueryRow(context.Background(), `
SELECT coalesce(array_agg(p.polname || ' on ' || p.polrelid::regclass::text || ' for ' || p.polcmd::text ORDER BY p.polname), '{}') FROM pg_policy AS p
WHERE p.polname NOT IN ('of_program', 'of_owner')`).Scan(&more); err != nil {
		t.Fatal(err)
	}
	want := []string{"head_of_any_program on program_head for r", "newest_ends_once on entry for w"}
	if !slices.Equal(more, want) {
		t.Errorf("further policies: %v, want %v", more, want)
	}
}

// What the role of the service cannot do, tried as that role.
func TestRightsOfTheService(t *testing.T) {
	t.Parallel()
	url := storagetest.URL(t)
	w := storagetest.Program(t, openAt(t, url))
	conn := dial(t, url)
	other := storagetest.Program(t, openAt(t, url))
	exec(t, conn, "SET ROLE ductledger_app")
	if got := sqlState(conn, "SELECT count(*) FROM entry WHERE program_id IS NOT NULL"); got != "42704" {
		t.Errorf("no program was ever set: %s, want 42704", got)
	}
	exec(t, conn, "BEGIN")
	exec(t, conn, "SELECT set_config('ductledger.program', $1, true)", w.Program.String())
	exec(t, conn, "COMMIT")
	if got := sqlState(conn, "SELECT count(*) FROM entry WHERE program_id IS NOT NULL"); got != "22P02" {
		t.Errorf("a pooled session that lost its program: %s, want 22P02", got)
	}
	exec(t, conn, "SELECT set_config('ductledger.program', $1, false)", w.Program.String())
	for _, sql := range []string{
		"CREATE TABLE mine (n integer)", "ALTER TABLE entry DISABLE ROW LEVEL SECURITY", "DROP POLICY of_program ON entry",
	} {
		if got := sqlState(conn, sql); got != "42501" {
			t.Errorf("%s: %s, want 42501", sql, got)
		}
	}
	// With a program set, another's rows are not there, neither to read nor to write.
	var seen int
	if err := conn.QueryRow(context.Background(), "SELECT count(*) FROM entry WHERE program_id <> $1", [16]byte(w.Program)).Scan(&seen); err != nil || seen != 0 {
		t.Errorf("%d entries of another program, %v", seen, err)
	}
	if got := sqlState(conn, "INSERT INTO resident (program_id, home_id, revision) VALUES ('"+other.Program.String()+"', '"+other.Home.String()+"', 1)"); got != "42501" {
		t.Errorf("a row for another program: %s, want 42501", got)
	}
	var login, super, bypass bool
	if err := conn.QueryRow(context.Background(), "SELECT rolcanlogin, rolsuper, rolbypassrls FROM pg_roles WHERE rolname = 'ductledger_app'").Scan(&login, &super, &bypass); err != nil || login || super || bypass {
		t.Errorf("the role: login %v, superuser %v, bypasses %v, %v", login, super, bypass, err)
	}
}

// changeable are the columns that the service's role may change, by table; a
// table that is not named here is written once. deletable are those of which it
// may take rows away.
var (
	changeable = map[string][]string{
		"entry":         {"until_position", "match"},
		"month_package": {"state", "built_by", "built_by_token", "built_by_person_id", "released_at", "released_by", "released_by_token", "released_by_person_id"},
		"person":        {"role", "contractor_id", "password", "password_at", "account", "ended_at"}, "token": {"seen_at", "revoked_at"}, "one_use": {"used_at"},
		"program_head": nil, "device": nil, "waiting_home": nil, "job": nil, "job_scope": nil, "job_result": nil, "inspection_draw": nil, "held": nil, "picture": nil,
		"month_build_lock": {"month"}, "resident": nil, "month_build": nil, // all of their columns
	}
	deletable = []string{"entry_text", "job_instrument", "word", "picture_band", "picture_like", "resident", "month_build"}
)

// Every UPDATE of every column of every table, and every DELETE and TRUNCATE, is
// tried as the role of the service: those that are not listed are refused.
func TestEveryForbiddenChangeIsRefused(t *testing.T) {
	t.Parallel()
	url := storagetest.URL(t)
	w := storagetest.Program(t, openAt(t, url))
	conn := dial(t, url)
	rows, err := conn.Query(context.Background(), `
SELECT c.relname::text AS table, a.attname::text AS column FROM pg_attribute AS a JOIN pg_class AS c ON c.oid = a.attrelid
WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'v') AND a.attnum > 0 AND NOT a.attisdropped AND a.attgenerated = ''`)
	if err != nil {
		t.Fatal(err)
	}
	type column struct{ Table, Column string }
	columns, err := pgx.CollectRows(rows, pgx.RowToStructByName[column])
	if err != nil || len(columns) < 150 {
		t.Fatalf("%d columns, %v", len(columns), err)
	}
	exec(t, conn, "SET ROLE ductledger_app")
	exec(t, conn, "SELECT set_config('ductledger.program', $1, false)", w.Program.String())
	const refused = "42501"
	tried := map[string]bool{}
	for _, c := range columns {
		allowed, listed := changeable[c.Table]
		may := listed && (allowed == nil || slices.Contains(allowed, c.Column))
		got := sqlState(conn, fmt.Sprintf("UPDATE %s SET %s = %s WHERE false", c.Table, c.Column, c.Column))
		if c.Table == "record" && got != "no error" {
			got = refused // a column that is an expression cannot be written by anybody
		}
		if may != (got == "no error") || !may && got != refused {
			t.Errorf("UPDATE %s.%s: %s, allowed is %v", c.Table, c.Column, got, may)
		}
		if tried[c.Table] {
			continue
		}
		tried[c.Table] = true
		for _, verb := range []string{"DELETE FROM %s WHERE false", "TRUNCATE %s"} {
			may := slices.Contains(deletable, c.Table) && strings.HasPrefix(verb, "DELETE")
			if got := sqlState(conn, fmt.Sprintf(verb, c.Table)); got == "42809" && c.Table == "record" {
				continue // no view can be emptied
			} else if may != (got == "no error") || !may && got != refused {
				t.Errorf(verb+": %s, allowed is %v", c.Table, got, may)
			}
		}
	}
}

// An entry ends once: what has ended cannot end again, begin again or be found.
func TestAnEntryEndsOnce(t *testing.T) {
	t.Parallel()
	url := storagetest.URL(t)
	db := openAt(t, url)
	w := storagetest.Program(t, db)
	job := w.Job(t)
	id := storagetest.ID()
	w.Must(t, w.Staff, storagetest.Item(t, id, &domain.Visit{JobID: job, VisitedOn: "2026-10-01", LeadID: &w.Lead}))
	w.Must(t, w.Staff, storagetest.On(storagetest.Item(t, id, &domain.Visit{JobID: job, VisitedOn: "2026-10-02", LeadID: &w.Lead}), 1))
	conn := dial(t, url)
	exec(t, conn, "SET ROLE ductledger_app")
	exec(t, conn, "SELECT set_config('ductledger.program', $1, false)", w.Program.String())
	for _, c := range []struct {
		sql   string
		state string
		rows  int64
	}{
		{"UPDATE entry SET until_position = 1000000 WHERE record_id = $1 AND version = 1", "no error", 0},
		{"UPDATE entry SET until_position = NULL WHERE record_id = $1 AND version = 1", "no error", 0},
		{"UPDATE entry SET match = sha256('x') WHERE record_id = $1", "42501", 0},
		{"UPDATE entry SET match = NULL WHERE record_id = $1 AND version = 2", "42501", 0},             // without an end
		{"UPDATE entry SET until_position = 1000000 WHERE record_id = $1 AND version = 2", "23514", 0}, // and still be found
		{"UPDATE entry SET until_position = 1000000, match = NULL WHERE record_id = $1", "no error", 1},
	} {
		tag, err := conn.Exec(context.Background(), c.sql, [16]byte(id))
		got := "no error"
		if err != nil {
			got = stateOf(err)
		}
		if got != c.state && !(c.state == "23514" && got == "42501") || tag.RowsAffected() != c.rows {
			t.Errorf("%s: %s, %d rows, want %s, %d", c.sql, got, tag.RowsAffected(), c.state, c.rows)
		}
	}
}

func exec(t testing.TB, conn *pgx.Conn, sql string, args ...any) {
	t.Helper()
	if _, err := conn.Exec(context.Background(), sql, args...); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
}

// sqlState is the code of the error that a statement ends in.
func sqlState(conn *pgx.Conn, sql string) string {
	if _, err := conn.Exec(context.Background(), sql); err != nil {
		return stateOf(err)
	}
	return "no error"
}

func stateOf(err error) string {
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		return pg.Code
	}
	return err.Error()
}

// Under row security a comparison reaches an index only when its operator is
// leakproof: enums and arrays are not. The column after the program decides
// what an index is good for.
const indexOperatorsSQL = `
SELECT i.relname AS index, a.attname AS column, p.proname AS equality
FROM pg_index AS x
JOIN pg_class AS i ON i.oid = x.indexrelid
JOIN pg_class AS c ON c.oid = x.indrelid AND c.relrowsecurity AND c.relnamespace = 'public'::regnamespace
JOIN pg_attribute AS a ON a.attrelid = c.oid AND a.attnum = x.indkey[1]
JOIN pg_opclass AS o ON o.oid = x.indclass[1]
JOIN pg_am AS m ON m.oid = o.opcmethod AND m.amname = 'btree'
JOIN pg_amop AS e ON e.amopfamily = o.opcfamily AND e.amoplefttype = o.opcintype AND e.amoprighttype = o.opcintype AND e.amopstrategy = 3
JOIN pg_operator AS q ON q.oid = e.amopopr
JOIN pg_proc AS p ON p.oid = q.oprcode
WHERE x.indnkeyatts > 1 AND NOT p.proleakproof`

func TestIndexesServeUnderRowSecurity(t *testing.T) {
	t.Parallel()
	conn := dial(t, storagetest.URL(t))
	rows, err := conn.Query(context.Background(), indexOperatorsSQL)
	if err != nil {
		t.Fatal(err)
	}
	type found struct{ Index, Column, Equality string }
	list, err := pgx.CollectRows(rows, pgx.RowToStructByName[found])
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range list {
		t.Errorf("index %s: %s on %s is not leakproof, so no look-up under row security uses it", f.Index, f.Equality, f.Column)
	}
}
