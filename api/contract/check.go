package contract

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"mime"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"ductledger/api/strict"
	"ductledger/domain"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

// contractURL names the document inside the schema compiler. Nothing is ever
// loaded from it.
const contractURL = "mem:///openapi.json"

// A Compiled contract holds requests and answers to the schemas of openapi.yaml.
// It is for tests: what is served is right only if it is what the contract says.
type Compiled struct {
	Doc        map[string]any
	Operations map[string]*CompiledOperation
	Schemas    map[string]*jsonschema.Schema // components/schemas by name
}

// A CompiledOperation is one method at one path.
type CompiledOperation struct {
	id, Method, Path string
	body             *jsonschema.Schema // of application/json; nil without
	Parameters       []Parameter
	responses        map[string]map[string]*jsonschema.Schema // by "200", "4XX", "default", then media type
}

type Parameter struct {
	Name, in string
	required bool
	schema   *jsonschema.Schema
}

// Load compiles every schema of a contract in JSON as a role meets it; with no
// role, as who is told everything. Answers may gain fields one day; here they
// are closed, so that one that is sent and not declared is found.
func Load(text []byte, role domain.Role) (*Compiled, error) {
	value, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		return nil, fmt.Errorf("contract: %w", err)
	}
	doc, ok := value.(map[string]any)
	if !ok {
		return nil, errors.New("contract: an object is expected")
	}
	withhold(doc, string(role))
	closeObjects(doc)
	if err := switchOnKind(doc, doc); err != nil {
		return nil, fmt.Errorf("contract: %w", err)
	}
	c := &Compiled{Doc: doc, Operations: map[string]*CompiledOperation{}, Schemas: map[string]*jsonschema.Schema{}}
	l := loader{Compiled: c, compiler: newCompiler()}
	if err := l.compiler.AddResource(contractURL, doc); err != nil {
		return nil, fmt.Errorf("contract: %w", err)
	}
	l.load()
	if len(l.errs) > 0 {
		return nil, fmt.Errorf("contract: %w", errors.Join(l.errs...))
	}
	return c, nil
}

// loader walks the document once and gathers every mistake.
type loader struct {
	*Compiled
	compiler *jsonschema.Compiler
	errs     []error
}

func (l *loader) bad(format string, args ...any) {
	l.errs = append(l.errs, fmt.Errorf(format, args...))
}

func (l *loader) load() {
	schemas, _ := At(l.Doc, "components", "schemas").(map[string]any)
	for _, name := range slices.Sorted(maps.Keys(schemas)) {
		l.Schemas[name] = l.compile("components", "schemas", name)
	}
	paths, _ := l.Doc["paths"].(map[string]any)
	for _, path := range slices.Sorted(maps.Keys(paths)) {
		item, _ := paths[path].(map[string]any)
		for _, method := range []string{"get", "head", "put", "post", "patch", "delete"} {
			if op, ok := item[method].(map[string]any); ok {
				l.operation(path, method, op)
			}
		}
	}
}

func (l *loader) operation(path, method string, op map[string]any) {
	id, _ := op["operationId"].(string)
	if id == "" || l.Operations[id] != nil {
		l.bad("%s %s: an operationId of its own is needed", method, path)
		return
	}
	o := &CompiledOperation{id: id, Method: strings.ToUpper(method), Path: path,
		responses: map[string]map[string]*jsonschema.Schema{}}
	l.Operations[id] = o
	for _, place := range [][]string{{"paths", path, "parameters"}, {"paths", path, method, "parameters"}} {
		list, _ := At(l.Doc, place...).([]any)
		for i := range list {
			l.parameter(o, append(slices.Clone(place), strconv.Itoa(i)))
		}
	}
	if place, body := l.follow("paths", path, method, "requestBody"); body != nil {
		o.body = l.content(place, body)["application/json"]
	}
	responses, _ := op["responses"].(map[string]any)
	for _, status := range slices.Sorted(maps.Keys(responses)) {
		place, response := l.follow("paths", path, method, "responses", status)
		o.responses[status] = l.content(place, response)
	}
}

func (l *loader) parameter(o *CompiledOperation, place []string) {
	place, p := l.follow(place...)
	name, _ := p["name"].(string)
	in, _ := p["in"].(string)
	required, _ := p["required"].(bool)
	if name == "" || p["schema"] == nil {
		l.bad("%s: a parameter needs a name and a schema", o.id)
		return
	}
	// One of the operation's own replaces that of the path.
	o.Parameters = slices.DeleteFunc(o.Parameters, func(q Parameter) bool { return q.Name == name && q.in == in })
	o.Parameters = append(o.Parameters, Parameter{name, in, required, l.compile(append(place, "schema")...)})
}

// content compiles the schema of every media type at a place; nil stands for a
// media type without one.
func (l *loader) content(place []string, holder map[string]any) map[string]*jsonschema.Schema {
	schemas := map[string]*jsonschema.Schema{}
	content, _ := holder["content"].(map[string]any)
	for _, media := range slices.Sorted(maps.Keys(content)) {
		schemas[media] = nil
		if At(content, media, "schema") != nil {
			schemas[media] = l.compile(append(slices.Clone(place), "content", media, "schema")...)
		}
	}
	return schemas
}

// follow finds the object at a place, through a $ref if one stands there.
func (l *loader) follow(place ...string) ([]string, map[string]any) {
	object, _ := At(l.Doc, place...).(map[string]any)
	ref, isRef := object["$ref"].(string)
	if !isRef {
		return place, object
	}
	object, ok := l.Resolve(ref).(map[string]any)
	if !ok {
		l.bad("%s: nothing stands there", ref)
	}
	return strict.PointerTokens(strings.TrimPrefix(ref, "#")), object
}

func (l *loader) compile(place ...string) *jsonschema.Schema {
	var fragment strings.Builder
	for _, token := range place {
		fragment.WriteString("/" + url.PathEscape(strict.EscapePointer(token)))
	}
	schema, err := l.compiler.Compile(contractURL + "#" + fragment.String())
	if err != nil {
		l.bad("%s: %w", strings.Join(place, " "), err)
	}
	return schema
}

// CheckResponse is for tests: an answer that the contract does not describe is
// an error.
func (c *Compiled) CheckResponse(operationID string, status int, contentType string, body []byte) error {
	op := c.Operations[operationID]
	if op == nil {
		return fmt.Errorf("the contract has no operation %q", operationID)
	}
	code := strconv.Itoa(status)
	var media map[string]*jsonschema.Schema
	known := false
	for _, key := range []string{code, code[:1] + "XX", "default"} {
		if media, known = op.responses[key]; known {
			break
		}
	}
	if !known {
		return fmt.Errorf("%s: status %d is not in the contract", operationID, status)
	}
	if len(media) == 0 {
		if len(body) > 0 {
			return fmt.Errorf("%s: status %d has no body in the contract", operationID, status)
		}
		return nil
	}
	kind, _, _ := mime.ParseMediaType(contentType)
	schema, known := media[kind]
	if !known {
		return fmt.Errorf("%s: status %d has no %q in the contract", operationID, status, kind)
	}
	if schema == nil || !strings.HasSuffix(kind, "json") {
		return nil
	}
	if err := validate(schema, body); err != nil {
		return fmt.Errorf("%s: status %d: %w", operationID, status, err)
	}
	return nil
}

func validate(schema *jsonschema.Schema, text []byte) error {
	value, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		return err
	}
	return schema.Validate(value)
}

// Resolve is what a $ref inside the document names; nil when nothing stands there.
func (c *Compiled) Resolve(ref string) any {
	return At(c.Doc, strict.PointerTokens(strings.TrimPrefix(ref, "#"))...)
}

// At walks down objects and arrays; nil when the way ends.
func At(value any, place ...string) any {
	for _, token := range place {
		switch v := value.(type) {
		case map[string]any:
			value = v[token]
		case []any:
			i, err := strconv.Atoi(token)
			if err != nil || i < 0 || i >= len(v) {
				return nil
			}
			value = v[i]
		default:
			return nil
		}
	}
	return value
}
