package pictures

import (
	"time"

	"ductledger/domain/picture"
	"ductledger/storage"
)

const (
	// likeDays is how far apart two pictures may be taken that are compared: who
	// sends an old picture again does it within a season.
	likeDays = 90
	// bandMost bounds the pictures that are looked at in one band. Among n pictures
	// of that time a band holds some n/65,536.
	bandMost = 500
	// likesMost bounds the pictures that one is asked about.
	likesMost = 25
)

// Two pictures that arrive at once must find each other: those of a program are
// compared one after the other.
const likeLockSQL = `SELECT pg_advisory_xact_lock(hashtextextended(uuid_send(@program_id)::text, 0)) AS locked`

type likeRow struct {
	PhotoID  [16]byte
	JobID    [16]byte
	Likeness int64
}

// Pictures of other homes that have a band in common, by the index of bands.
const likeFindSQL = `
SELECT DISTINCT o.photo_id, o.job_id, o.likeness
FROM unnest(@bands::bigint[]) AS k(band)
CROSS JOIN LATERAL (SELECT x.photo_id FROM picture_band AS x
    WHERE x.program_id = @program_id AND x.band = k.band AND x.taken_at >= @from AND x.taken_at <= @until LIMIT @band_most) AS b
CROSS JOIN LATERAL (SELECT x.photo_id, x.job_id, x.likeness FROM picture AS x
    WHERE x.program_id = @program_id AND x.photo_id = b.photo_id AND x.state = 'stored' AND NOT x.void AND x.likeness IS NOT NULL OFFSET 0) AS o
CROSS JOIN LATERAL (SELECT x.home_id FROM job AS x WHERE x.program_id = @program_id AND x.id = o.job_id OFFSET 0) AS j
WHERE o.photo_id <> @id AND j.home_id <> (SELECT x.home_id FROM job AS x WHERE x.program_id = @program_id AND x.id = @job_id)
ORDER BY o.photo_id`

const bandInsertSQL = `
INSERT INTO picture_band (program_id, band, taken_at, photo_id)
SELECT @program_id, x.band, @taken_at, @id FROM unnest(@bands::bigint[]) AS x(band)
ON CONFLICT (program_id, band, taken_at, photo_id) DO NOTHING`

const likeInsertSQL = `
INSERT INTO picture_like (program_id, job_id, photo_id, other_photo_id, other_job_id, differ_bits)
VALUES (@program_id, @job_id, @id, @other_id, @other_job_id, @bits), (@program_id, @other_job_id, @other_id, @id, @job_id, @bits)
ON CONFLICT (program_id, job_id, photo_id, other_photo_id) DO NOTHING`

// noteLikes looks for pictures of other homes that look like a new one, and
// notes each pair from both sides.
func (p *Pictures) noteLikes(t *storage.Tx, r *row, likeness picture.Digest) error {
	if likeness == 0 {
		return nil
	}
	var bands []int64
	for _, band := range likeness.Bands() {
		bands = append(bands, int64(band))
	}
	var found []likeRow
	args := storage.Args{"program_id": t.Program, "id": r.PhotoID, "job_id": r.JobID, "bands": bands, "taken_at": r.TakenAt, "band_most": bandMost,
		"from": r.TakenAt.Add(-likeDays * 24 * time.Hour), "until": r.TakenAt.Add(likeDays * 24 * time.Hour)}
	t.Queue(likeLockSQL, args)
	storage.All(t, &found, likeFindSQL, args)
	t.Queue(bandInsertSQL, args)
	if err := t.Flush(); err != nil {
		return err
	}
	for i, f := range found {
		if other := picture.Digest(f.Likeness); i < likesMost && likeness.Like(other) {
			t.Queue(likeInsertSQL, storage.Args{"program_id": t.Program, "job_id": r.JobID, "id": r.PhotoID, "other_id": f.PhotoID,
				"other_job_id": f.JobID, "bits": likeness.Differ(other)})
		}
	}
	return nil
}
