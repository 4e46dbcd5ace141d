package docs

import (
	"bytes"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"net/http"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/rules"
)

//go:embed *.tmpl style.css
var files embed.FS

// docs are the pages for people: addresses and shapes from the contract,
// problems and rules from the tables of the program. They work without a
// script and without another server.
type Pages struct {
	templates *template.Template
	style     []byte
	index     index
	rules     []rulePage
}

// policy lets a page load its style and pictures from here, and no more.
const policy = "default-src 'none'; style-src 'self'; img-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"

// newDocs makes the pages of a contract, given as JSON.
func New(contract []byte) (*Pages, error) {
	d := &Pages{}
	var err error
	if d.templates, err = template.ParseFS(files, "*.tmpl"); err != nil {
		return nil, fmt.Errorf("pages: %w", err)
	}
	if d.style, err = files.ReadFile("style.css"); err != nil {
		return nil, fmt.Errorf("pages: %w", err)
	}
	if d.index, err = indexOf(contract); err != nil {
		return nil, fmt.Errorf("pages: %w", err)
	}
	d.rules = rulePages(rules.DefaultSet())
	return d, nil
}

// Routes are the pages' rows in the table of routes.
func (d *Pages) Routes() []frame.Route {
	const look = 5 * time.Second
	page := func(pattern string, handle frame.Handler) frame.Route {
		return frame.Route{Method: "GET", Pattern: pattern, Public: true, Timeout: look, Shed: frame.ShedPages, Handle: handle}
	}
	named := func(kind, name string, find func(string) (any, bool)) frame.Handler {
		return func(_ context.Context, _ domain.Caller, r *frame.Request) (frame.Answer, error) {
			value, known := find(r.Path[name])
			if !known {
				return frame.Answer{}, frame.NotHere()
			}
			return d.page(kind, value)
		}
	}
	fixed := func(kind string, value func() any) frame.Handler {
		return func(context.Context, domain.Caller, *frame.Request) (frame.Answer, error) {
			return d.page(kind, value())
		}
	}
	return []frame.Route{
		page("/docs", fixed("index", func() any { return &d.index })),
		page("/docs/style.css", d.answerStyle),
		page("/docs/operations/{operation}", named("operation", "operation", func(id string) (any, bool) { return d.operation(id) })),
		page("/docs/schemas/{schema}", named("schema", "schema", func(name string) (any, bool) { return d.schema(name) })),
		page("/docs/problems", fixed("problems", func() any { return problemIndex{"Problems", problemPages()} })),
		page("/docs/problems/{code}", named("problem", "code", func(name string) (any, bool) { return problemPageOf(name) })),
		page("/docs/rules", fixed("rules", func() any { return ruleIndex{"Rules", d.rules, rules.StartCard()} })),
		page("/docs/rules/{rule}", named("rule", "rule", func(key string) (any, bool) { return d.rule(key) })),
	}
}

// page fills one template.
func (d *Pages) page(name string, value any) (frame.Answer, error) {
	var out bytes.Buffer
	if err := d.templates.ExecuteTemplate(&out, name, value); err != nil {
		return frame.Answer{}, fmt.Errorf("page %s: %w", name, err)
	}
	return answer(out.Bytes(), "text/html; charset=utf-8"), nil
}

func (d *Pages) answerStyle(context.Context, domain.Caller, *frame.Request) (frame.Answer, error) {
	return answer(d.style, "text/css; charset=utf-8"), nil
}

// answer may be kept by whoever asked, and is asked again by its tag.
func answer(body []byte, media string) frame.Answer {
	sum := sha256.Sum256(body)
	return frame.Answer{Body: body, Header: http.Header{
		"Content-Type":            {media},
		"Content-Security-Policy": {policy},
		"Cache-Control":           {"no-cache"},
		"Etag":                    {`"` + hex.EncodeToString(sum[:16]) + `"`},
	}}
}
