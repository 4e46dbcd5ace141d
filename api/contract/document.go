package contract

import (
	"bytes"
	"errors"
	"fmt"
	"go/format"
	"maps"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"ductledger/api/strict"

	"gopkg.in/yaml.v3"
)

// An API is what the contract tells, but for the fields of its types.
type API struct {
	Title, Version, Summary, Description string
	Schema                               int // revision of the contract
	Tags                                 []Tag
	Operations                           []Operation
	Names                                map[reflect.Type]string // of types whose own name does not do
	Unions                               map[reflect.Type]Union
	Raw                                  map[string]reflect.Type // what raw JSON holds, by the word of its field
	Open                                 []reflect.Type          // lists of words that grow: a client meets new ones
	Examples                             map[string]any          // by component; a value that JSON can be made of
	Headers                              map[string]Header       // of requests and answers, by name
	Paths                                map[string]strict.Param // what stands in braces in an address
	Problems                             map[string]Problem      // by status
	Problem                              reflect.Type
}

// A Tag is a subject of operations.
type Tag struct{ Name, Description string }

// A Header is a field of a request or an answer.
type Header struct {
	Description, Pattern, Example string
	Words                         []string
	Longest, Least                int // characters of a text; the least number
}

// A Problem is the answer of one status that is an error.
type Problem struct {
	Name, Description string
	Headers           []string
}

// An Operation is one method at one address.
type Operation struct {
	ID, Method, Path          string
	Tag, Summary, Description string
	Public                    bool
	Roles                     []string
	TimeoutS                  int
	Query                     reflect.Type // a struct with a field for each parameter
	Headers                   []string     // of the request
	Body                      reflect.Type
	BodyOptional              bool
	Streams                   []string // content types of a body that is no JSON
	BodyExample               any
	Answers                   []Answer
	Problems                  []string // statuses
}

// An Answer is what a status that is no error brings.
type Answer struct {
	Status, Description string
	Headers             []string
	Type                reflect.Type
	Media               string // application/json unless said
	Of                  string // the one word of the unions in it
}

// A Union is a value of several forms, told apart by one of its fields.
type Union struct {
	By       string
	Base     reflect.Type // what all forms have
	Branches []Branch
}

// A Branch is one form of a union: a type of its own, or fields.
type Branch struct {
	Type        reflect.Type
	Word        string // the value of the field that tells it apart
	Name        string // of its component
	Description string
	Fields      []strict.Field // the field that tells it apart stands by itself
	Untold      bool           // some roles read it without its free texts
}

// Write makes the document. lists is the Go file of the closed lists, which only
// the program's text knows.
func (a *API) Write(source *Source) (text, lists []byte, err error) {
	s := &schemas{Source: source, names: a.Names, raw: a.Raw, open: a.Open, unions: a.Unions, made: map[string]object{}, types: map[string]reflect.Type{}, closedLists: map[string][]string{}}
	s.share()
	// Requests first: what can be sent is closed, also where it is answered.
	s.closed = true
	for i := range a.Operations {
		if op := &a.Operations[i]; op.Body != nil {
			s.of(op.Body, nil, nil)
		}
	}
	s.closed = false
	doc := of("openapi", "3.1.0",
		"info", of("title", a.Title, "version", a.Version, "x-schema", a.Schema, "summary", a.Summary, "description", a.Description),
		"servers", list(of("url", "/")), "security", list(of("bearer", emptyList())))
	var tags []object
	for _, t := range a.Tags {
		tags = append(tags, of("name", t.Name, "description", t.Description))
	}
	doc.set("tags", list(tags...))
	doc.set("paths", a.paths(s))
	problem := s.of(a.Problem, nil, nil)
	doc.set("components", of("securitySchemes", of("bearer", of("type", "http", "scheme", "bearer", "description",
		"`Authorization: Bearer dl_…`, never in an address. The token names the program, the role and, where it has them,\nthe contractor, the device and the person.\n")),
		"responses", a.problems(problem), "schemas", a.components(s)))
	if len(s.errs) > 0 {
		return nil, nil, errors.Join(s.errs...)
	}
	compact(doc.Node)
	var out bytes.Buffer
	out.WriteString("# Made by go generate ./api from the program's types, routes and kinds. Edit those.\n")
	encoder := yaml.NewEncoder(&out)
	encoder.SetIndent(2)
	if err := encoder.Encode(doc.Node); err != nil {
		return nil, nil, fmt.Errorf("contract: %w", err)
	}
	return out.Bytes(), s.listsInGo(), encoder.Close()
}

func emptyList() *yaml.Node {
	return &yaml.Node{Kind: yaml.SequenceNode, Tag: "!!seq", Style: yaml.FlowStyle}
}

func (a *API) components(s *schemas) object {
	all := newObject()
	for _, name := range slices.Sorted(maps.Keys(s.made)) {
		schema := s.made[name]
		if example, known := a.Examples[name]; known {
			node, err := exampleNode(example)
			if err != nil {
				s.bad("example of %s: %w", name, err)
			}
			schema.set("examples", list(node))
		}
		all.set(name, schema)
	}
	return all
}

func (a *API) problems(problem object) object {
	all := newObject()
	for _, status := range slices.Sorted(maps.Keys(a.Problems)) {
		p := a.Problems[status]
		all.set(p.Name, of("description", p.Description, "headers", a.headers(p.Headers),
			"content", of("application/problem+json", of("schema", problem))))
	}
	return all
}

func (a *API) headers(names []string) any {
	if len(names) == 0 {
		return nil
	}
	all := newObject()
	for _, name := range names {
		all.set(name, of("description", a.Headers[name].Description, "schema", a.Headers[name].schema()))
	}
	return all
}

func (h Header) schema() object {
	if h.Least > 0 {
		return of("type", "integer", "minimum", h.Least)
	}
	o := of("type", "string", "enum", h.Words, "pattern", h.Pattern)
	if h.Longest > 0 {
		o.set("maxLength", h.Longest)
	}
	return o
}

// paths lists the operations by address, in the order of the table.
func (a *API) paths(s *schemas) object {
	all := newObject()
	for i := range a.Operations {
		op := &a.Operations[i]
		item := all.get(op.Path)
		if item == nil {
			all.set(op.Path, a.address(s, op.Path))
			item = all.get(op.Path)
		}
		object{item}.set(strings.ToLower(op.Method), a.operation(s, op))
	}
	return all
}

func (a *API) operation(s *schemas, op *Operation) object {
	o := of("operationId", op.ID, "tags", []string{op.Tag}, "summary", op.Summary, "description", op.Description)
	if op.Public {
		o.set("security", emptyList()).set("x-roles", emptyList())
	} else {
		o.set("x-roles", op.Roles)
	}
	o.set("x-timeout-s", op.TimeoutS)
	if parameters := a.parameters(s, op); len(parameters) > 0 {
		o.set("parameters", list(parameters...))
	}
	if op.Body != nil {
		media := of("schema", s.of(op.Body, nil, nil))
		if op.BodyExample != nil {
			node, err := exampleNode(op.BodyExample)
			if err != nil {
				s.bad("%s: %w", op.ID, err)
			}
			media.set("example", node)
		}
		o.set("requestBody", of("required", !op.BodyOptional, "content", of("application/json", media)))
	}
	if len(op.Streams) > 0 {
		content := newObject()
		for _, media := range op.Streams {
			content.set(media, of("schema", of("type", "string", "contentMediaType", media)))
		}
		o.set("requestBody", of("required", false, "content", content))
	}
	responses := newObject()
	for _, answer := range op.Answers {
		responses.set(answer.Status, a.answer(s, &answer))
	}
	for _, status := range op.Problems {
		p, known := a.Problems[status]
		if !known {
			s.bad("%s: no problem has the status %s", op.ID, status)
		}
		responses.set(status, of("$ref", "#/components/responses/"+p.Name))
	}
	return o.set("responses", responses)
}

func (a *API) answer(s *schemas, answer *Answer) object {
	o := of("description", answer.Description, "headers", a.headers(answer.Headers))
	if answer.Type == nil {
		return o
	}
	content := newObject()
	for media := range strings.FieldsSeq(answer.Media) {
		switch media {
		case "application/json":
			if answer.Type.Kind() == reflect.Interface {
				content.set(media, of("schema", of("type", "object")))
				break
			}
			content.set(media, of("schema", s.narrowed(answer.Type, answer.Of)))
		case "application/zip", "image/jpeg", "image/png", "image/heic":
			content.set(media, of("schema", of("type", "string", "contentMediaType", media)))
		default:
			content.set(media, of("schema", of("type", "string")))
		}
	}
	return o.set("content", content)
}

// address begins the item of a path with the values that stand in it.
func (a *API) address(s *schemas, path string) object {
	var values []object
	for {
		_, after, found := strings.Cut(path, "{")
		if !found {
			break
		}
		name, rest, _ := strings.Cut(after, "}")
		p, known := a.Paths[name]
		if !known {
			s.bad("nothing is said of {%s} in an address", name)
		} else {
			values = append(values, of("name", name, "in", "path", "required", true, "description", p.Description, "schema", s.of(p.Type, &p.Check, nil)))
		}
		path = rest
	}
	o := newObject()
	if len(values) > 0 {
		o.set("parameters", list(values...))
	}
	return o
}

// parameters are those of the query and of the header.
func (a *API) parameters(s *schemas, op *Operation) (all []object) {
	if op.Query != nil {
		fields, err := strict.Fields(op.Query)
		if err != nil {
			s.bad("%s: %w", op.ID, err)
		}
		for i := range fields {
			f := &fields[i]
			schema := s.of(f.Type, &f.Value, f)
			if f.Default != "" {
				schema.set("default", literal(f.Type, f.Default))
			}
			p := of("name", f.Name, "in", "query")
			if !f.Optional {
				p.set("required", true)
			}
			all = append(all, p.set("description", s.Comments[key(f.Owner)+"."+f.GoName]).set("schema", schema))
		}
	}
	for _, name := range op.Headers {
		h := a.Headers[name]
		all = append(all, of("name", name, "in", "header", "description", h.Description, "schema", h.schema(), "example", h.Example))
	}
	return all
}

// exampleNode writes a value as JSON would hold it.
func exampleNode(value any) (*yaml.Node, error) {
	text, err := jsonOf(value)
	if err != nil {
		return nil, err
	}
	var doc yaml.Node
	if err := yaml.Unmarshal(text, &doc); err != nil {
		return nil, err
	}
	node := doc.Content[0]
	unstyled(node)
	return node, nil
}

// unstyled lets the writer choose: JSON's quotes and braces go.
func unstyled(n *yaml.Node) {
	n.Style = 0
	if n.Kind == yaml.ScalarNode && n.Tag == "!!timestamp" {
		n.Tag = "!!str"
	}
	for _, child := range n.Content {
		unstyled(child)
	}
}

// Statuses writes numbers as they stand in the contract.
func Statuses(numbers ...int) []string {
	words := make([]string, len(numbers))
	for i, n := range numbers {
		words[i] = strconv.Itoa(n)
	}
	return words
}

func (s *schemas) listsInGo() []byte {
	var out bytes.Buffer
	out.WriteString("package strict\n\n// Code generated by go generate ./api from the constants of the types; DO NOT EDIT.\n\nvar words = map[string][]string{\n")
	for _, name := range slices.Sorted(maps.Keys(s.closedLists)) {
		fmt.Fprintf(&out, "\t%q: {\"%s\"},\n", name, strings.Join(s.closedLists[name], `", "`))
	}
	out.WriteString("}\n")
	text, err := format.Source(out.Bytes())
	if err != nil {
		s.bad("closed lists: %w", err)
	}
	return text
}
