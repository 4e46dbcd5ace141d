package migrations

import (
	"context"
	"fmt"
	"os"
	"sync/atomic"
	"testing"

	"github.com/jackc/pgx/v5"
	"go.uber.org/goleak"

	"ductledger/storage/cluster"
)

// made counts the databases, for their names.
var made atomic.Int64

// server is the Postgres of these tests. storagetest cannot give it, since it
// needs this package to make its template.
var server *cluster.Cluster

func TestMain(m *testing.M) {
	os.Exit(withServer(m))
}

func withServer(m *testing.M) int {
	c, err := cluster.Start(context.Background(), cluster.Options{
		DatabaseURL: os.Getenv("TEST_DATABASE_URL"), DatabaseVariable: "TEST_DATABASE_URL",
		Database: "ductledger_test", Fast: true, Image: os.Getenv("POSTGRES_IMAGE"),
	})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	server = c
	code := m.Run()
	if err := c.Stop(); err != nil {
		fmt.Fprintln(os.Stderr, err)
		code = max(code, 1)
	}
	if err := goleak.Find(); err != nil && code == 0 {
		fmt.Fprintln(os.Stderr, err)
		code = 1
	}
	return code
}

// emptyDatabase makes one and returns its address.
func emptyDatabase(t *testing.T) string {
	t.Helper()
	name := fmt.Sprintf("%s_%d", server.Database(), made.Add(1))
	admin := dial(t, server.URL(""))
	if _, err := admin.Exec(t.Context(), "CREATE DATABASE "+pgx.Identifier{name}.Sanitize()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if _, err := admin.Exec(context.Background(), "DROP DATABASE "+pgx.Identifier{name}.Sanitize()+" WITH (FORCE)"); err != nil {
			t.Error(err)
		}
	})
	return server.URL(name)
}

func dial(t *testing.T, address string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

func exec(t *testing.T, conn *pgx.Conn, statement string) {
	t.Helper()
	if _, err := conn.Exec(t.Context(), statement); err != nil {
		t.Fatalf("%s: %v", statement, err)
	}
}

// number asks for one.
func number(t *testing.T, conn *pgx.Conn, query string) int {
	t.Helper()
	var n int
	if err := conn.QueryRow(t.Context(), query).Scan(&n); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	return n
}
