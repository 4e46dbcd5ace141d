package frame

import (
	"context"
	"net/http"
	"strings"
	"time"

	"ductledger/api/strict"
	"ductledger/domain"
)

// Inside answers requests without a connection, as the same table of routes
// would: the pages ask so, and thus see and do what a program with the same
// role would. Rates are those of the page that asks.
type Inside struct {
	Routes     []Route
	Operations map[string]Operation
	Now        func() time.Time
}

// Ask finds the address's row, checks role, query and path, and calls the
// handler. body is JSON.
func (in *Inside) Ask(ctx context.Context, caller domain.Caller, method, address string, header http.Header, body []byte) (a Answer, err error) {
	path, raw, _ := strings.Cut(address, "?")
	rt, values := in.find(method, path)
	if rt == nil {
		return a, NotHere()
	}
	if !rt.Public && !rt.allows(caller.Role) {
		return a, rt.forbidden(caller.Role)
	}
	if header == nil {
		header = http.Header{}
	}
	op := in.Operations[rt.Operation]
	if body == nil && op.Takes != nil && !op.Optional {
		body = []byte{}
	}
	r := &Request{Path: values, Header: header, Body: body, ReceivedAt: in.Now(), Method: method, Address: address}
	params, err := strict.ParamsOf(structOf(op.Query))
	if err != nil {
		return a, err
	}
	if r.Query, err = checkQuery(params, raw); err != nil {
		return a, err
	}
	if err := checkPath(values); err != nil {
		return a, err
	}
	ctx, cancel := context.WithTimeout(ctx, rt.Timeout)
	defer cancel()
	return rt.Handle(ctx, caller, r)
}

// find is the row of a path; one without names in it goes before one with.
func (in *Inside) find(method, path string) (best *Route, values map[string]string) {
	parts := strings.Split(path, "/")
	for i := range in.Routes {
		rt := &in.Routes[i]
		if rt.Method != method || rt.Person || rt.Operation == "" {
			continue
		}
		pattern := strings.Split(rt.Pattern, "/")
		if len(pattern) != len(parts) {
			continue
		}
		found, fits := map[string]string{}, true
		for j, part := range pattern {
			if name, named := strings.CutPrefix(part, "{"); named {
				found[strings.TrimSuffix(name, "}")] = parts[j]
				fits = fits && parts[j] != ""
			} else {
				fits = fits && part == parts[j]
			}
		}
		if fits && (best == nil || len(found) < len(values)) {
			best, values = rt, found
		}
	}
	return best, values
}
