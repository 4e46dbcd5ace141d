package frame

import (
	"errors"
	"net/http"
	"strings"

	"ductledger/domain"

	"github.com/labstack/echo/v4"
)

// router puts the table of routes into Echo. Of Echo only the router is used:
// it finds the route and reads the path's values. Binding, rendering, its
// middleware and its server stay unused, since their defaults are those of a
// web site and not of a system of record; so its next major version, whose
// context and server differ, touches this file only.
func (f *frame) router() http.Handler {
	e := echo.New()
	e.HTTPErrorHandler = func(err error, c echo.Context) {
		var ours *domain.Error
		if !errors.As(err, &ours) { // Echo's own: it found no route
			err = NotHere()
		}
		r := c.Request()
		if f.People != nil && strings.HasPrefix(r.URL.Path, staffPath+"/") {
			x := exchangeOf(c.Response().Writer)
			f.failPerson(x, r, x, &Route{}, &Request{Header: r.Header, Trace: x.trace, Method: r.Method, Address: r.URL.RequestURI(), Secure: f.secure(r), Host: r.Host}, domain.Caller{}, err)
			return
		}
		WriteProblem(c.Response().Writer, c.Request(), exchangeOf(c.Response().Writer).trace, err)
	}
	patterns := map[string]bool{}
	for i := range f.Routes {
		rt := &f.Routes[i]
		e.Add(rt.Method, echoPattern(rt.Pattern), f.adapt(rt))
		if rt.Method == http.MethodGet && !f.has(http.MethodHead, rt.Pattern) {
			e.Add(http.MethodHead, echoPattern(rt.Pattern), f.adapt(rt))
		}
		patterns[rt.Pattern] = true
	}
	// Echo asks these two variables of its own for unknown addresses and
	// methods; rather than change them for the process, each pattern answers
	// its other methods itself, and everything else falls to one last route.
	for pattern := range patterns {
		allow := f.methodsOf(pattern)
		refuse := func(c echo.Context) error {
			c.Response().Header().Set("Allow", allow)
			return domain.Errorf(domain.MethodNotAllowed, "this address knows %s", allow)
		}
		for _, method := range otherMethods() {
			if !f.has(method, pattern) && !(method == http.MethodHead && f.has(http.MethodGet, pattern)) {
				e.Add(method, echoPattern(pattern), refuse)
			}
		}
	}
	e.RouteNotFound("/*", func(echo.Context) error { return NotHere() })
	return e
}

// adapt hands writer and request on; what Echo wraps around the writer is left.
func (f *frame) adapt(rt *Route) echo.HandlerFunc {
	return func(c echo.Context) error {
		path := map[string]string{}
		for _, name := range c.ParamNames() {
			value := c.Param(name)
			if name == "*" {
				name = restName(rt.Pattern)
			} else if value == "" { // Echo lets an empty value match
				return NotHere()
			}
			path[name] = value
		}
		f.serve(c.Response().Writer, c.Request(), rt, path)
		return nil
	}
}

// echoPattern turns /v1/jobs/{id} into /v1/jobs/:id and /docs/{file...} into
// /docs/*.
func echoPattern(pattern string) string {
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

// otherMethods are those that an address may know or refuse; any other, such as
// TRACE, is refused before the router.
func otherMethods() []string {
	return []string{http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut,
		http.MethodPatch, http.MethodDelete, http.MethodOptions}
}

func NotHere() error {
	return domain.Errorf(domain.NotFound, "there is no such address")
}
