package pages

import (
	"context"
	"net/http"

	"ductledger/api/frame"
	"ductledger/domain"
)

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
