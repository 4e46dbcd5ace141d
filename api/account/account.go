// Package account lets people sign in with the account that they have at their
// agency: OpenID Connect 1.0, by the authorization code with PKCE, state and
// nonce. It says whose account it is, and makes nobody a person of a program.
package account

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"github.com/go-json-experiment/json"
	"golang.org/x/oauth2"
)

// Settings are what the agency's provider says when the service is registered
// there as a web application.
type Settings struct {
	Issuer, ClientID, ClientSecret string
	Name                           string // what people call it: "county account"
}

// Provider is the agency's. It is asked what it offers when somebody first
// signs in: a start must not depend on it.
type Provider struct {
	Settings
	log *slog.Logger
	web context.Context // of requests to the provider: brings the client

	mu    sync.Mutex
	found *oidc.Provider
}

// answerTime is how long the provider may take for one answer; a person waits.
const answerTime = 5 * time.Second

// Open checks the settings.
func Open(s Settings, log *slog.Logger) (*Provider, error) {
	issuer, err := url.Parse(s.Issuer)
	if err != nil || issuer.Host == "" || issuer.RawQuery != "" || issuer.Fragment != "" {
		return nil, errors.New("the issuer is an address such as https://login.agency.example")
	}
	if host := issuer.Hostname(); issuer.Scheme != "https" && (issuer.Scheme != "http" || host != "localhost" && !net.ParseIP(host).IsLoopback()) {
		return nil, errors.New("the issuer begins with https://; plain http is for one on this machine")
	}
	if s.ClientID == "" || s.ClientSecret == "" {
		return nil, errors.New("the client id and the file with the client secret are needed")
	}
	client := &http.Client{Timeout: answerTime}
	return &Provider{Settings: s, log: log, web: oidc.ClientContext(context.Background(), client)}, nil
}

// What keeps somebody from coming in. The log has the cause.
var (
	ErrAway    = errors.New("the agency's sign-in does not answer")
	ErrRefused = errors.New("the agency's sign-in let nobody in")
	ErrLost    = errors.New("this sign-in was not begun in this browser, or too long ago")
	ErrFalse   = errors.New("what the agency's sign-in said could not be verified")
)

// A Trip is what a browser keeps while its person is at the provider.
type Trip struct {
	State, Nonce, Verifier string
	Program                string // its code
	Link                   string // the link for one use that it began with, if any
	To                     string // the page to come to
}

// TripTime is how long the person may take there.
const TripTime = 10 * time.Minute

// String is the trip as a cookie keeps it.
func (t Trip) String() string {
	text, err := json.Marshal(t)
	if err != nil {
		return "" // strings alone are written
	}
	return base64.RawURLEncoding.EncodeToString(text)
}

// ReadTrip reads what String wrote; another text is a trip that was lost.
func ReadTrip(text string) (t Trip, err error) {
	b, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil || json.Unmarshal(b, &t) != nil || t.State == "" || t.Nonce == "" || t.Verifier == "" {
		return Trip{}, ErrLost
	}
	return t, nil
}

// Begin is where the browser goes, and what it keeps meanwhile. back is our
// address to which the provider leads it.
func (p *Provider) Begin(back string, t Trip) (address string, _ Trip, err error) {
	config, err := p.config(back)
	if err != nil {
		return "", t, err
	}
	t.State, t.Nonce, t.Verifier = oauth2.GenerateVerifier(), oauth2.GenerateVerifier(), oauth2.GenerateVerifier()
	return config.AuthCodeURL(t.State, oidc.Nonce(t.Nonce), oauth2.S256ChallengeOption(t.Verifier)), t, nil
}

// End tells whose account it is, by a digest of the issuer and of the name that
// stays the same there: nothing else of the account is looked at or kept.
func (p *Provider) End(back string, t Trip, query url.Values) (account [32]byte, err error) {
	if t.State == "" || query.Get("state") != t.State {
		return account, ErrLost
	}
	if said := query.Get("error"); said != "" {
		p.log.Info("the agency's sign-in let nobody in", "said", cut(said))
		return account, ErrRefused
	}
	config, err := p.config(back)
	if err != nil {
		return account, err
	}
	token, err := config.Exchange(p.web, query.Get("code"), oauth2.VerifierOption(t.Verifier))
	if refused := (*oauth2.RetrieveError)(nil); errors.As(err, &refused) {
		p.log.Warn("the agency's sign-in takes no code of ours", "status", refused.Response.StatusCode, "said", cut(refused.ErrorCode))
		return account, ErrFalse
	}
	if err != nil {
		return account, p.away(err)
	}
	text, _ := token.Extra("id_token").(string)
	verifier := p.found.VerifierContext(p.web, &oidc.Config{ClientID: p.ClientID})
	who, err := verifier.Verify(p.web, text)
	if err == nil && who.Nonce != t.Nonce {
		err = errors.New("another nonce")
	}
	if err == nil && who.Subject == "" {
		err = errors.New("no subject")
	}
	if err != nil {
		p.log.Warn("what the agency's sign-in said could not be verified", "error", err.Error())
		return account, ErrFalse
	}
	return sha256.Sum256([]byte(who.Issuer + "\x00" + who.Subject)), nil
}

// config asks the provider what it offers, until it has answered once.
func (p *Provider) config(back string) (*oauth2.Config, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.found == nil {
		found, err := oidc.NewProvider(p.web, p.Issuer)
		if err != nil {
			return nil, p.away(err)
		}
		p.found = found
	}
	return &oauth2.Config{ClientID: p.ClientID, ClientSecret: p.ClientSecret, Endpoint: p.found.Endpoint(), RedirectURL: back, Scopes: []string{oidc.ScopeOpenID}}, nil
}

func (p *Provider) away(err error) error {
	p.log.Warn("the agency's sign-in does not answer", "issuer", p.Issuer, "error", cut(err.Error()))
	return fmt.Errorf("%w", ErrAway)
}

// cut keeps a stranger's words in the log short.
func cut(text string) string {
	const most = 200
	return text[:min(len(text), most)]
}
