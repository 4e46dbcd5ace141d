package pictures

import (
	"context"
	"encoding/json"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"ductledger/domain/picture"
	"ductledger/storage/storagetest"
)

const manyPicturesSQL = `
WITH made AS (
    INSERT INTO picture (program_id, photo_id, job_id, sha256, bytes_count, taken_at, state, stored_at, media_type, likeness)
    SELECT $1, md5($3::bigint::text || n || 'photo')::uuid, $2, sha256(convert_to(n::text, 'UTF8')), 1, $4, 'stored', $4, 'image/jpeg', hashtextextended(n::text, $3::bigint)
    FROM generate_series(1, $5::int) AS n
    RETURNING program_id, photo_id, taken_at, likeness)
INSERT INTO picture_band (program_id, band, taken_at, photo_id)
SELECT program_id, k << 16 | ((likeness >> (16 * k)) & 65535), taken_at, photo_id FROM made CROSS JOIN generate_series(0, 3) AS k`

// Looking for pictures that look alike touches as many pages among tens of
// thousands of one season as among hundreds, whether or not Postgres has looked
// at the tables.
func TestLookingForLikesDoesNotGrow(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db, clock := storagetest.Open(t)
	w := storagetest.Program(t, db)
	job := w.Job(t)
	conn, err := pgx.Connect(ctx, storagetest.AddressOf(db))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	must := func(sql string, args ...any) {
		t.Helper()
		if _, err := conn.Exec(ctx, sql, args...); err != nil {
			t.Fatal(err)
		}
	}
	must("SELECT set_config('ductledger.program', $1, false)", w.Program.String())
	r := rand.New(rand.NewPCG(1, 2))
	pages := func() (n int64) {
		t.Helper()
		for range 20 {
			var bands []int64
			for _, band := range picture.Digest(r.Uint64()).Bands() {
				bands = append(bands, int64(band))
			}
			now := clock.Now()
			var text []byte
			if err := conn.QueryRow(ctx, "EXPLAIN (ANALYZE, BUFFERS, FORMAT JSON) "+likeFindSQL, pgx.NamedArgs{"program_id": [16]byte(w.Program), "id": [16]byte(storagetest.ID()),
				"job_id": [16]byte(job), "bands": bands, "band_most": bandMost, "from": now.Add(-likeDays * 24 * time.Hour), "until": now.Add(likeDays * 24 * time.Hour)}).Scan(&text); err != nil {
				t.Fatal(err)
			}
			var plan []struct {
				Plan struct {
					Hit  int64 `json:"Shared Hit Blocks"`
					Read int64 `json:"Shared Read Blocks"`
				}
			}
			if err := json.Unmarshal(text, &plan); err != nil {
				t.Fatal(err)
			}
			n += plan[0].Plan.Hit + plan[0].Plan.Read
		}
		return n
	}
	const few, lots, perLook = 500, 40_000, 30 // an index of these is two levels deep at most
	must(manyPicturesSQL, [16]byte(w.Program), [16]byte(job), 1, clock.Now(), few)
	for _, look := range []string{"before ANALYZE", "after ANALYZE"} {
		if look == "after ANALYZE" {
			must("ANALYZE")
		}
		if n := pages(); n == 0 || n > 20*perLook {
			t.Errorf("%s, among %d: %d pages in 20 looks", look, few, n)
		}
	}
	must(manyPicturesSQL, [16]byte(w.Program), [16]byte(job), 2, clock.Now(), lots)
	for _, look := range []string{"before ANALYZE", "after ANALYZE"} {
		if look == "after ANALYZE" {
			must("ANALYZE")
		}
		if n := pages(); n == 0 || n > 20*perLook {
			t.Errorf("%s, among %d: %d pages in 20 looks", look, lots, n)
		}
	}
}
