// Package frame is what every request goes through, whatever its subject. It
// knows no record and no table.
//
// A route is one row of data: method, pattern, roles, time limit, handler. A
// handler decides and writes nothing; everything around it is done once, here,
// in this order:
//
//	server.go      connections and their time limits
//	middleware.go  request id, trace id, access log, panics, security headers
//	router.go      puts the routes into the router, package api/echo
//	adapter.go     query, rates, token, role, body, a turn, time limit, handler
//	limiter.go     room for all of these, in all and by program and token
//	limits.go      the table of limits
//	answer.go      the one writer of answers
//	problem.go     the one writer of problems (RFC 9457)
//
// Units: times in seconds or time.Duration, sizes in bytes (1 KiB = 1024
// bytes), rates in requests per second. Refused are, each with a problem that
// names the place and the limit: what is not exactly one JSON value, unknown or
// repeated query parameters, bodies over their limit before and after
// inflating, content types and encodings that a route does not name, callers
// over their rate, and work for which there is no room.
//
// Sources: RFC 9457 (problems), RFC 9110 (HTTP), RFC 6750 (bearer tokens), RFC
// 4648 (base32), RFC 6901 (JSON Pointer), W3C Trace Context, and
// draft-ietf-httpapi-ratelimit-headers-10 (RateLimit fields).
package frame
