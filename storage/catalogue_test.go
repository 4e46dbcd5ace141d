package storage_test

import (
	"context"
	"errors"
	"strings"
	"testing"

	"ductledger/domain"
	"ductledger/storage"
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
	if err != nil || len(list) < 100 {
		t.Fatalf("%d constraints, %v", len(list), err)
	}
	return list
}

// What the service itself writes into a record's row: no content can break it.
var ownColumns = map[string]bool{"program_id": true, "id": true, "version": true, "void": true, "late_count": true}

// Every constraint that the content of a record can break has words: those of
// its own, or those that the name of a column's own check gives. A reference
// to what is not there never comes so far: the item waits.
func TestEveryConstraintHasItsFault(t *testing.T) {
	t.Parallel()
	conn := dial(t, storagetest.URL(t))
	known := map[string]bool{}
	for _, c := range constraints(t, conn) {
		known[c.Name] = true
		kind, isRecord := domain.RowOf(domain.Kind(c.Table))
		own := true
		for _, column := range c.Columns {
			own = own && ownColumns[column]
		}
		if !isRecord || own || c.Type == "p" {
			continue
		}
		switch c.Type {
		case "f":
			if !refersTo(kind, c) {
				t.Errorf("%s.%s: the record does not name what it refers to among its Refs, so it cannot wait for it", c.Table, c.Name)
			}
			continue
		case "c", "u", "x":
		default:
			t.Errorf("%s.%s is of the unknown type %q", c.Table, c.Name, c.Type)
		}
		code := map[string]string{"c": "23514", "u": "23505", "x": "23P01"}[c.Type]
		problem := storage.ConstraintProblem(storage.Violation(code, c.Table, c.Name))
		if problem == nil || problem.Code != domain.Invalid || len(problem.Faults) != 1 {
			t.Errorf("%s.%s has no fault: %v", c.Table, c.Name, problem)
			continue
		}
		if storage.HasFault(c.Name) {
			continue
		}
		// By its name alone: then the field has to be the column's.
		if want := "/" + c.Columns[0]; len(c.Columns) != 1 || problem.Faults[0].Pointer != want {
			t.Errorf("%s.%s is answered with %s, its columns are %v: give it a fault of its own", c.Table, c.Name, problem.Faults[0].Pointer, c.Columns)
		}
	}
	for _, name := range storage.FaultConstraints() {
		if !known[name] {
			t.Errorf("there is a fault for %s, but no such constraint", name)
		}
	}
}

// refersTo tells whether a record with nothing set but this reference names it.
func refersTo(row domain.KindRow, c constraint) bool {
	id := domain.UUID{1}
	record, err := domain.Decode(row.Kind, []byte(`{"`+c.Columns[1]+`":"`+id.String()+`"}`))
	if err != nil {
		return false
	}
	for _, ref := range record.Refs() {
		if ref.ID == id && ref.Pointer == "/"+c.Columns[1] && strings.Contains(c.Definition, " "+string(ref.Kind)+"(") {
			return true
		}
	}
	return false
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
	if err != nil || len(tables) < 35 {
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
WHERE p.polname <> 'of_program'`).Scan(&more); err != nil {
		t.Fatal(err)
	}
	if len(more) != 1 || more[0] != "head_of_any_program on program_head for r" {
		t.Errorf("further policies: %v", more)
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
	if got := sqlState(conn, "SELECT count(*) FROM ledger WHERE program_id IS NOT NULL"); got != "42704" {
		t.Errorf("no program was ever set: %s, want 42704", got)
	}
	exec(t, conn, "BEGIN")
	exec(t, conn, "SELECT set_config('ductledger.program', $1, true)", w.Program.String())
	exec(t, conn, "COMMIT")
	if got := sqlState(conn, "SELECT count(*) FROM ledger WHERE program_id IS NOT NULL"); got != "22P02" {
		t.Errorf("a pooled session that lost its program: %s, want 22P02", got)
	}
	exec(t, conn, "SELECT set_config('ductledger.program', $1, false)", w.Program.String())
	for _, sql := range []string{
		"UPDATE ledger SET late = true", "DELETE FROM ledger", "TRUNCATE ledger", "UPDATE audit SET detail = ''", "DELETE FROM audit", "TRUNCATE audit",
		"UPDATE program SET name = 'x'", "DELETE FROM record_head", "DELETE FROM held", "DELETE FROM job", "TRUNCATE job_result", "DELETE FROM job_result",
		"CREATE TABLE mine (n integer)", "ALTER TABLE ledger DISABLE ROW LEVEL SECURITY", "DROP POLICY of_program ON ledger",
	} {
		if got := sqlState(conn, sql); got != "42501" {
			t.Errorf("%s: %s, want 42501", sql, got)
		}
	}
	// With a program set, another's rows are not there, neither to read nor to write.
	var seen int
	if err := conn.QueryRow(context.Background(), "SELECT count(*) FROM ledger WHERE program_id <> $1", [16]byte(w.Program)).Scan(&seen); err != nil || seen != 0 {
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

func exec(t testing.TB, conn *pgx.Conn, sql string, args ...any) {
	t.Helper()
	if _, err := conn.Exec(context.Background(), sql, args...); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
}

// sqlState is the code of the error that a statement ends in.
func sqlState(conn *pgx.Conn, sql string) string {
	_, err := conn.Exec(context.Background(), sql)
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		return pg.Code
	}
	return "no error"
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
