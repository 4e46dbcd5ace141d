// Package storage keeps the records of programs in Postgres: typed tables
// with the newest version of each record, the ledger with every version, and
// what the domain computed from them.
//
// Every exported method of DB opens exactly one transaction through one door,
// DB.in, which sets the program for row-level security, the isolation and
// the time limit. Statements are constants above the function that runs them,
// each names the program, and pgx never leaves the package. Locks are taken
// in one order: jobs by id, records without a job by kind and id, the
// program's head last.
package storage
