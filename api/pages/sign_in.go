package pages

import (
	"context"
	"crypto/rand"
	"fmt"
	"net/http"
	"strings"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/people"
)

// signInShown is what the form for signing in shows.
type signInShown struct {
	Program, Name, To string
	Account           string // what the agency's accounts are called; empty where there are none
}

func (p *Pages) signInForm(_ context.Context, v *Visit) (Page, error) {
	if !v.Caller.Person.IsZero() {
		return Page{Location: "/staff"}, nil
	}
	return p.signInPage(signInShown{Program: v.Query.Get("program"), To: ours(v.Query.Get("to"))}), nil
}

func (p *Pages) signInPage(s signInShown) Page {
	if p.Account != nil {
		s.Account = p.Account.Name
	}
	return Page{Title: "Sign in", Rows: -1, Body: "sign-in", With: s}
}

// ours keeps who signs in on these pages: whatever is no path of theirs is left out.
func ours(to string) string {
	if strings.HasPrefix(to, "/staff/") && !strings.HasPrefix(to, "/staff/sign") && !strings.Contains(to, "\\") {
		return to
	}
	return ""
}

// signIn begins a session for whoever knows a person's password.
func (p *Pages) signIn(ctx context.Context, v *Visit) (Page, error) {
	s := signInShown{Program: strings.ToUpper(v.Form.Get("program")), Name: v.Form.Get("name"), To: ours(v.Form.Get("to"))}
	program := storage.ProgramID(s.Program)
	cookie, digest, err := p.newSession(v, program)
	if err != nil {
		return Page{}, err
	}
	err = people.SignIn(ctx, p.DB, program, s.Name, v.Form.Get("password"), digest, p.sessionBefore(v, program))
	if domain.CodeOf(err) == domain.Unauthorized {
		return p.signInAgain(s, http.StatusUnauthorized, "Program, name and password do not belong together. Nobody but you knows which of them is wrong. An admin can make you a new link."), nil
	}
	if err != nil {
		return Page{}, err
	}
	return p.enter(v, cookie, firstOf(p.toldOfLinks(ctx, program, digest), s.To)), nil
}

// toldOfLinks leads whoever just signed in to their own page where somebody made
// a link for their password since they signed in before. A failure to look keeps
// nobody out.
func (p *Pages) toldOfLinks(ctx context.Context, program domain.UUID, digest [32]byte) string {
	caller, err := p.DB.AuthenticateSession(ctx, digest, program)
	if err != nil {
		return ""
	}
	links, err := people.LinksMade(ctx, p.DB, caller)
	if err != nil || len(links) == 0 || !links[0].Fresh {
		return ""
	}
	return "/staff/me"
}

// newSession is a new session's cookie, and the digest under which it is stored.
func (p *Pages) newSession(v *Visit, program domain.UUID) (cookie *http.Cookie, digest [32]byte, err error) {
	text, digest, err := frame.NewSecret(frame.SessionPrefix, program, rand.Reader)
	if err != nil {
		return nil, digest, err
	}
	return p.cookie(v.request, sessionCookie(v.request.Secure), text), digest, nil
}

// sessionBefore is the session that the browser has already: it ends.
func (p *Pages) sessionBefore(v *Visit, program domain.UUID) *[32]byte {
	of, digest, ok := frame.ParseSecret(frame.SessionPrefix, p.SessionText(v.request.Header, v.request.Secure))
	if !ok || of != program {
		return nil
	}
	return &digest
}

// enter leads on with the new cookie, and takes the form's away.
func (p *Pages) enter(v *Visit, cookie *http.Cookie, to string) Page {
	if to == "" {
		to = "/staff"
	}
	v.newForm = nil
	return Page{Location: to, Cookies: []*http.Cookie{cookie, p.cookie(v.request, formCookie(v.request.Secure), "")}}
}

// joinShown is what a link for one use leads to.
type joinShown struct {
	Person   people.Person
	Program  storage.Program
	Password bool // is to be chosen
	Link     string
	Account  string // as in signInShown
}

func (p *Pages) linkOf(ctx context.Context, v *Visit) (program domain.UUID, digest [32]byte, s joinShown, err error) {
	program, digest, ok := frame.ParseSecret(frame.LinkPrefix, v.Path["link"])
	if !ok {
		return program, digest, s, domain.Errorf(domain.NotFound, "this link is not whole: copy it again, from its beginning to its end")
	}
	person, purpose, err := people.Look(ctx, p.DB, program, digest)
	if err != nil {
		return program, digest, s, err
	}
	s = joinShown{Person: person, Password: purpose == people.ChoosePassword, Link: v.Path["link"]}
	if p.Account != nil {
		s.Account = p.Account.Name
	}
	s.Program, err = p.program(ctx, program)
	return program, digest, s, err
}

func (p *Pages) joinForm(ctx context.Context, v *Visit) (Page, error) {
	_, _, s, err := p.linkOf(ctx, v)
	if err != nil {
		return Page{}, err
	}
	return joinPage(s), nil
}

func joinPage(s joinShown) Page {
	page := Page{Title: "Welcome, " + s.Person.Name, Quiet: s.Program.Name, Rows: -1, Body: "join", With: s,
		Lead: "This link signs you in once."}
	if s.Password {
		page.Lead = "Choose your password. It opens these pages from now on, on any computer or phone; the link works only this once."
	}
	return page
}

// join uses a link up.
func (p *Pages) join(ctx context.Context, v *Visit) (Page, error) {
	program, link, s, err := p.linkOf(ctx, v)
	if err != nil {
		return Page{}, err
	}
	again := func(faults ...string) (Page, error) {
		page := joinPage(s)
		page.Status, page.Faults = http.StatusUnprocessableEntity, faults
		return page, nil
	}
	password := v.Form.Get("password")
	if s.Password && password != v.Form.Get("again") {
		return again("The two passwords differ. Type the same one twice.")
	}
	cookie, digest, err := p.newSession(v, program)
	if err != nil {
		return Page{}, err
	}
	err = people.Enter(ctx, p.DB, program, link, password, digest, p.sessionBefore(v, program))
	if domain.CodeOf(err) == domain.Invalid {
		page, _ := again()
		for _, f := range frame.Shown(err).Faults {
			page.Faults = append(page.Faults, faultSentence(f))
		}
		return page, nil
	}
	if err != nil {
		return Page{}, err
	}
	return p.enter(v, cookie, ""), nil
}

// meShown is what a person sees of their own account.
type meShown struct {
	Person             people.Person
	IdleMinutes, Hours int
	Links              []people.LinkMade
}

func (p *Pages) me(ctx context.Context, v *Visit) (Page, error) {
	person, err := people.Get(ctx, p.DB, v.Caller, v.Caller.Person)
	if err != nil {
		return Page{}, err
	}
	links, err := people.LinksMade(ctx, p.DB, v.Caller)
	if err != nil {
		return Page{}, err
	}
	page := Page{Title: v.Caller.Name, Quiet: v.Program.Name, Rows: -1, Body: "me", AsOf: v.Now,
		With: meShown{person, int(people.SessionIdle / time.Minute), int(people.SessionMost / time.Hour), links}}
	if len(links) > 0 && links[0].Fresh {
		page.Lead = fmt.Sprintf("Since you signed in before, %s made a link for your password. If you did not ask for it, change your password here and tell another admin.", firstOf(links[0].By, "the operator of the service"))
	}
	return page, nil
}

// changePassword gives a person another password of their own choice.
func (p *Pages) changePassword(ctx context.Context, v *Visit) (Page, error) {
	again := func(err error, faults ...string) (Page, error) {
		page, pageErr := p.me(ctx, v)
		if pageErr != nil {
			return Page{}, pageErr
		}
		if page.Lead = ""; err != nil {
			page, err = refusedForm(page, err)
			if len(page.Faults) > 0 && strings.Contains(page.Faults[0], "not your password") {
				page.Status = http.StatusUnauthorized // a wrong one counts against the address
			}
			return page, err
		}
		page.Status, page.Faults = http.StatusUnprocessableEntity, faults
		return page, nil
	}
	next := v.Form.Get("password")
	if next != v.Form.Get("again") {
		return again(nil, "The two new passwords differ. Type the same one twice.")
	}
	cookie, digest, err := p.newSession(v, v.Caller.Program)
	if err != nil {
		return Page{}, err
	}
	if err := people.ChangePassword(ctx, p.DB, v.Caller, v.Form.Get("current"), next, digest); err != nil {
		return again(err)
	}
	return Page{Location: "/staff/me", Cookies: []*http.Cookie{cookie}}, nil
}

func (p *Pages) signOut(ctx context.Context, v *Visit) (Page, error) {
	if err := people.SignOut(ctx, p.DB, v.Caller); err != nil {
		return Page{}, err
	}
	return p.gone(v), nil
}

func (p *Pages) signOutEverywhere(ctx context.Context, v *Visit) (Page, error) {
	if err := people.SignOutEverywhere(ctx, p.DB, v.Caller, v.Caller.Person); err != nil {
		return Page{}, err
	}
	return p.gone(v), nil
}

func (p *Pages) gone(v *Visit) Page {
	return Page{Location: "/staff/sign-in?program=" + v.Program.Code, Cookies: []*http.Cookie{p.cookie(v.request, sessionCookie(v.request.Secure), "")}}
}

// Over TLS a cookie's name says that it came from this host alone and over TLS
// (the prefix __Host- of RFC 6265bis); over plain HTTP, for a demo on one
// machine, a browser would not keep such a one.
func sessionCookie(secure bool) string {
	if secure {
		return "__Host-ductledger"
	}
	return "ductledger"
}

func formCookie(secure bool) string { return sessionCookie(secure) + "-form" }

// cookie is kept until the browser ends; an empty value takes it away.
func (p *Pages) cookie(r *frame.Request, name, value string) *http.Cookie {
	c := &http.Cookie{Name: name, Value: value, Path: "/", HttpOnly: true, Secure: r.Secure, SameSite: http.SameSiteLaxMode}
	if value == "" {
		c.MaxAge = -1
	}
	return c
}

func cookieText(h http.Header, name string) string {
	r := http.Request{Header: h}
	if c, err := r.Cookie(name); err == nil {
		return c.Value
	}
	return ""
}

// SessionText is the text of the session that a browser sends.
func (p *Pages) SessionText(h http.Header, secure bool) string {
	return cookieText(h, sessionCookie(secure))
}

// AuthenticateSession tells whose session it is.
func (p *Pages) AuthenticateSession(ctx context.Context, digest [32]byte, program domain.UUID) (domain.Caller, error) {
	return p.DB.AuthenticateSession(ctx, digest, program)
}
