package contract

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Source is what only the program's text knows: comments, and the constants of
// the types that are closed lists. Keys are a package's path, a type's name and
// a field's, joined by dots.
type Source struct {
	Comments map[string]string
	Words    map[string][]string // by type, in the order in which they stand
}

// ReadSource reads the Go files of a module below root, tests excepted.
func ReadSource(root, module string, folders ...string) (*Source, error) {
	s := &Source{Comments: map[string]string{}, Words: map[string][]string{}}
	for _, folder := range folders {
		err := filepath.WalkDir(filepath.Join(root, folder), func(path string, entry fs.DirEntry, err error) error {
			if err != nil || entry.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			text, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			file, err := parser.ParseFile(token.NewFileSet(), path, text, parser.ParseComments)
			if err != nil {
				return err
			}
			within, err := filepath.Rel(root, filepath.Dir(path))
			if err != nil {
				return err
			}
			return s.file(module+"/"+filepath.ToSlash(within), file)
		})
		if err != nil {
			return nil, fmt.Errorf("sources: %w", err)
		}
	}
	return s, nil
}

func (s *Source) file(pkg string, file *ast.File) error {
	for _, declaration := range file.Decls {
		group, ok := declaration.(*ast.GenDecl)
		if !ok {
			continue
		}
		for _, spec := range group.Specs {
			switch spec := spec.(type) {
			case *ast.TypeSpec:
				doc := spec.Doc
				if doc == nil {
					doc = group.Doc
				}
				s.typ(pkg+"."+spec.Name.Name, spec, doc)
			case *ast.ValueSpec:
				if err := s.constant(pkg, spec); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

func (s *Source) typ(name string, spec *ast.TypeSpec, doc *ast.CommentGroup) {
	first, _, _ := strings.Cut(strings.TrimSpace(doc.Text()), "\n\n")
	s.Comments[name] = about(spec.Name.Name, flowing(first))
	object, ok := spec.Type.(*ast.StructType)
	if !ok {
		return
	}
	for _, field := range object.Fields.List {
		text := flowing(field.Doc.Text())
		if text == "" {
			text = flowing(field.Comment.Text())
		}
		for _, n := range field.Names {
			s.Comments[name+"."+n.Name] = about(n.Name, text)
		}
	}
}

// constant notes the words of a closed list: the language itself cannot list
// the constants of a type.
func (s *Source) constant(pkg string, spec *ast.ValueSpec) error {
	of, typed := spec.Type.(*ast.Ident)
	if !typed {
		return nil
	}
	for _, value := range spec.Values {
		literal, ok := value.(*ast.BasicLit)
		if !ok || literal.Kind != token.STRING {
			continue
		}
		word, err := strconv.Unquote(literal.Value)
		if err != nil {
			return err
		}
		s.Words[pkg+"."+of.Name] = append(s.Words[pkg+"."+of.Name], word)
	}
	return nil
}

// flowing joins the lines of a comment.
func flowing(text string) string { return strings.Join(strings.Fields(text), " ") }

// about turns "Home is a manufactured home." into what a reader of the
// contract expects: "A manufactured home."
func about(name, text string) string {
	for _, begin := range []string{name, "A " + name, "An " + name} {
		for _, verb := range []string{" is ", " are ", " says ", " holds "} {
			rest, found := strings.CutPrefix(text, begin+verb)
			if !found {
				continue
			}
			if verb == " says " || verb == " holds " {
				rest = strings.TrimSpace(verb) + " " + rest
			}
			return sentence(rest)
		}
	}
	return sentence(text)
}

// sentence begins with a capital, unless with a word in code, and ends in a
// full stop.
func sentence(text string) string {
	if text == "" {
		return ""
	}
	if !strings.ContainsAny(strings.Fields(text)[0], "_=") {
		first, size := utf8.DecodeRuneInString(text)
		text = string(unicode.ToUpper(first)) + text[size:]
	}
	text = strings.TrimRight(text, ",:;")
	if !strings.HasSuffix(text, ".") && !strings.HasSuffix(text, "?") {
		text += "."
	}
	return text
}

func key(t reflect.Type) string { return t.PkgPath() + "." + t.Name() }
