package month_test

import (
	"context"
	"os"
	"testing"

	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

func TestMain(m *testing.M) {
	if stage := os.Getenv(dieAt); stage != "" {
		buildAndDie(stage)
	}
	storagetest.Main(m)
}

func dial(t testing.TB, address string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(context.Background(), address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

func exec(t testing.TB, conn *pgx.Conn, sql string, args ...any) {
	t.Helper()
	if _, err := conn.Exec(context.Background(), sql, args...); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
}
