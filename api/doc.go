// Package api answers ductledger's HTTP requests, one file a subject.
//
// routes.go is the table of addresses: method, pattern, roles, time limit,
// handler. What happens around a handler is in api/frame: it is the same for
// all. The calculations, which need no database, are in api/calculations, the
// pages at /docs in api/docs.
//
// What a request may contain is written on the structs that it is read into;
// openapi.yaml is made from them.
package api
