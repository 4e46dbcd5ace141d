package storage_test

import (
	"context"
	"fmt"
	"go/ast"
	"go/constant"
	"go/parser"
	"go/token"
	"go/types"
	"io/fs"
	"maps"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"ductledger/storage"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// Statements that name no program, and why they may.
var programless = map[string]string{
	"transactionBeginSQL": "sets the program",
	"databaseMarkSQL":     "asks the server about itself",
	"doctorServerSQL":     "asks the server about itself",
	"doctorIndexesSQL":    "asks the server about its indexes",
}

// statementsOf are the string constants of this package that hold SQL, composed
// ones put together, by name, and the clauses that lists are put together from.
func statementsOf(t *testing.T) (statements, clauses map[string]string, files []*ast.File, set *token.FileSet) {
	t.Helper()
	set = token.NewFileSet()
	//nolint:staticcheck // its successor is a module of its own; this package has no build tags
	parsed, err := parser.ParseDir(set, ".", func(f fs.FileInfo) bool { return !strings.HasSuffix(f.Name(), "_test.go") }, 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range slices.Sorted(maps.Keys(parsed["storage"].Files)) {
		files = append(files, parsed["storage"].Files[name])
	}
	// Constants are put together without the imports: none stands on another package.
	config := types.Config{Importer: nothing{}, Error: func(error) {}}
	pkg, _ := config.Check("storage", set, files, nil)
	statements, clauses = map[string]string{}, map[string]string{}
	for _, name := range pkg.Scope().Names() {
		c, ok := pkg.Scope().Lookup(name).(*types.Const)
		if !ok || c.Val().Kind() != constant.String {
			continue
		}
		switch text := constant.StringVal(c.Val()); {
		case regexp.MustCompile(`^\s*(SELECT|INSERT INTO|UPDATE|DELETE|WITH)\b`).MatchString(text):
			statements[name] = text
		case strings.HasSuffix(name, "SQL") || strings.HasPrefix(name, "listBy"):
			clauses[name] = text
		}
	}
	maps.Copy(statements, storage.BuiltStatements())
	if len(statements) < 60 {
		t.Fatalf("only %d statements were found", len(statements))
	}
	return statements, clauses, files, set
}

type nothing struct{}

func (nothing) Import(path string) (*types.Package, error) {
	pkg := types.NewPackage(path, path[strings.LastIndex(path, "/")+1:])
	pkg.MarkComplete()
	return pkg, nil
}

// Every statement is one that the migrated schema takes, lists its columns and
// names the program.
func TestStatements(t *testing.T) {
	t.Parallel()
	statements, clauses, _, _ := statementsOf(t)
	conn := dial(t, storagetest.URL(t))
	// A list is put together from its closed set of clauses.
	for name, clause := range clauses {
		if strings.HasPrefix(name, "listBy") || name == "listOfContractorSQL" {
			statements["listSQL+"+name] = statements["listSQL"] + clause + clauses["listOrderSQL"]
		}
		if strings.HasPrefix(name, "jobListBy") {
			statements["jobListSQL+"+name] = statements["jobListSQL"] + clause + clauses["jobListOrderSQL"]
		}
	}
	for _, name := range slices.Sorted(maps.Keys(statements)) {
		sql := statements[name]
		rewritten, _, err := pgx.NamedArgs{}.RewriteQuery(context.Background(), conn, sql, nil)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := conn.Prepare(context.Background(), "", rewritten); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if star := regexp.MustCompile(`(?i)(\bselect\s+|,\s*|\.)\*`).FindString(strings.ReplaceAll(sql, "count(*)", "count()")); star != "" {
			t.Errorf("%s selects %q: list the columns", name, star)
		}
		if why := programless[name]; why == "" && !strings.Contains(sql, "program_id") {
			t.Errorf("%s names no program", name)
		}
	}
	for name := range programless {
		if statements[name] == "" {
			t.Errorf("%s is excepted, but there is no such statement", name)
		}
	}
}

// A table of a program's rows is never read or changed without the program
// in the predicate: as many comparisons as tables that hold its rows.
func TestEachTableIsHeldToTheProgram(t *testing.T) {
	t.Parallel()
	statements, _, _, _ := statementsOf(t)
	held := programTables(t)
	// Numbers only: where loops over programs begin.
	crossing := map[string]bool{"programHeadsSQL": true, "headMarksSQL": true, "positionsSQL": true}
	from := regexp.MustCompile(`(?i)\b(from|join|update)\s+([a-z_]+)\b`)
	for name, sql := range statements {
		if crossing[name] || programless[name] != "" {
			continue
		}
		tables := 0
		for _, m := range from.FindAllStringSubmatch(sql, -1) {
			if slices.Contains(held, m[2]) {
				tables++
			}
		}
		if compared := strings.Count(sql, "program_id ="); compared < tables && !strings.Contains(sql, "USING (program_id") {
			t.Errorf("%s reads %d tables and compares program_id %d times:%s", name, tables, compared, sql)
		}
	}
}

// programTables are the tables that hold rows of programs.
func programTables(t *testing.T) []string {
	t.Helper()
	rows, err := dial(t, storagetest.URL(t)).Query(context.Background(), `
SELECT c.relname FROM pg_class AS c JOIN pg_attribute AS a ON a.attrelid = c.oid AND a.attname = 'program_id'
WHERE c.relnamespace = 'public'::regnamespace AND c.relkind = 'r'`)
	if err != nil {
		t.Fatal(err)
	}
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil || len(tables) < 18 {
		t.Fatalf("%d tables, %v", len(tables), err)
	}
	return tables
}

// No statement hides in the middle of a function.
func TestStatementsAreConstants(t *testing.T) {
	t.Parallel()
	_, _, files, set := statementsOf(t)
	sql := regexp.MustCompile(`(?i)^["` + "`" + `]\s*(select\s|insert\s+into\s|update\s+\w+\s+set\b|delete\s+from\s|with\s+\w+\s+as\b)`)
	for _, file := range files {
		for _, decl := range file.Decls {
			function, ok := decl.(*ast.FuncDecl)
			if !ok {
				continue
			}
			ast.Inspect(function, func(n ast.Node) bool {
				if lit, ok := n.(*ast.BasicLit); ok && lit.Kind == token.STRING && sql.MatchString(lit.Value) {
					t.Errorf("%s: a statement inside %s: make it a constant above", set.Position(lit.Pos()), function.Name.Name)
				}
				return true
			})
		}
	}
}

// The text of a statement stands in the file of the function that runs it.
func TestStatementsStandByTheirFunction(t *testing.T) {
	t.Parallel()
	entries, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	statements, _, _, _ := statementsOf(t)
	texts := map[string]string{}
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), ".go") && !strings.HasSuffix(e.Name(), "_test.go") {
			text, err := os.ReadFile(e.Name())
			if err != nil {
				t.Fatal(err)
			}
			texts[e.Name()] = string(text)
		}
	}
	for name := range statements {
		uses := 0
		for _, text := range texts {
			uses += len(regexp.MustCompile(`\b`+name+`\b`).FindAllString(text, -1))
		}
		if uses < 2 {
			t.Errorf("%s is used by nothing", fmt.Sprint(name))
		}
	}
}
