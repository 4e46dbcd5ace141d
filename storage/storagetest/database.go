package storagetest

import (
	"context"
	"testing"
)

// URL makes a database with the migrated schema and no rows, and returns its
// address as the schema's owner. It is dropped when the test ends, with
// whatever is still connected to it.
func URL(t testing.TB) string {
	t.Helper()
	if !underMain.Load() {
		t.Fatal("this package needs: func TestMain(m *testing.M) { storagetest.Main(m) }")
	}
	ctx := context.Background() // t.Context is done before clean-up
	if err := process.start(ctx); err != nil {
		t.Fatalf("no Postgres for this test: %v", err)
	}
	name, err := process.clone(ctx)
	if err != nil {
		t.Fatalf("cannot make a database: %v", err)
	}
	t.Cleanup(func() {
		if err := process.drop(ctx, name); err != nil {
			t.Errorf("cannot drop the database: %v", err)
		}
	})
	return process.cluster.URL(name)
}
