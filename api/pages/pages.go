package pages

import (
	"bytes"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"net/http"
	"strings"
	"sync"
	"time"

	"ductledger/api/account"
	"ductledger/api/frame"
	"ductledger/api/pages/chart"
	"ductledger/api/pages/drawing"
	"ductledger/api/pages/svg"
	"ductledger/domain"
	"ductledger/storage"
)

//go:embed templates/*.tmpl style.css
var files embed.FS

// Config is what the pages are made of.
type Config struct {
	DB  *storage.DB
	Now func() time.Time
	// Ask answers a request as the API does, without a connection.
	Ask func(ctx context.Context, caller domain.Caller, method, address string, header http.Header, body []byte) (frame.Answer, error)
	// PublicURL is what a link for somebody else begins with; empty: it is taken
	// from the request.
	PublicURL string
	// Account lets people sign in with the account of their agency; nil: nobody.
	Account *account.Provider
}

// Pages makes the pages.
type Pages struct {
	Config
	style    []byte
	styleTag string
	programs sync.Map // storage.Program by id: it never changes
	sets     sync.Map // *template.Template by zone
}

// New reads the templates; a mistake in one stops it here and not in a request.
func New(cfg Config) (*Pages, error) {
	p := &Pages{Config: cfg}
	var err error
	if p.style, err = files.ReadFile("style.css"); err != nil {
		return nil, fmt.Errorf("pages: %w", err)
	}
	sum := sha256.Sum256(p.style)
	p.styleTag = hex.EncodeToString(sum[:6])
	if _, err := p.templates(time.UTC); err != nil {
		return nil, err
	}
	return p, nil
}

// templates are all pages' templates, whose times are told in a zone.
func (p *Pages) templates(zone *time.Location) (*template.Template, error) {
	if set, ok := p.sets.Load(zone.String()); ok {
		return set.(*template.Template), nil
	}
	set, err := drawing.Parse(chart.Parse(svg.Template())).Funcs(words(zone)).ParseFS(files, "templates/*.tmpl")
	if err != nil {
		return nil, fmt.Errorf("pages: %w", err)
	}
	p.sets.Store(zone.String(), set)
	return set, nil
}

// A row is a page in the table of routes.
type row struct {
	method, pattern string
	roles           []domain.Role // nil: whoever comes
	timeout         time.Duration
	guess           bool // may be tried to guess a secret
	handle          Handler
}

// A Handler makes a page of a visit.
type Handler func(ctx context.Context, v *Visit) (Page, error)

// Who sees which pages.
var (
	office     = []domain.Role{domain.Staff, domain.Admin}
	admins     = []domain.Role{domain.Admin}
	firms      = []domain.Role{domain.ContractorRole}
	inspectors = []domain.Role{domain.Inspector}
	inspecting = []domain.Role{domain.Inspector, domain.Staff, domain.Admin}
	signedIn   = []domain.Role{domain.ContractorRole, domain.Inspector, domain.Staff, domain.Funder, domain.Admin}
	monthly    = []domain.Role{domain.Staff, domain.Funder, domain.Admin}
)

const (
	look = 10 * time.Second
	act  = 30 * time.Second
)

// rows is the table of pages.
func (p *Pages) rows() []row {
	return []row{
		{"GET", "/staff", nil, look, false, p.home},
		{"GET", "/staff/sign-in", nil, look, false, p.signInForm},
		{"POST", "/staff/sign-in", nil, act, true, p.signIn},
		{"POST", "/staff/account", nil, act, false, p.toAccount},
		{"GET", accountReturn, nil, act, true, p.fromAccount},
		{"GET", "/staff/join/{link}", nil, look, true, p.joinForm},
		{"POST", "/staff/join/{link}", nil, act, true, p.join},
		{"GET", "/staff/me", signedIn, look, false, p.me},
		{"POST", "/staff/me", signedIn, act, true, p.changePassword},
		{"GET", "/staff/today", office, look, false, p.today},
		{"GET", "/staff/held", office, look, false, p.held},
		{"GET", "/staff/held/{id}", office, look, false, p.heldOne},
		{"POST", "/staff/held/{id}", office, act, false, p.settle},
		{"GET", "/staff/new", office, look, false, p.newJob},
		{"POST", "/staff/new", office, act, false, p.newJobDo},
		{"GET", "/staff/find", office, look, false, p.find},
		{"POST", "/staff/find", office, look, false, p.find},
		{"GET", "/staff/jobs", office, look, false, p.jobsPage},
		{"GET", "/staff/jobs/{id}", office, act, false, p.jobPage},
		{"POST", "/staff/jobs/{id}/decide", office, act, false, p.decide},
		{"GET", "/staff/contractors", office, act, false, p.contractors},
		{"GET", "/staff/contractors/{id}", office, act, false, p.contractor},
		{"GET", "/staff/contractors/{id}/statement", office, act, false, p.firmStatement},
		{"GET", "/staff/training", office, act, false, p.training},
		{"POST", "/staff/training", office, act, false, p.lessonSave},
		{"GET", "/staff/repairs", office, act, false, p.repairs},
		{"GET", "/staff/own/jobs", firms, act, false, p.ownJobs},
		{"GET", "/staff/own/jobs/{id}", firms, act, false, p.ownJob},
		{"POST", "/staff/own/jobs/{id}/reply", firms, act, false, p.reply},
		{"GET", "/staff/own/statement", firms, act, false, p.ownStatement},
		{"GET", "/staff/own/figures", firms, act, false, p.ownFigures},
		{"GET", "/staff/inspections", inspecting, act, false, p.inspections},
		{"POST", "/staff/inspections", office, act, false, p.inspectionsDo},
		{"GET", "/staff/inspections/{id}", inspectors, act, false, p.inspection},
		{"POST", "/staff/inspections/{id}", inspectors, act, false, p.inspect},
		{"POST", "/staff/sign-out", signedIn, act, false, p.signOut},
		{"POST", "/staff/sign-out-everywhere", signedIn, act, false, p.signOutEverywhere},
		{"GET", "/staff/month", monthly, act, false, p.month},
		{"POST", "/staff/month", office, act, false, p.monthDo},
		{"GET", "/staff/month/{month}/{name}", monthly, act, false, p.packagePage},
		{"GET", "/staff/settings", office, look, false, p.settings},
		{"GET", "/staff/settings/people", office, look, false, p.people},
		{"POST", "/staff/settings/people", admins, act, false, p.invite},
		{"GET", "/staff/settings/people/{id}", office, look, false, p.person},
		{"POST", "/staff/settings/people/{id}", admins, act, false, p.personDo},
		{"GET", "/staff/settings/phones", office, look, false, p.phones},
		{"POST", "/staff/settings/phones", office, act, false, p.phoneAdd},
		{"GET", "/staff/settings/phones/{id}", office, look, false, p.phone},
		{"POST", "/staff/settings/phones/{id}", office, act, false, p.phoneDo},
		{"GET", "/staff/settings/contractors", office, look, false, p.firms},
		{"POST", "/staff/settings/contractors", office, act, false, p.firmSave},
		{"GET", "/staff/settings/papers", office, look, false, p.papers},
		{"POST", "/staff/settings/papers", office, act, false, p.paperSave},
		{"GET", "/staff/settings/instruments", office, look, false, p.instruments},
		{"POST", "/staff/settings/instruments", office, act, false, p.instrumentSave},
		{"GET", "/staff/settings/rules", office, look, false, p.rules},
		{"POST", "/staff/settings/rules", admins, act, false, p.rulesSave},
		{"GET", "/staff/settings/rules/{id}", office, act, false, p.ruleSet},
		{"POST", "/staff/settings/take-back", office, act, false, p.takeBack},
		{"GET", "/staff/settings/audit", office, look, false, p.audit},
	}
}

// An entry of the navigation leads to the first page of its subject. One whose
// page is not in the table is not shown.
type entry struct {
	name, path string
	roles      []domain.Role
}

var navigation = []entry{
	{"Today", "/staff/today", office},
	{"Jobs", "/staff/jobs", office},
	{"Contractors", "/staff/contractors", office},
	{"Your jobs", "/staff/own/jobs", firms},
	{"Statement", "/staff/own/statement", firms},
	{"Your figures", "/staff/own/figures", firms},
	{"Inspections", "/staff/inspections", inspecting},
	{"Month", "/staff/month", monthly},
	{"Settings", "/staff/settings", office},
}

// Routes are the pages' rows in the table of routes.
func (p *Pages) Routes() (list []frame.Route) {
	for _, r := range p.rows() {
		list = append(list, frame.Route{Method: r.method, Pattern: r.pattern, Person: true, Roles: r.roles, Public: r.roles == nil,
			Guess: r.guess, Timeout: r.timeout, Shed: frame.ShedPages, ContentTypes: []string{formType}, Handle: p.handler(r.handle)})
	}
	list = append(list, frame.Route{Method: "GET", Pattern: "/", Person: true, Public: true, Timeout: look, Shed: frame.ShedPages, Handle: toStaff},
		frame.Route{Method: "GET", Pattern: "/staff/style.css", Public: true, Timeout: look, Shed: frame.ShedPages, Handle: p.serveStyle})
	return list
}

func toStaff(context.Context, domain.Caller, *frame.Request) (frame.Answer, error) {
	return frame.Answer{Status: http.StatusSeeOther, Header: http.Header{"Location": {"/staff"}}}, nil
}

func (p *Pages) serveStyle(context.Context, domain.Caller, *frame.Request) (frame.Answer, error) {
	return frame.Answer{Body: p.style, Header: http.Header{"Content-Type": {"text/css; charset=utf-8"},
		"Cache-Control": {"no-cache"}, "Etag": {`"` + p.styleTag + `"`}}}, nil
}

// handler is a page as the frame calls it.
func (p *Pages) handler(h Handler) frame.Handler {
	return func(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
		v, err := p.visit(ctx, caller, r)
		if err != nil {
			return frame.Answer{}, err
		}
		page, err := h(ctx, v)
		if err != nil {
			return frame.Answer{}, err
		}
		return p.render(v, &page)
	}
}

// home leads to the first page that a person may see.
func (p *Pages) home(_ context.Context, v *Visit) (Page, error) {
	if v.Caller.Person.IsZero() {
		return Page{Location: "/staff/sign-in"}, nil
	}
	if shown := p.entries(v, ""); len(shown) > 0 {
		return Page{Location: shown[0].Path}, nil
	}
	return Page{Location: "/staff/me"}, nil
}

// shownEntry is an entry of the navigation on a page.
type shownEntry struct {
	Name, Path string
	Here       bool
}

func (p *Pages) entries(v *Visit, here string) (list []shownEntry) {
	for _, e := range navigation {
		for _, role := range e.roles {
			if role == v.Caller.Role && p.has(e.path) {
				list = append(list, shownEntry{e.name, e.path, e.name == here})
			}
		}
	}
	return list
}

func (p *Pages) has(path string) bool {
	for _, r := range p.rows() {
		if r.method == http.MethodGet && r.pattern == path {
			return true
		}
	}
	return false
}

// policy lets a page load its style and pictures from here and send its forms
// here, and no more.
const policy = "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"

// A Page is what a page says.
type Page struct {
	Title  string // of the document and over the page
	Under  string // the entry of the navigation that it belongs to
	Quiet  string // one line under the title: what it is about, its filter
	Lead   string // the sentence first
	AsOf   time.Time
	Rows   int      // of what it lists; -1: it lists nothing
	Data   string   // address of the same data as JSON
	Table  *Table   // the same as CSV, at the page's own address with as=csv
	Body   string   // the template of what follows
	With   any      // what it shows
	Faults []string // what keeps a form from being taken, each with what to do
	Status int      // 200 when zero

	Location string // where to go instead, after a form was taken
	Refresh  string // where the browser goes from this page by itself
	Cookies  []*http.Cookie
}

// laidOut is a page as the layout gets it.
type laidOut struct {
	*Page
	Visit   *Visit
	Nav     []shownEntry
	Content template.HTML
	CSV     string
}

func (p *Pages) render(v *Visit, page *Page) (frame.Answer, error) {
	header := http.Header{"Content-Security-Policy": {policy}, "Content-Type": {"text/html; charset=utf-8"}}
	cookies := page.Cookies
	if v.newForm != nil {
		cookies = append(cookies, v.newForm)
	}
	for _, c := range cookies {
		header.Add("Set-Cookie", c.String())
	}
	if page.Refresh != "" {
		header.Set("Refresh", "0; url="+page.Refresh)
	}
	if page.Location != "" {
		header.Set("Location", page.Location)
		return frame.Answer{Status: http.StatusSeeOther, Header: header}, nil
	}
	if page.Table != nil && v.Query.Get("as") == "csv" {
		return page.Table.answer(page.Title)
	}
	set, err := p.templates(v.Zone)
	if err != nil {
		return frame.Answer{}, err
	}
	out := laidOut{Page: page, Visit: v, Nav: p.entries(v, page.Under)}
	if page.Table != nil {
		out.CSV = v.With("as", "csv")
	}
	if page.Body != "" {
		var body bytes.Buffer
		if err := set.ExecuteTemplate(&body, page.Body, shown{v, page.With}); err != nil {
			return frame.Answer{}, fmt.Errorf("page %s: %w", page.Body, err)
		}
		out.Content = template.HTML(body.String()) //nolint:gosec // made by html/template just now
	}
	var whole bytes.Buffer
	if err := set.ExecuteTemplate(&whole, "layout", out); err != nil {
		return frame.Answer{}, fmt.Errorf("page %s: %w", page.Body, err)
	}
	return frame.Answer{Status: page.Status, Header: header, Body: whole.Bytes()}, nil
}

// shown is what a page's template gets: the visit, for links and forms, and the
// content.
type shown struct {
	Visit *Visit
	With  any
}

// Failed makes a page of what went wrong, in plain words.
func (p *Pages) Failed(ctx context.Context, caller domain.Caller, r *frame.Request, err error) frame.Answer {
	told := frame.Shown(err)
	if told.Code == domain.Unauthorized && r.Method == http.MethodGet && !strings.HasPrefix(r.Address, "/staff/sign-in") {
		return frame.Answer{Status: http.StatusSeeOther, Header: http.Header{"Location": {"/staff/sign-in?to=" + template.URLQueryEscaper(r.Address)}}}
	}
	if path, query, _ := strings.Cut(r.Address, "?"); told.Code == domain.NotFound && r.Method == http.MethodGet && strings.HasPrefix(path, "/staff/") && strings.HasSuffix(path, "/") {
		to := strings.TrimRight(path, "/") // a slash at the end means the same page
		if query != "" {
			to += "?" + query
		}
		return frame.Answer{Status: http.StatusSeeOther, Header: http.Header{"Location": {to}}}
	}
	page := failure(told, r.Trace)
	v, visitErr := p.visit(ctx, caller, r)
	if visitErr != nil { // the program could not be read either
		v = &Visit{Zone: time.UTC, Now: p.Now(), pages: p}
	}
	a, renderErr := p.render(v, &page)
	if renderErr != nil {
		return frame.Answer{Status: page.Status, Header: http.Header{"Content-Type": {"text/plain; charset=utf-8"}}, Body: []byte(page.Lead)}
	}
	return a
}

// failure is the page of a refusal.
func failure(e *domain.Error, trace string) Page {
	page := Page{Title: "That did not work", Lead: sentence(e.Detail), Rows: -1, Status: frame.StatusOf(e.Code), Body: "failure", With: trace}
	switch e.Code {
	case domain.Unauthorized:
		page.Title, page.Lead = "You are signed out", "Sign in again; nothing that was saved is lost. What you had typed into this form was not saved."
	case domain.Forbidden:
		page.Title = "Not for you to see or do"
	case domain.NotFound:
		page.Title = "Nothing is here"
	case domain.QuotaExceeded:
		page.Title, page.Lead = "Too many tries", fmt.Sprintf("Wait %s, then try again.", duration(e.RetryAfter))
	case domain.Overloaded, domain.TimeLimit, domain.StorageFull:
		page.Title, page.Lead = "The service is busy", "Nothing was changed. Wait a minute, then try again."
	case domain.VersionConflict:
		page.Title, page.Lead = "Somebody was faster", "This was changed since you opened it, and nothing of yours was saved. Open it again and look."
	case domain.Internal:
		page.Title, page.Lead = "The service failed", "That was not your fault. Nothing was changed. Whoever runs the service finds the reason by the number below."
	}
	for _, f := range e.Faults {
		page.Faults = append(page.Faults, faultSentence(f))
	}
	return page
}
