package domain_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// A figure that somebody is paid or judged by is read again years later: its
// comment says in which unit it stands, where it comes from and what was
// refused. That the words are true, only a reader can tell.
func TestFiguresNameUnitSourceAndRefusals(t *testing.T) {
	source := regexp.MustCompile(`\[(pub|mem|cp|calc)\]`)
	refusal := regexp.MustCompile(`Refused[:,]|refuses`)
	unit := regexp.MustCompile(`\b(Pa|cfm|cfm25|in|ft|kWh|Btu|gallons?|tons?|units?|fractions?|days)\b|ft²|in²|°F|°C|kg/m³`)
	checked := 0
	for _, pattern := range []string{
		"leakage/*.go", "stat/*.go", "delivery/*.go", "cutlist/*.go", "performance/*.go", "draws/*.go", "crews/*.go", "callbacks/*.go", "triage/*.go",
		"rules/result*.go", "rules/taken.go", "rules/cut_list*.go",
	} {
		for _, fn := range exportedFunctions(t, pattern) {
			doc, types := strings.Join(strings.Fields(fn.Doc.Text()), " "), typesOf(fn.Type)
			float, err := slices.Contains(types, "float64"), slices.Contains(types, "error")
			if !float && !err {
				continue
			}
			checked++
			if !source.MatchString(doc) {
				t.Errorf("%s: %s names no source", pattern, fn.Name)
			}
			if float && !unit.MatchString(doc) {
				t.Errorf("%s: %s names no unit", pattern, fn.Name)
			}
			if err && !refusal.MatchString(doc) {
				t.Errorf("%s: %s returns an error and does not say what it refuses", pattern, fn.Name)
			}
		}
	}
	if checked < 90 {
		t.Errorf("%d functions were looked at: the patterns miss most of them", checked)
	}
}

func exportedFunctions(t *testing.T, pattern string) (list []*ast.FuncDecl) {
	t.Helper()
	paths, err := filepath.Glob(pattern)
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range paths {
		if strings.HasSuffix(path, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range file.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && fn.Name.IsExported() {
				list = append(list, fn)
			}
		}
	}
	return list
}

func typesOf(signature *ast.FuncType) (names []string) {
	ast.Inspect(signature, func(n ast.Node) bool {
		if id, ok := n.(*ast.Ident); ok {
			names = append(names, id.Name)
		}
		return true
	})
	return names
}
