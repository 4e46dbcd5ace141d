// Package contract makes openapi.yaml from the program itself: schemas from the
// structs on the wire (their fields, tags, closed lists and comments),
// operations from the table of routes and their words. go generate ./api writes
// the file; a test holds it equal. Nothing of this is linked into the program:
// it reads the project's own sources.
package contract
