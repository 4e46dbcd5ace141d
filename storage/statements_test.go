package storage_test

import (
	"context"
	"go/ast"
	"go/constant"
	"go/parser"
	"go/token"
	"go/types"
	"maps"
	"os"
	"path/filepath"
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
	"lockBeginSQL":        "sets the program",
	"databaseMarkSQL":     "asks the server about itself",
	"doctorServerSQL":     "asks the server about itself",
	"doctorIndexesSQL":    "asks the server about its indexes",
}

// noRooms are folders beside the core that hold no statements of the service.
var noRooms = []string{"cluster", "photos", "storagetest"}

// sources are the files of the core and of the rooms over it, by folder; the
// core comes first.
func sources(t *testing.T) (folders []string, files map[string][]string) {
	t.Helper()
	entries, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	folders = []string{"."}
	for _, e := range entries {
		if e.IsDir() && !slices.Contains(noRooms, e.Name()) {
			folders = append(folders, e.Name())
		}
	}
	files = map[string][]string{}
	for _, folder := range folders {
		all, err := filepath.Glob(filepath.Join(folder, "*.go"))
		if err != nil {
			t.Fatal(err)
		}
		files[folder] = slices.DeleteFunc(all, func(name string) bool { return strings.HasSuffix(name, "_test.go") })
	}
	return folders, files
}

// statementsOf are the string constants of the core and its rooms that hold
// SQL, composed ones put together, by name, and the clauses that lists are put
// together from.
func statementsOf(t *testing.T) (statements, clauses map[string]string, parsed []*ast.File, set *token.FileSet) {
	t.Helper()
	set = token.NewFileSet()
	statements, clauses = map[string]string{}, map[string]string{}
	core := onlyCore{}
	folders, sources := sources(t)
	for _, folder := range folders {
		var files []*ast.File
		for _, name := range sources[folder] {
			file, err := parser.ParseFile(set, name, nil, 0)
			if err != nil {
				t.Fatal(err)
			}
			files = append(files, file)
		}
		parsed = append(parsed, files...)
		// A constant is put together from its own package and the core alone.
		config := types.Config{Importer: core, Error: func(error) {}}
		pkg, _ := config.Check(folder, set, files, nil)
		if core.storage == nil {
			core.storage = pkg
		}
		for _, name := range pkg.Scope().Names() {
			c, ok := pkg.Scope().Lookup(name).(*types.Const)
			if ok && c.Val().Kind() == constant.Unknown && strings.HasSuffix(name, "SQL") {
				t.Fatalf("%s in %s cannot be put together", name, folder)
			}
			if !ok || c.Val().Kind() != constant.String {
				continue
			}
			switch text := constant.StringVal(c.Val()); {
			case regexp.MustCompile(`^\s*(SELECT|INSERT INTO|UPDATE|DELETE|WITH)\b`).MatchString(text):
				if statements[name] != "" {
					t.Fatalf("two statements are called %s", name)
				}
				statements[name] = text
			case strings.HasSuffix(name, "SQL") || strings.HasPrefix(name, "listBy"):
				clauses[name] = text
			}
		}
	}
	maps.Copy(statements, storage.BuiltStatements())
	if len(statements) < 120 {
		t.Fatalf("only %d statements were found", len(statements))
	}
	return statements, clauses, parsed, set
}

// onlyCore imports the core as it was checked and nothing of any other package.
type onlyCore struct{ storage *types.Package }

func (c onlyCore) Import(path string) (*types.Package, error) {
	if path == "ductledger/storage" {
		return c.storage, nil
	}
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

// A statement that nothing runs is none.
func TestStatementsAreRun(t *testing.T) {
	t.Parallel()
	statements, _, _, _ := statementsOf(t)
	var all strings.Builder
	_, files := sources(t)
	for _, names := range files {
		for _, name := range names {
			text, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			all.Write(text)
		}
	}
	for name := range statements {
		if uses := regexp.MustCompile(`\b`+name+`\b`).FindAllString(all.String(), 2); len(uses) < 2 {
			t.Errorf("%s is used by nothing", name)
		}
	}
}

// No room reads another, and the core knows none.
func TestRoomsStandOnTheCoreAlone(t *testing.T) {
	t.Parallel()
	folders, files := sources(t)
	for _, folder := range folders {
		for _, name := range files[folder] {
			file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ImportsOnly)
			if err != nil {
				t.Fatal(err)
			}
			for _, i := range file.Imports {
				path := strings.Trim(i.Path.Value, `"`)
				if room, ok := strings.CutPrefix(path, "ductledger/storage/"); ok && slices.Contains(folders, room) {
					t.Errorf("%s imports the room %s", name, room)
				}
			}
		}
	}
}
