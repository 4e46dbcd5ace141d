package leakage_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"go/types"
	"path/filepath"
	"strings"
	"testing"
)

// Total and to-outside leakage in one reduction do not compile: the package is
// type-checked with one more file that tries. Its imports are not followed, so
// only complaints about that file count.
func TestQuantitiesDoNotMeet(t *testing.T) {
	for _, c := range []struct {
		before, after string
		compiles      bool
	}{
		{"TotalLeakage", "TotalLeakage", true},
		{"OutsideLeakage", "OutsideLeakage", true},
		{"TotalLeakage", "OutsideLeakage", false},
		{"OutsideLeakage", "TotalLeakage", false},
		{"float64", "float64", false},
	} {
		files := token.NewFileSet()
		names, err := filepath.Glob("*.go")
		if err != nil {
			t.Fatal(err)
		}
		var parsed []*ast.File
		for _, name := range names {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			f, err := parser.ParseFile(files, name, nil, parser.SkipObjectResolution)
			if err != nil {
				t.Fatal(err)
			}
			parsed = append(parsed, f)
		}
		source := fmt.Sprintf("package leakage\n\nvar _, _ = Reduce(Measured[%s]{}, Measured[%s]{}, ReductionParameters{})\n", c.before, c.after)
		f, err := parser.ParseFile(files, "meet.go", source, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		var complaints []string
		conf := types.Config{IgnoreFuncBodies: true, Importer: noImports{}, Error: func(err error) {
			if e, ok := err.(types.Error); ok && files.Position(e.Pos).Filename == "meet.go" {
				complaints = append(complaints, e.Msg)
			}
		}}
		conf.Check("leakage", files, append(parsed, f), nil) // its error is the first complaint
		if c.compiles != (len(complaints) == 0) {
			t.Errorf("%s after %s: complaints %q", c.after, c.before, complaints)
		}
	}
}

type noImports struct{}

func (noImports) Import(path string) (*types.Package, error) {
	return nil, fmt.Errorf("%s is not followed", path)
}
