package pages

import (
	"context"
	"errors"
	"net/http"
	"strings"

	"ductledger/api/account"
	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/people"
)

// accountReturn is where the agency's provider leads people back; it is
// registered there.
const accountReturn = "/staff/account/return"

func accountCookie(secure bool) string { return sessionCookie(secure) + "-account" }

// toAccount leads to the agency's sign-in, from the form for signing in or from
// a link for one use.
func (p *Pages) toAccount(ctx context.Context, v *Visit) (Page, error) {
	if p.Account == nil {
		return Page{}, domain.Errorf(domain.NotFound, "nobody signs in here with an account of the agency's")
	}
	trip := account.Trip{Program: strings.ToUpper(v.Form.Get("program")), Link: v.Form.Get("link"), To: ours(v.Form.Get("to"))}
	s := signInShown{Program: trip.Program, Name: v.Form.Get("name"), To: trip.To}
	if trip.Link == "" {
		if _, err := p.program(ctx, storage.ProgramID(trip.Program)); domain.CodeOf(err) == domain.NotFound {
			return p.signInAgain(s, http.StatusUnprocessableEntity, "Write your program's short code first: there is no program "+trip.Program+"."), nil
		} else if err != nil {
			return Page{}, err
		}
	}
	address, trip, err := p.Account.Begin(v.URL(accountReturn), trip)
	if err != nil {
		return p.accountFailed(s, err)
	}
	cookie := p.cookie(v.request, accountCookie(v.request.Secure), trip.String())
	cookie.MaxAge = int(account.TripTime.Seconds())
	// Not by a redirect: a browser follows that of a form to our own address only.
	return Page{Title: "Sign in", Rows: -1, Body: "to-account", With: address, Refresh: address, Cookies: []*http.Cookie{cookie}}, nil
}

// fromAccount begins a session for whom the agency's provider named.
func (p *Pages) fromAccount(ctx context.Context, v *Visit) (Page, error) {
	if p.Account == nil {
		return Page{}, domain.Errorf(domain.NotFound, "nobody signs in here with an account of the agency's")
	}
	name := accountCookie(v.request.Secure)
	trip, err := account.ReadTrip(cookieText(v.request.Header, name))
	s := signInShown{Program: trip.Program, To: trip.To}
	var who [32]byte
	if err == nil {
		who, err = p.Account.End(v.URL(accountReturn), trip, v.Query)
	}
	if err != nil {
		return p.accountFailed(s, err)
	}
	program, link, invited := frame.ParseSecret(frame.LinkPrefix, trip.Link)
	if !invited {
		program = storage.ProgramID(trip.Program)
	}
	cookie, digest, err := p.newSession(v, program)
	if err != nil {
		return Page{}, err
	}
	if invited {
		err = people.EnterByAccount(ctx, p.DB, program, link, who, digest, p.sessionBefore(v, program))
	} else {
		err = people.SignInByAccount(ctx, p.DB, program, who, digest, p.sessionBefore(v, program))
	}
	switch domain.CodeOf(err) {
	case domain.Unauthorized:
		return p.signInAgain(s, http.StatusUnauthorized, "Your "+p.Account.Name+" is nobody's in this program. An admin makes a link for you; open it and choose your "+p.Account.Name+" there."), nil
	case domain.StateNotAllowed:
		return p.signInAgain(s, http.StatusConflict, "This "+p.Account.Name+" belongs to another person of the program already. The link is still good: choose a password by it, or use your own account."), nil
	}
	if err != nil {
		return Page{}, err
	}
	page := p.enter(v, cookie, trip.To)
	page.Cookies = append(page.Cookies, p.cookie(v.request, name, ""))
	return page, nil
}

// accountFailed shows the form again, with what happened and what to do.
func (p *Pages) accountFailed(s signInShown, err error) (Page, error) {
	for _, c := range []struct {
		is     error
		status int
		said   string
	}{
		{account.ErrAway, http.StatusServiceUnavailable, "The sign-in for your " + p.Account.Name + " does not answer. Try again in some minutes."},
		{account.ErrRefused, http.StatusUnauthorized, "The sign-in for your " + p.Account.Name + " did not let you in. Try again, or ask whoever looks after these accounts."},
		{account.ErrLost, http.StatusBadRequest, "This sign-in was not begun in this browser, or more than ten minutes ago. Begin again here."},
		{account.ErrFalse, http.StatusUnauthorized, "What the sign-in for your " + p.Account.Name + " said could not be verified. Begin again; if it happens again, tell whoever runs this service: the log names the cause."},
	} {
		if errors.Is(err, c.is) {
			return p.signInAgain(s, c.status, c.said), nil
		}
	}
	return Page{}, err
}

// signInAgain is the form for signing in with what kept somebody out.
func (p *Pages) signInAgain(s signInShown, status int, fault string) Page {
	again := p.signInPage(s)
	again.Status, again.Faults = status, []string{fault}
	return again
}
