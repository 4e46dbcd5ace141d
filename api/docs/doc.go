// Package docs serves the pages at /docs: the reference, made from the
// contract, and a page of each problem and each rule, made from the tables of
// the program. They need no script, no token and no other server.
package docs
