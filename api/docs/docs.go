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
	"sync"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/rules"
)

//go:embed *.tmpl style.css try.js
var files embed.FS

// docs are the pages for people: addresses and shapes from the contract,
// problems and rules from the tables of the program. They work without a
// script and without another server.
type Pages struct {
	templates *template.Template
	style     []byte
	index     index
	rules     []rulePage
	guide     guide
	topics    []topic
	search    func() ([]found, error) // made when somebody searches first
	script    []byte                  // of a demo: sends what is tried; nil elsewhere
}

// policy lets a page load its style and pictures from here, search here, and no
// more; that of a demo's operations lets it ask the service too.
const (
	policy    = "default-src 'none'; style-src 'self'; img-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'"
	tryPolicy = policy + "; script-src 'self'; connect-src 'self'"
)

// New makes the pages of a contract, given as JSON; those of a demo let a reader
// try each operation.
func New(contract []byte, demo bool) (*Pages, error) {
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
	if d.guide, err = guideOf(d.index.exchanges); err != nil {
		return nil, fmt.Errorf("pages: %w", err)
	}
	if demo {
		if d.script, err = files.ReadFile("try.js"); err != nil {
			return nil, fmt.Errorf("pages: %w", err)
		}
	}
	d.topics = topicsOf(&d.index)
	d.search = sync.OnceValues(d.searchOf)
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
	search := page("/docs/search", func(_ context.Context, _ domain.Caller, r *frame.Request) (frame.Answer, error) {
		found, err := d.find(r.Query.Get("q"))
		if err != nil {
			return frame.Answer{}, err
		}
		return d.page("search", found)
	})
	search.AnyQuery = true
	routes := []frame.Route{
		search,
		page("/docs", fixed("index", func() any { return &d.index })),
		page("/docs/style.css", d.answerStyle),
		page("/docs/guide", fixed("guide", func() any { return &d.guide })),
		page("/docs/operations/{operation}", named("operation", "operation", d.operationPage)),
		page("/docs/schemas/{schema}", named("schema", "schema", func(name string) (any, bool) { return d.schema(name) })),
		page("/docs/problems", fixed("problems", func() any { return problemIndex{"Problems", problemPages()} })),
		page("/docs/problems/{code}", named("problem", "code", func(name string) (any, bool) { return problemPageOf(name) })),
		page("/docs/rules", fixed("rules", func() any { return ruleIndex{"Rules", d.rules, rules.StartCard()} })),
		page("/docs/rules/{rule}", named("rule", "rule", func(key string) (any, bool) { return d.rule(key) })),
	}
	for i, t := range topicTitles {
		routes = append(routes, page("/docs/"+t[0], fixed(t[0], func() any { return &d.topics[i] })))
	}
	if d != nil && d.script != nil { // without pages the table is only read
		routes = append(routes, page("/docs/try.js", func(context.Context, domain.Caller, *frame.Request) (frame.Answer, error) {
			return answer(d.script, "text/javascript; charset=utf-8"), nil
		}))
	}
	return routes
}

// tried is an operation's page; on a demo it can be tried.
type tried struct {
	*operation
	Try bool
}

func (d *Pages) operationPage(id string) (any, bool) {
	o, known := d.operation(id)
	return tried{o, d.script != nil}, known
}

// page fills one template.
func (d *Pages) page(name string, value any) (frame.Answer, error) {
	var out bytes.Buffer
	if err := d.templates.ExecuteTemplate(&out, name, value); err != nil {
		return frame.Answer{}, fmt.Errorf("page %s: %w", name, err)
	}
	a := answer(out.Bytes(), "text/html; charset=utf-8")
	if name == "operation" && d.script != nil {
		a.Header.Set("Content-Security-Policy", tryPolicy)
	}
	return a, nil
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
