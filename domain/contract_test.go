package domain_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"gopkg.in/yaml.v3"

	"ductledger/domain"
)

// The records stand twice: as structs here and as schemas in openapi.yaml,
// which field apps are written from. These tests hold the two equal.

// A node is an object of the document.
type node = map[string]any

func contractDocument(t *testing.T) node {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "openapi.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	var doc node
	if err := yaml.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	return doc
}

func TestRecordsEqualTheirSchemas(t *testing.T) {
	w := walker{t: t, doc: contractDocument(t), constants: typedConstants(t), seen: map[reflect.Type]bool{}}
	for _, row := range domain.Kinds {
		record := reflect.TypeOf(row.New()).Elem()
		w.object(record, record.Name(), w.schema(record.Name()))
	}
}

// A push locks the records of the other kinds one by one; those of a job by their job.
func TestKindsOfAJobNameIt(t *testing.T) {
	for _, row := range domain.Kinds {
		_, names := reflect.TypeOf(row.New()).Elem().FieldByName("JobID")
		if row.Kind.OfJob() != names {
			t.Errorf("a %s is of a job: %v, has a field for it: %v", row.Kind, row.Kind.OfJob(), names)
		}
	}
}

func TestKindsHaveTheirAddresses(t *testing.T) {
	doc := contractDocument(t)
	if got := texts(schemaOf(doc, "Kind")["enum"]); len(got) != len(domain.Kinds) {
		t.Errorf("the schema Kind lists %d kinds, want %d", len(got), len(domain.Kinds))
	}
	for _, row := range domain.Kinds {
		name := reflect.TypeOf(row.New()).Elem().Name()
		list, one := "/v1/"+row.Plural, "/v1/"+row.Plural+"/{id}"
		for _, want := range []struct {
			path, method, operation string
			writes                  bool
		}{
			{list, "get", "list" + name + "s", false},
			{one, "put", "put" + name, true},
			{one, "get", "get" + name, false},
			{one + "/versions", "get", "versionsOf" + name, false},
			{one + "/void", "post", "void" + name, true},
		} {
			op := at(doc, "paths", want.path, want.method)
			if op["operationId"] != want.operation {
				t.Errorf("%s %s: operationId is %v, want %s", want.method, want.path, op["operationId"], want.operation)
			}
			roles := texts(op["x-roles"])
			if want.writes && !slices.Equal(roles, writers(row)) {
				t.Errorf("%s: x-roles are %v, want %v", want.operation, roles, writers(row))
			}
		}
		body := at(doc, "paths", one, "put", "requestBody", "content", "application/json", "schema")
		if want := "#/components/schemas/" + name; body["$ref"] != want {
			t.Errorf("put%s takes %v, want %s", name, body["$ref"], want)
		}
		if !slices.Contains(texts(schemaOf(doc, "Kind")["enum"]), string(row.Kind)) {
			t.Errorf("the schema Kind lacks %s", row.Kind)
		}
		if got := at(doc, "components", "schemas", "EvaluationItem", "discriminator", "mapping")[string(row.Kind)]; got != "#/components/schemas/"+name+"Item" {
			t.Errorf("EvaluationItem: %s leads to %v", row.Kind, got)
		}
		item := at(doc, "components", "schemas", name+"Item", "properties")
		if kind := at(item, "kind")["const"]; kind != string(row.Kind) {
			t.Errorf("%sItem: kind is %v, want %s", name, kind, row.Kind)
		}
		if ref := at(item, "record")["$ref"]; ref != "#/components/schemas/"+name {
			t.Errorf("%sItem: record is %v", name, ref)
		}
	}
}

// Every kind has an example that its schema and its struct take; with one
// unknown key more, both refuse it.
func TestExamplesOfRecords(t *testing.T) {
	doc := contractDocument(t)
	compiler := jsonschema.NewCompiler()
	compiler.DefaultDraft(jsonschema.Draft2020)
	compiler.AssertFormat()
	if err := compiler.AddResource("mem:///openapi.json", asJSON(t, doc)); err != nil {
		t.Fatal(err)
	}
	for _, row := range domain.Kinds {
		name := reflect.TypeOf(row.New()).Elem().Name()
		schema, err := compiler.Compile("mem:///openapi.json#/components/schemas/" + name)
		if err != nil {
			t.Fatal(err)
		}
		examples, _ := schemaOf(doc, name)["examples"].([]any)
		if len(examples) == 0 {
			t.Errorf("%s has no example", name)
		}
		for i, value := range examples {
			if err := schema.Validate(asJSON(t, value)); err != nil {
				t.Errorf("%s, example %d: %v", name, i, err)
			}
			if err := decodeStrictly(value, row.New()); err != nil {
				t.Errorf("%s, example %d: %v", name, i, err)
			}
			more := maps.Clone(value.(node))
			more["color"] = "red"
			if schema.Validate(asJSON(t, more)) == nil || decodeStrictly(more, row.New()) == nil {
				t.Errorf("%s, example %d: the unknown key color was taken", name, i)
			}
		}
	}
}

func asJSON(t *testing.T, value any) any {
	t.Helper()
	text, err := json.Marshal(value)
	if err != nil {
		t.Fatal(err)
	}
	read, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return read
}

func decodeStrictly(value any, into domain.Record) error {
	text, err := json.Marshal(value)
	if err != nil {
		return err
	}
	decoder := json.NewDecoder(bytes.NewReader(text))
	decoder.DisallowUnknownFields()
	return decoder.Decode(into)
}

// A walker compares structs with schemas, nested ones too.
type walker struct {
	t         *testing.T
	doc       node
	constants map[string][]string // by the type of the constant
	seen      map[reflect.Type]bool
}

func (w *walker) schema(name string) node {
	schema := schemaOf(w.doc, name)
	if schema == nil {
		w.t.Errorf("openapi.yaml has no schema %s", name)
	}
	return schema
}

func (w *walker) object(typ reflect.Type, where string, schema node) {
	if w.seen[typ] || schema == nil {
		return
	}
	w.seen[typ] = true
	if schema["type"] != "object" || schema["additionalProperties"] != false {
		w.t.Errorf("%s: an object with additionalProperties: false is expected", where)
	}
	if schema["description"] == nil {
		w.t.Errorf("%s: no description", where)
	}
	properties := at(schema, "properties")
	required := texts(schema["required"])
	fields := map[string]bool{}
	for i := range typ.NumField() {
		field := typ.Field(i)
		name, options, _ := strings.Cut(field.Tag.Get("json"), ",")
		place := where + "." + name
		fields[name] = true
		optional := options == "omitzero"
		if field.Type.Kind() == reflect.Pointer && !optional {
			w.t.Errorf("%s: a pointer that is not optional", place)
		}
		if slices.Contains(required, name) == optional {
			w.t.Errorf("%s: optional is %v in the struct, openapi.yaml says otherwise", place, optional)
		}
		property, ok := properties[name].(node)
		if !ok {
			w.t.Errorf("%s: openapi.yaml has no such property", place)
			continue
		}
		w.value(field.Type, place, property)
	}
	for name := range properties {
		if !fields[name] {
			w.t.Errorf("%s.%s: the struct has no such field", where, name)
		}
	}
}

// refs are the types that always stand as the same shared schema.
var refs = map[reflect.Type]string{
	reflect.TypeFor[domain.UUID]():    "Uuid",
	reflect.TypeFor[domain.Date]():    "Day",
	reflect.TypeFor[domain.Section](): "Section",
	reflect.TypeFor[domain.Kind]():    "Kind",
	reflect.TypeFor[time.Time]():      "Timestamp",
}

func (w *walker) value(typ reflect.Type, where string, property node) {
	if typ.Kind() == reflect.Pointer {
		typ = typ.Elem()
	}
	if want, shared := refs[typ]; shared {
		if property["$ref"] != "#/components/schemas/"+want {
			w.t.Errorf("%s: a $ref to %s is expected", where, want)
		}
		return
	}
	schema := follow(w.doc, property)
	want := map[reflect.Kind]string{reflect.String: "string", reflect.Bool: "boolean", reflect.Int: "integer", reflect.Int64: "integer",
		reflect.Float64: "number", reflect.Slice: "array", reflect.Map: "object", reflect.Struct: "object"}[typ.Kind()]
	if schema["type"] != want {
		w.t.Errorf("%s: type is %v, want %s", where, schema["type"], want)
	}
	switch typ.Kind() {
	case reflect.Float64:
		w.number(where, schema)
	case reflect.Int, reflect.Int64:
		if schema["minimum"] == nil || schema["maximum"] == nil {
			w.t.Errorf("%s: an integer needs both limits", where)
		}
	case reflect.String:
		w.text(typ, where, schema)
	case reflect.Slice:
		if schema["maxItems"] == nil {
			w.t.Errorf("%s: an array needs maxItems", where)
		}
		w.value(typ.Elem(), where+"[]", at(schema, "items"))
	case reflect.Map:
		w.value(typ.Elem(), where+"{}", at(schema, "additionalProperties"))
	case reflect.Struct:
		if ref := property["$ref"]; ref != "#/components/schemas/"+typ.Name() {
			w.t.Errorf("%s: refers to %v, want %s", where, ref, typ.Name())
		}
		w.object(typ, where, schema)
	}
}

func (w *walker) number(where string, schema node) {
	if schema["format"] != "double" {
		w.t.Errorf("%s: a number needs format: double", where)
	}
	if schema["multipleOf"] != nil {
		w.t.Errorf("%s: multipleOf refuses good readings; write x-step", where)
	}
}

func (w *walker) text(typ reflect.Type, where string, schema node) {
	enum := texts(schema["enum"])
	if enum == nil && schema["pattern"] == nil && schema["maxLength"] == nil {
		w.t.Errorf("%s: a text needs enum, pattern or maxLength", where)
	}
	words, typed := w.constants[typ.Name()]
	if !typed {
		return
	}
	slices.Sort(enum)
	if !slices.Equal(enum, words) {
		w.t.Errorf("%s: enum is %v, the constants of %s are %v", where, enum, typ.Name(), words)
	}
}

// typedConstants reads the closed lists of words from the package's text: the
// language itself cannot list the constants of a type.
func typedConstants(t *testing.T) map[string][]string {
	t.Helper()
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	words := map[string][]string{}
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			spec, ok := n.(*ast.ValueSpec)
			if !ok || len(spec.Values) != 1 {
				return true
			}
			typ, typed := spec.Type.(*ast.Ident)
			literal, isText := spec.Values[0].(*ast.BasicLit)
			if typed && isText && literal.Kind == token.STRING {
				word, err := strconv.Unquote(literal.Value)
				if err != nil {
					t.Fatal(err)
				}
				words[typ.Name] = append(words[typ.Name], word)
			}
			return true
		})
	}
	for _, list := range words {
		slices.Sort(list)
	}
	return words
}

func writers(row domain.KindRow) []string {
	var roles []string
	for _, role := range row.Writers {
		roles = append(roles, string(role))
	}
	return roles
}

func schemaOf(doc node, name string) node { return at(doc, "components", "schemas", name) }

// follow gives the object that a $ref names, or the object itself.
func follow(doc, object node) node {
	ref, ok := object["$ref"].(string)
	if !ok {
		return object
	}
	return at(doc, strings.Split(strings.TrimPrefix(ref, "#/"), "/")...)
}

// at walks down objects; nil where the way ends.
func at(object node, names ...string) node {
	for _, name := range names {
		object, _ = object[name].(node)
	}
	return object
}

func texts(value any) []string {
	list, _ := value.([]any)
	var words []string
	for _, v := range list {
		words = append(words, fmt.Sprint(v))
	}
	return words
}
