// Package storage keeps the records of programs in Postgres: every accepted
// version of every record in one table, entry, and beside it what a statement
// joins or locks, and what the domain computed.
//
// A transaction is opened by one door, DB.In, which sets the program for
// row-level security, the isolation and the time limit. Statements are constants
// above the function that runs them; each names the program. Locks are taken in
// one order: jobs by id, records without a job by kind and id, the program's head
// last. The packages below are rooms: one capability each over that transaction.
package storage
