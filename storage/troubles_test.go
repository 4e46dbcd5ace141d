package storage_test

import (
	"context"
	"testing"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/storage/storagetest"
)

// What the server refuses in the middle of a push is told by its cause, stores
// nothing, and keeps nobody from reading; when it is over, the same push is
// taken. The server itself raises each (its Appendix A names the codes).
func TestAServerInTrouble(t *testing.T) {
	t.Parallel()
	db, _ := storagetest.Open(t)
	w := storagetest.Program(t, db)
	owner := dial(t, storagetest.AddressOf(db))
	for state, want := range map[string]domain.Code{
		"53100": domain.StorageFull, // disk_full
		"57014": domain.TimeLimit,   // query_canceled
		"XX001": domain.Internal,    // data_corrupted
	} {
		exec(t, owner, "CREATE OR REPLACE FUNCTION trouble() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION 'in trouble' USING ERRCODE = '"+state+"'; END $$")
		exec(t, owner, "CREATE TRIGGER trouble BEFORE INSERT ON entry EXECUTE FUNCTION trouble()")
		before, err := db.Positions(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		home := storagetest.ID()
		push := stamp(w.Staff, db.Now(), []*intake.Item{storagetest.Item(t, home, &domain.Home{SectionCount: 1})})
		if _, err := db.Push(context.Background(), w.Staff, push); domain.CodeOf(err) != want {
			t.Errorf("%s: %v, want %s", state, err, want)
		}
		if _, err := db.Record(t.Context(), w.Staff, domain.HomeKind, w.Home); err != nil {
			t.Errorf("%s: reading meanwhile: %v", state, err)
		}
		if after, err := db.Positions(t.Context()); err != nil || after[w.Program] != before[w.Program] {
			t.Errorf("%s: position %d, before %d, %v", state, after[w.Program], before[w.Program], err)
		}
		exec(t, owner, "DROP TRIGGER trouble ON entry")
		if pushed, err := db.Push(context.Background(), w.Staff, push); err != nil || pushed.Items[0].Status != intake.Created {
			t.Errorf("%s: afterwards %v", state, err)
		}
	}
}
