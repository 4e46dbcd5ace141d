package docs

import (
	"bytes"
	"slices"
	"strings"

	"ductledger/api/strict"

	"github.com/go-json-experiment/json/jsontext"
)

// index is the first page, and the contract in the order in which it is
// written.
type index struct {
	Title       string
	Summary     string
	Description [][]piece
	Subjects    []*subject

	doc        *tree
	operations map[string]*operation
	exchanges  map[string]*Exchange
}

// subject is what the contract calls a tag.
type subject struct {
	Name, Anchor string
	Description  [][]piece
	Operations   []*operation
}

// operation is the page of one operation.
type operation struct {
	Title, Summary  string
	ID              string
	Method, Path    string
	Subject, Anchor string
	Description     [][]piece
	Roles           []string // none: no token is asked for
	TimeoutS        string
	Parameters      []field
	Body            []body
	Answers         []outcome
	Exchange        *Exchange // as a test recorded it
}

type field struct {
	Name     string
	In       string // of a parameter: path, query or header
	Required bool
	Type     []piece
	Text     [][]piece
}

type body struct {
	Media   string
	Type    []piece
	Fields  []field
	Example string
}

type outcome struct {
	Status  string
	Text    [][]piece
	Content []body
}

// schema is the page of one named shape.
type schema struct {
	Title       string
	Description [][]piece
	Type        []piece
	Closed      bool
	Fields      []field
	Example     string
	UsedBy      []*operation
}

func indexOf(contract []byte) (x index, err error) {
	value, err := readTree(jsontext.NewDecoder(bytes.NewReader(contract)))
	if err != nil {
		return x, err
	}
	x.doc, _ = value.(*tree)
	info := x.doc.tree("info")
	x.Title, x.Summary, x.Description = "Contract", strings.TrimSuffix(info.text("summary"), "."), paragraphs(info.text("description"))
	x.operations = map[string]*operation{}
	if x.exchanges, err = readExchanges(); err != nil {
		return x, err
	}
	for _, value := range x.doc.list("tags") {
		tag, _ := value.(*tree)
		name := tag.text("name")
		x.Subjects = append(x.Subjects, &subject{Name: name, Anchor: anchor(name), Description: paragraphs(tag.text("description"))})
	}
	paths := x.doc.tree("paths")
	for _, path := range paths.names {
		item := paths.tree(path)
		for _, method := range item.names {
			if op := item.tree(method); op.text("operationId") != "" {
				x.add(path, method, item, op)
			}
		}
	}
	return x, nil
}

func anchor(name string) string { return strings.ReplaceAll(strings.ToLower(name), " ", "-") }

func (x *index) add(path, method string, item, op *tree) {
	o := &operation{ID: op.text("operationId"), Summary: op.text("summary"), Method: strings.ToUpper(method), Path: path,
		Description: paragraphs(op.text("description")), Roles: texts(op.list("x-roles"))}
	o.Title, o.Exchange = o.Summary, x.exchanges[o.ID]
	if limit, ok := op.at("x-timeout-s").(numeral); ok {
		o.TimeoutS = string(limit)
	}
	for _, p := range slices.Concat(item.list("parameters"), op.list("parameters")) {
		parameter := x.follow(p)
		o.Parameters = append(o.Parameters, field{Name: parameter.text("name"), In: parameter.text("in"), Required: parameter.truth("required"),
			Type: x.typeOf(parameter.at("schema")), Text: paragraphs(parameter.text("description"))})
	}
	if body := x.follow(op.at("requestBody")); len(body.names) > 0 {
		o.Body = x.content(body)
	}
	responses := op.tree("responses")
	for _, status := range responses.names {
		response := x.follow(responses.values[status])
		o.Answers = append(o.Answers, outcome{Status: status, Text: paragraphs(response.text("description")), Content: x.content(response)})
	}
	x.operations[o.ID] = o
	for _, tag := range texts(op.list("tags")) {
		for _, s := range x.Subjects {
			if s.Name == tag {
				o.Subject, o.Anchor = s.Name, s.Anchor
				s.Operations = append(s.Operations, o)
			}
		}
	}
}

func (x *index) content(holder *tree) (list []body) {
	content := holder.tree("content")
	for _, media := range content.names {
		schema := content.at(media, "schema")
		c := body{Media: media, Type: x.typeOf(schema), Example: example(content.tree(media))}
		if inline, ok := schema.(*tree); ok && inline.text("$ref") == "" {
			c.Fields = x.fields(inline)
		}
		if named := x.follow(schema); c.Example == "" {
			c.Example = example(named)
		}
		list = append(list, c)
	}
	return list
}

// fields are the members of an object, those of its parts first.
func (x *index) fields(schema *tree) (list []field) {
	for _, part := range schema.list("allOf") {
		list = append(list, x.fields(x.follow(part))...)
	}
	required := texts(schema.list("required"))
	properties := schema.tree("properties")
	for _, name := range properties.names {
		property := properties.tree(name)
		list = append(list, field{Name: name, Required: slices.Contains(required, name), Type: x.typeOf(property), Text: paragraphs(property.text("description"))})
	}
	return list
}

// longestChain of references is followed; a circle ends there.
const longestChain = 20

// follow is what stands behind a reference, or the thing itself.
func (x *index) follow(value any) *tree {
	t, _ := value.(*tree)
	for range longestChain {
		if t == nil {
			return &tree{}
		}
		ref := t.text("$ref")
		if ref == "" {
			return t
		}
		t = x.doc.tree(strict.PointerTokens(strings.TrimPrefix(ref, "#"))...)
	}
	return &tree{}
}

// example is the first one that a schema or a media type gives.
func example(holder *tree) string {
	value := holder.at("example")
	if list := holder.list("examples"); value == nil && len(list) > 0 {
		value = list[0]
	}
	if value == nil {
		return ""
	}
	var b strings.Builder
	indented(&b, value, "")
	return b.String()
}

func texts(list []any) []string {
	words := make([]string, 0, len(list))
	for _, value := range list {
		if word, ok := value.(string); ok {
			words = append(words, word)
		}
	}
	return words
}

func (d *Pages) operation(id string) (*operation, bool) {
	o, known := d.index.operations[id]
	return o, known
}

func (d *Pages) schema(name string) (schema, bool) {
	x := &d.index
	schemas := x.doc.tree("components", "schemas")
	if !slices.Contains(schemas.names, name) {
		return schema{}, false
	}
	t := schemas.tree(name)
	s := schema{Title: name, Description: paragraphs(t.text("description")), Type: x.typeOf(t), Fields: x.fields(t), Example: example(t)}
	if extra, stated := t.at("additionalProperties").(bool); stated {
		s.Closed = !extra
	}
	link := "/docs/schemas/" + name
	names := func(c body) bool {
		return slices.ContainsFunc(c.Type, func(p piece) bool { return p.Link == link })
	}
	for _, subject := range x.Subjects {
		for _, o := range subject.Operations {
			used := slices.ContainsFunc(o.Body, names) || slices.ContainsFunc(o.Answers, func(a outcome) bool {
				return a.Status != "default" && a.Status < "4" && slices.ContainsFunc(a.Content, names)
			})
			if used {
				s.UsedBy = append(s.UsedBy, o)
			}
		}
	}
	return s, true
}
