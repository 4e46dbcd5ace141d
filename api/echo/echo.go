// Package echo finds the route of a request. It alone knows the library of this
// name, and uses its router only: binding, rendering, middleware and server stay
// unused, since their defaults are those of a web site and not of a system of
// record; so its next major version, whose context and server differ, touches this
// file only.
package echo

import (
	"errors"
	"net/http"
	"strings"

	"ductledger/domain"

	"github.com/labstack/echo/v4"
)

// A Handler answers a request whose pattern has these values; what it returns is
// handed to fail.
type Handler func(w http.ResponseWriter, r *http.Request, path map[string]string) error

// A Route is one method of one pattern, such as /v1/jobs/{id} or /docs/{file...}.
type Route struct {
	Method, Pattern string
	Serve           Handler
}

// Router finds routes. Where there is none, and where a value is empty, notHere is
// the error; fail answers every error.
func Router(routes []Route, notHere func() error, fail func(http.ResponseWriter, *http.Request, error)) http.Handler {
	e := echo.New()
	e.HTTPErrorHandler = func(err error, c echo.Context) {
		var ours *domain.Error
		if !errors.As(err, &ours) { // the library's own: it found no route
			err = notHere()
		}
		fail(c.Response().Writer, c.Request(), err) // what the library wraps around the writer is left
	}
	for i := range routes {
		rt := &routes[i]
		e.Add(rt.Method, libraryPattern(rt.Pattern), func(c echo.Context) error {
			path := map[string]string{}
			for _, name := range c.ParamNames() {
				value := c.Param(name)
				if name == "*" {
					name = restName(rt.Pattern)
				} else if value == "" { // the library lets an empty value match
					return notHere()
				}
				path[name] = value
			}
			return rt.Serve(c.Response().Writer, c.Request(), path)
		})
	}
	e.RouteNotFound("/*", func(echo.Context) error { return notHere() })
	return e
}

// libraryPattern turns /v1/jobs/{id} into /v1/jobs/:id and /docs/{file...} into
// /docs/*.
func libraryPattern(pattern string) string {
	parts := strings.Split(pattern, "/")
	for i, part := range parts {
		if name, ok := strings.CutPrefix(part, "{"); ok {
			parts[i] = ":" + strings.TrimSuffix(name, "}")
			if strings.HasSuffix(name, "...}") {
				parts[i] = "*"
			}
		}
	}
	return strings.Join(parts, "/")
}

// restName is the name of a pattern's last {name...}.
func restName(pattern string) string {
	last := pattern[strings.LastIndex(pattern, "/")+1:]
	return strings.TrimSuffix(strings.TrimPrefix(last, "{"), "...}")
}
