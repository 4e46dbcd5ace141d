package docs

import (
	_ "embed"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"

	"ductledger/domain"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// What a test asked a served API and was answered; go generate ./api writes it.
//
//go:embed exchanges.json
var recorded []byte

// An Exchange is one request and its answer. What differs from run to run, such
// as cursors and the service's own ids, has been given a name of its own.
type Exchange struct {
	Role    domain.Role       `json:"role,omitzero"` // whose token goes along; none for a public address
	Method  string            `json:"method"`
	Address string            `json:"address"` // path and query
	Header  map[string]string `json:"header,omitzero"`
	Body    jsontext.Value    `json:"body,omitzero"` // JSON
	File    string            `json:"file,omitzero"` // a file's name, where the body is none

	Status  int               `json:"status"`
	Told    map[string]string `json:"told,omitzero"` // header of the answer, as far as it matters
	Answer  jsontext.Value    `json:"answer,omitzero"`
	Content string            `json:"content,omitzero"` // media type of an answer that is no JSON
}

var readExchanges = sync.OnceValues(func() (all map[string]*Exchange, err error) {
	if err := json.Unmarshal(recorded, &all); err != nil {
		return nil, fmt.Errorf("exchanges: %w", err)
	}
	return all, nil
})

// Variable is the shell's variable with the token of a role, as the demo prints it.
func (x *Exchange) Variable() string {
	return "DUCTLEDGER_" + strings.ToUpper(string(x.Role)) + "_TOKEN"
}

// Curl is the request as a command to paste, with the demo's variables.
func (x *Exchange) Curl() string {
	var b strings.Builder
	b.WriteString("curl -sS")
	switch {
	case x.Method == "HEAD":
		b.WriteString(" -I")
	case len(x.Told) > 0:
		b.WriteString(" -i")
	}
	if x.Method != "GET" && x.Method != "HEAD" {
		b.WriteString(" -X " + x.Method)
	}
	fmt.Fprintf(&b, ` "$DUCTLEDGER_URL%s"`, x.Address)
	if x.Role != "" {
		fmt.Fprintf(&b, " \\\n  -H \"Authorization: Bearer $%s\"", x.Variable())
	}
	for _, name := range slices.Sorted(maps.Keys(x.Header)) {
		fmt.Fprintf(&b, " \\\n  -H '%s: %s'", name, x.Header[name])
	}
	switch {
	case x.Body != nil:
		fmt.Fprintf(&b, " \\\n  -H 'Content-Type: application/json' --data-binary @- <<'EOF'\n%s\nEOF", pretty(x.Body))
	case x.File != "":
		fmt.Fprintf(&b, " \\\n  --data-binary @%s", x.File)
	}
	return b.String()
}

// Sent is the body as people read it.
func (x *Exchange) Sent() string {
	if x.Body == nil {
		return ""
	}
	return pretty(x.Body)
}

// TypeScript is the same request for a browser or Node, where url and token are known.
func (x *Exchange) TypeScript() string {
	var b strings.Builder
	fmt.Fprintf(&b, "const answer = await fetch(url + %s, {\n", quoted(x.Address))
	if x.Method != "GET" {
		fmt.Fprintf(&b, "  method: %s,\n", quoted(x.Method))
	}
	header := []string{}
	if x.Role != "" {
		header = append(header, "Authorization: `Bearer ${token}`")
	}
	if x.Body != nil {
		header = append(header, `"Content-Type": "application/json"`)
	}
	for _, name := range slices.Sorted(maps.Keys(x.Header)) {
		header = append(header, quoted(name)+": "+quoted(x.Header[name]))
	}
	if len(header) > 0 {
		fmt.Fprintf(&b, "  headers: { %s },\n", strings.Join(header, ", "))
	}
	switch {
	case x.Body != nil:
		fmt.Fprintf(&b, "  body: JSON.stringify(%s),\n", strings.ReplaceAll(pretty(x.Body), "\n", "\n  "))
	case x.File != "":
		b.WriteString("  body: bytes, // a Uint8Array\n")
	}
	b.WriteString("});")
	return b.String()
}

// Reply is the answer as people read it.
func (x *Exchange) Reply() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d", x.Status)
	for _, name := range slices.Sorted(maps.Keys(x.Told)) {
		fmt.Fprintf(&b, "\n%s: %s", name, x.Told[name])
	}
	switch {
	case x.Answer != nil:
		b.WriteString("\n\n" + pretty(x.Answer))
	case x.Content != "":
		b.WriteString("\n\n(" + x.Content + ")")
	}
	return b.String()
}

// pretty writes JSON as people read it.
func pretty(text jsontext.Value) string {
	value, err := readTree(jsontext.NewDecoder(strings.NewReader(string(text))))
	if err != nil {
		return string(text) // it was read as JSON before
	}
	var b strings.Builder
	indented(&b, value, "")
	return b.String()
}
