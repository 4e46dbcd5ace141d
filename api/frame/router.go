package frame

import (
	"net/http"
	"strings"

	"ductledger/api/echo"
	"ductledger/domain"
)

// router puts the table of routes into the router's library.
func (f *frame) router() http.Handler {
	var routes []echo.Route
	add := func(method, pattern string, serve echo.Handler) {
		routes = append(routes, echo.Route{Method: method, Pattern: pattern, Serve: serve})
	}
	patterns := map[string]bool{}
	for i := range f.Routes {
		rt := &f.Routes[i]
		serve := func(w http.ResponseWriter, r *http.Request, path map[string]string) error {
			f.serve(w, r, rt, path)
			return nil
		}
		add(rt.Method, rt.Pattern, serve)
		if rt.Method == http.MethodGet && !f.has(http.MethodHead, rt.Pattern) {
			add(http.MethodHead, rt.Pattern, serve)
		}
		patterns[rt.Pattern] = true
	}
	// The library asks two variables of its own for unknown methods; rather than
	// change them for the process, each pattern answers its other methods itself.
	for pattern := range patterns {
		allow := f.methodsOf(pattern)
		refuse := func(w http.ResponseWriter, _ *http.Request, _ map[string]string) error {
			w.Header().Set("Allow", allow)
			return domain.Errorf(domain.MethodNotAllowed, "this address knows %s", allow)
		}
		for _, method := range otherMethods() {
			if !f.has(method, pattern) && !(method == http.MethodHead && f.has(http.MethodGet, pattern)) {
				add(method, pattern, refuse)
			}
		}
	}
	return echo.Router(routes, NotHere, f.failUnrouted)
}

// failUnrouted answers what no route could: as a page where people ask for pages.
func (f *frame) failUnrouted(w http.ResponseWriter, r *http.Request, err error) {
	x := exchangeOf(w)
	if f.People != nil && strings.HasPrefix(r.URL.Path, staffPath+"/") {
		f.failPerson(x, r, x, &Route{}, &Request{Header: r.Header, Trace: x.trace, Method: r.Method, Address: r.URL.RequestURI(), Secure: f.secure(r), Host: r.Host}, domain.Caller{}, err)
		return
	}
	WriteProblem(w, r, x.trace, err)
}

// otherMethods are those that an address may know or refuse; any other, such as
// TRACE, is refused before the router.
func otherMethods() []string {
	return []string{http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut,
		http.MethodPatch, http.MethodDelete, http.MethodOptions}
}

func NotHere() error {
	return domain.Errorf(domain.NotFound, "there is no such address; /docs lists all of them")
}
