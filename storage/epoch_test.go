package storage_test

import (
	"bytes"
	"context"
	"errors"
	process "os/exec"
	"testing"

	"github.com/jackc/pgx/v5"

	"ductledger/storage"
	"ductledger/storage/storagetest"
)

func TestAnotherDatabaseIsNoticedUntilTheOperatorNamesIt(t *testing.T) {
	t.Parallel()
	db, _ := storagetest.Open(t)
	w := storagetest.Program(t, db)
	ctx := context.Background()
	if err := db.CheckDatabase(ctx); err != nil {
		t.Fatalf("the first start adopts the database: %v", err)
	}
	if err := db.CheckDatabase(ctx); err != nil {
		t.Fatalf("the second start knows it: %v", err)
	}
	before, err := db.Sync(ctx, w.Staff)
	if err != nil {
		t.Fatal(err)
	}
	pretendOtherServer(t, db, w)
	if err := db.CheckDatabase(ctx); !errors.Is(err, storage.ErrOtherDatabase) {
		t.Fatalf("another server: %v", err)
	}
	if err := db.NameFailover(ctx); err != nil {
		t.Fatal(err)
	}
	if after, err := db.Sync(ctx, w.Staff); err != nil || after.Head.Epoch != before.Head.Epoch {
		t.Errorf("a failover that lost nothing keeps the epoch: %v, %v", after.Head.Epoch, err)
	}
	pretendOtherServer(t, db, w)
	if err := db.NameRestore(ctx); err != nil {
		t.Fatal(err)
	}
	after, err := db.Sync(ctx, w.Staff)
	if err != nil || after.Head.Epoch == before.Head.Epoch || !after.Head.Shared || after.Head.EpochFrom != after.Head.Position {
		t.Errorf("a restore opens an epoch: %+v, %v", after.Head, err)
	}
	if err := db.CheckDatabase(ctx); err != nil {
		t.Errorf("named: %v", err)
	}
}

// pretendOtherServer writes another server's mark, as a restored copy has it.
func pretendOtherServer(t *testing.T, db *storage.DB, w *storagetest.World) {
	t.Helper()
	conn, err := pgx.Connect(context.Background(), storagetest.AddressOf(db))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	if _, err := conn.Exec(context.Background(), "UPDATE program_head SET system_identifier = 1 WHERE program_id = $1", [16]byte(w.Program)); err != nil {
		t.Fatal(err)
	}
}

// A dump that is put back on the same server has the same server's marks.
func TestADumpPutBackIsNoticed(t *testing.T) {
	t.Parallel()
	if _, err := process.LookPath("pg_dump"); err != nil {
		t.Skip("pg_dump is not on this machine")
	}
	db, _ := storagetest.Open(t)
	storagetest.Program(t, db)
	ctx := context.Background()
	if err := db.CheckDatabase(ctx); err != nil {
		t.Fatal(err)
	}
	dump, err := process.CommandContext(ctx, "pg_dump", "--clean", "--dbname", storagetest.AddressOf(db)).Output()
	if err != nil {
		t.Fatalf("pg_dump: %v", err)
	}
	back := process.CommandContext(ctx, "psql", "--quiet", "--set", "ON_ERROR_STOP=1", "--dbname", storagetest.AddressOf(db))
	back.Stdin = bytes.NewReader(dump)
	if out, err := back.CombinedOutput(); err != nil {
		t.Fatalf("psql: %v: %s", err, out)
	}
	if err := db.CheckDatabase(ctx); !errors.Is(err, storage.ErrOtherDatabase) {
		t.Fatalf("put back: %v", err)
	}
}
