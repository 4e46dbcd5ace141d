package frame

import "ductledger/domain"

// An Operation is what the contract says of an operation beside its row in
// the table of routes. Problems follow from the row: every operation of a
// caller with a token may answer 400, 401, 403, 429 and 503, one with a name in
// its address 404, one with a body 413, 415 and 422.
type Operation struct {
	Tag, Summary, Description string
	Query                     any      // a struct with a field for each parameter
	Headers                   []string // of the request
	Takes                     any      // the body
	Optional                  bool     // the body may be left out
	Example                   any      // of the body
	Gives                     []Gives
	Also                      []int // further problems
}

// Gives is an answer that is no error.
type Gives struct {
	Status  int
	What    string
	Body    any    // nil: none, or one that is no JSON
	Media   string // application/json unless said
	Headers []string
	Of      domain.Kind // the one kind of record that it is of
}
