package api

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

	"ductledger/domain"
	"ductledger/domain/rules"
)

//go:embed docs/*.tmpl docs/style.css
var docsFiles embed.FS

// docs are the pages for people: addresses and shapes from the contract,
// problems and rules from the tables of the program. They work without a
// script and without another server.
type docs struct {
	templates *template.Template
	style     []byte
	index     docsIndex
	rules     []docsRule
}

// docsPolicy lets a page load its style and pictures from here, and no more.
const docsPolicy = "default-src 'none'; style-src 'self'; img-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"

func newDocs(c *contract) (*docs, error) {
	d := &docs{}
	var err error
	if d.templates, err = template.ParseFS(docsFiles, "docs/*.tmpl"); err != nil {
		return nil, fmt.Errorf("pages: %w", err)
	}
	if d.style, err = docsFiles.ReadFile("docs/style.css"); err != nil {
		return nil, fmt.Errorf("pages: %w", err)
	}
	if d.index, err = indexOf(c); err != nil {
		return nil, fmt.Errorf("pages: %w", err)
	}
	d.rules = rulePages(rules.DefaultSet())
	return d, nil
}

// docsRoutes are the pages' rows in the table of routes.
func (s *Server) docsRoutes() []route {
	const look = 5 * time.Second
	page := func(pattern string, handle handler) route {
		return route{Method: "GET", Pattern: pattern, Public: true, Timeout: look, Shed: shedPages, Handle: handle}
	}
	named := func(kind, name string, find func(string) (any, bool)) handler {
		return func(_ context.Context, _ domain.Caller, r *request) (answer, error) {
			value, known := find(r.Path[name])
			if !known {
				return answer{}, notHere()
			}
			return s.docs.page(kind, value)
		}
	}
	fixed := func(kind string, value func() any) handler {
		return func(context.Context, domain.Caller, *request) (answer, error) { return s.docs.page(kind, value()) }
	}
	return []route{
		page("/docs", fixed("index", func() any { return &s.docs.index })),
		page("/docs/style.css", s.docsStyle),
		page("/docs/operations/{operation}", named("operation", "operation", func(id string) (any, bool) { return s.docs.operation(id) })),
		page("/docs/schemas/{schema}", named("schema", "schema", func(name string) (any, bool) { return s.docs.schema(name) })),
		page("/docs/problems", fixed("problems", func() any { return problemIndex{"Problems", problemPages()} })),
		page("/docs/problems/{code}", named("problem", "code", func(name string) (any, bool) { return problemPageOf(name) })),
		page("/docs/rules", fixed("rules", func() any { return ruleIndex{"Rules", s.docs.rules, rules.StartCard()} })),
		page("/docs/rules/{rule}", named("rule", "rule", func(key string) (any, bool) { return s.docs.rule(key) })),
	}
}

// page fills one template.
func (d *docs) page(name string, value any) (answer, error) {
	var out bytes.Buffer
	if err := d.templates.ExecuteTemplate(&out, name, value); err != nil {
		return answer{}, fmt.Errorf("page %s: %w", name, err)
	}
	return docsAnswer(out.Bytes(), "text/html; charset=utf-8"), nil
}

func (s *Server) docsStyle(context.Context, domain.Caller, *request) (answer, error) {
	return docsAnswer(s.docs.style, "text/css; charset=utf-8"), nil
}

// docsAnswer may be kept by whoever asked, and is asked again by its tag.
func docsAnswer(body []byte, media string) answer {
	sum := sha256.Sum256(body)
	return answer{Body: body, Header: http.Header{
		"Content-Type":            {media},
		"Content-Security-Policy": {docsPolicy},
		"Cache-Control":           {"no-cache"},
		"Etag":                    {`"` + hex.EncodeToString(sum[:16]) + `"`},
	}}
}
