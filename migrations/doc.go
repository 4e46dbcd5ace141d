// Package migrations holds the schema's files, NNNNNN_name.up.sql and
// .down.sql, and applies them.
//
// A file is one transaction: it is applied whole or not at all, and the
// version is noted in that same transaction, so that a run that is killed at
// any moment leaves a database on which the next run simply goes on. A file
// must therefore not begin or commit one itself. The exception is CREATE or
// DROP INDEX CONCURRENTLY, which Postgres refuses inside a transaction: it
// stands alone in its file and is written so that it can run twice.
//
// Runs wait for each other. A statement waits at most one second for a lock,
// since all who come after it wait behind it; then the file is rolled back and
// tried again a little later.
//
// It refuses a database whose schema is newer than the program.
package migrations
