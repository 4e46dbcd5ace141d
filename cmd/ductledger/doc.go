// Command ductledger is the one program of the service: it serves, migrates,
// makes programs and tokens, builds and checks packages, and shows itself on
// an invented program.
//
// A setting comes from its flag, else from its variable DUCTLEDGER_…, else from
// its default; a variable of that beginning that no command knows is an error.
// The exit code is 0 when all went well, 1 when it did not, and 2 when the
// command line or a file cannot be read.
package main
