package api

import (
	_ "embed"
	"errors"
	"fmt"
	"maps"
	"mime"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"ductledger/domain"
)

// The contract is made from the types, the routes and the kinds. It stands at
// the top of the project, where a reader looks for it; embedding reaches no
// parent folder, so a copy is made.
//
//go:generate go test -count 1 -run ^TestContractIsMadeFromTheCode$ . -update

//go:embed openapi.yaml
var openapiYAML []byte

// ownContract is openapi.yaml, compiled once in the life of a program: it takes
// a third of a second and never changes.
var ownContract = sync.OnceValues(func() (*contract, error) { return loadContract(openapiYAML) })

// contractURL names the document inside the schema compiler. Nothing is ever
// loaded from it.
const contractURL = "mem:///openapi.json"

// A contract is openapi.yaml, compiled. It is read only after loadContract and
// may be used by many goroutines.
type contract struct {
	yaml, json []byte
	doc        map[string]any
	operations map[string]*operation
	schemas    map[string]*jsonschema.Schema // components/schemas by name
}

// An operation is one method at one path.
type operation struct {
	id, method, path string
	hasBody          bool
	bodyRequired     bool
	body             *jsonschema.Schema // of application/json; nil without
	parameters       []parameter
	responses        map[string]map[string]*jsonschema.Schema // by "200", "4XX", "default", then media type
}

type parameter struct {
	name, in string
	required bool
	schema   *jsonschema.Schema
}

// contractJSON are the limits for the contract's own text, and for answers of
// ours in tests. Its descriptions have line breaks, which is no mistake here.
func contractJSON() jsonLimits {
	const many = 1_000_000
	return jsonLimits{depth: 200, names: many, values: many, digits: 40, faults: many}
}

// loadContract compiles every schema of the document, so that a mistake in it
// stops the start and not a request. All mistakes are reported at once.
func loadContract(text []byte) (*contract, error) {
	asJSON, err := yamlToJSON(text)
	if err != nil {
		return nil, fmt.Errorf("contract: %w", err)
	}
	value, _, err := decodeText(asJSON, contractJSON())
	if err != nil {
		return nil, fmt.Errorf("contract: %w", err)
	}
	doc, ok := value.(map[string]any)
	if !ok {
		return nil, errors.New("contract: an object is expected")
	}
	if err := switchOnKind(doc, doc); err != nil {
		return nil, fmt.Errorf("contract: %w", err)
	}
	c := &contract{yaml: text, json: asJSON, doc: doc,
		operations: map[string]*operation{}, schemas: map[string]*jsonschema.Schema{}}
	l := contractLoader{contract: c, compiler: newCompiler()}
	if err := l.compiler.AddResource(contractURL, doc); err != nil {
		return nil, fmt.Errorf("contract: %w", err)
	}
	l.load()
	if len(l.errs) > 0 {
		return nil, fmt.Errorf("contract: %w", errors.Join(l.errs...))
	}
	return c, nil
}

// contractLoader walks the document once and gathers every mistake.
type contractLoader struct {
	*contract
	compiler *jsonschema.Compiler
	errs     []error
}

func (l *contractLoader) bad(format string, args ...any) {
	l.errs = append(l.errs, fmt.Errorf(format, args...))
}

func (l *contractLoader) load() {
	schemas, _ := at(l.doc, "components", "schemas").(map[string]any)
	for _, name := range slices.Sorted(maps.Keys(schemas)) {
		l.schemas[name] = l.compile("components", "schemas", name)
	}
	paths, _ := l.doc["paths"].(map[string]any)
	for _, path := range slices.Sorted(maps.Keys(paths)) {
		item, _ := paths[path].(map[string]any)
		for _, method := range []string{"get", "head", "put", "post", "patch", "delete"} {
			if op, ok := item[method].(map[string]any); ok {
				l.operation(path, method, op)
			}
		}
	}
}

func (l *contractLoader) operation(path, method string, op map[string]any) {
	id, _ := op["operationId"].(string)
	if id == "" || l.operations[id] != nil {
		l.bad("%s %s: an operationId of its own is needed", method, path)
		return
	}
	o := &operation{id: id, method: strings.ToUpper(method), path: path,
		responses: map[string]map[string]*jsonschema.Schema{}}
	l.operations[id] = o
	for _, place := range [][]string{{"paths", path, "parameters"}, {"paths", path, method, "parameters"}} {
		list, _ := at(l.doc, place...).([]any)
		for i := range list {
			l.parameter(o, append(slices.Clone(place), strconv.Itoa(i)))
		}
	}
	if place, body := l.follow("paths", path, method, "requestBody"); body != nil {
		o.hasBody = true
		o.bodyRequired, _ = body["required"].(bool)
		o.body = l.content(place, body)["application/json"]
	}
	responses, _ := op["responses"].(map[string]any)
	for _, status := range slices.Sorted(maps.Keys(responses)) {
		place, response := l.follow("paths", path, method, "responses", status)
		o.responses[status] = l.content(place, response)
	}
}

func (l *contractLoader) parameter(o *operation, place []string) {
	place, p := l.follow(place...)
	name, _ := p["name"].(string)
	in, _ := p["in"].(string)
	required, _ := p["required"].(bool)
	if name == "" || p["schema"] == nil {
		l.bad("%s: a parameter needs a name and a schema", o.id)
		return
	}
	// One of the operation's own replaces that of the path.
	o.parameters = slices.DeleteFunc(o.parameters, func(q parameter) bool { return q.name == name && q.in == in })
	o.parameters = append(o.parameters, parameter{name, in, required, l.compile(append(place, "schema")...)})
}

// content compiles the schema of every media type at a place; nil stands for a
// media type without one.
func (l *contractLoader) content(place []string, holder map[string]any) map[string]*jsonschema.Schema {
	schemas := map[string]*jsonschema.Schema{}
	content, _ := holder["content"].(map[string]any)
	for _, media := range slices.Sorted(maps.Keys(content)) {
		schemas[media] = nil
		if at(content, media, "schema") != nil {
			schemas[media] = l.compile(append(slices.Clone(place), "content", media, "schema")...)
		}
	}
	return schemas
}

// follow finds the object at a place, through a $ref if one stands there.
func (l *contractLoader) follow(place ...string) ([]string, map[string]any) {
	object, _ := at(l.doc, place...).(map[string]any)
	ref, isRef := object["$ref"].(string)
	if !isRef {
		return place, object
	}
	object, ok := l.resolve(ref).(map[string]any)
	if !ok {
		l.bad("%s: nothing stands there", ref)
	}
	return pointerTokens(strings.TrimPrefix(ref, "#")), object
}

func (l *contractLoader) compile(place ...string) *jsonschema.Schema {
	var fragment strings.Builder
	for _, token := range place {
		fragment.WriteString("/" + url.PathEscape(escapePointer(token)))
	}
	schema, err := l.compiler.Compile(contractURL + "#" + fragment.String())
	if err != nil {
		l.bad("%s: %w", strings.Join(place, " "), err)
	}
	return schema
}

// checkResponse is for tests: an answer that the contract does not describe is
// an error.
func (c *contract) checkResponse(operationID string, status int, contentType string, body []byte) error {
	op := c.operations[operationID]
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
	value, _, err := decodeText(body, contractJSON())
	if err != nil {
		return fmt.Errorf("%s: status %d: %w", operationID, status, err)
	}
	if faults := c.check(schema, value); len(faults) > 0 {
		return fmt.Errorf("%s: status %d: %w", operationID, status, domain.InvalidFields(faults))
	}
	return nil
}

// resolve is what a $ref inside the document names; nil when nothing stands there.
func (c *contract) resolve(ref string) any {
	return at(c.doc, pointerTokens(strings.TrimPrefix(ref, "#"))...)
}

// at walks down objects and arrays; nil when the way ends.
func at(value any, place ...string) any {
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
