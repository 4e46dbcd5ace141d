// Package storagetest gives tests a real Postgres: each test its own database,
// cloned from one that was migrated once, and dropped when the test ends. All
// tests may run in parallel.
//
// A package that uses it says so in one line:
//
//	func TestMain(m *testing.M) { storagetest.Main(m) }
//
// The server is the one at TEST_DATABASE_URL, else a private one from Postgres
// programs on this machine, else a container of POSTGRES_IMAGE (postgres:17 by
// default); one for each test program, started by the first test that asks.
// It has fsync off: a test of durability brings its own.
//
// Only tests import this package, and only it imports testcontainers-go, which
// links the testing package.
package storagetest
