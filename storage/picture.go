package storage

import (
	"encoding/hex"
	"fmt"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
)

// The row of a picture comes with its record. A record that was voided and is
// there again is owed again.
const pictureInsertSQL = `
INSERT INTO picture (program_id, photo_id, job_id, device_id, sha256, bytes_count, taken_at, state)
SELECT @program_id, x.photo_id, x.job_id, x.device_id, x.sha256, x.bytes_count, x.taken_at, 'awaited'
FROM unnest(@photos::uuid[], @jobs::uuid[], @devices::uuid[], @digests::bytea[], @counts::bigint[], @taken::timestamptz[])
    AS x(photo_id, job_id, device_id, sha256, bytes_count, taken_at)
ON CONFLICT (program_id, photo_id) DO UPDATE SET void = false`

const pictureVoidSQL = `
UPDATE picture SET void = true WHERE program_id = @program_id AND photo_id = @id`

// writePictures queues that the bytes of new photos are owed, and that those of
// voided ones no longer are.
func (t *Tx) writePictures(accepted []intake.Decision) error {
	var photos, jobs [][16]byte
	var devices []*[16]byte
	var digests [][]byte
	var counts []int64
	var taken []time.Time
	var voided []domain.UUID
	seen := map[domain.UUID]bool{}
	for i := range accepted {
		d := &accepted[i]
		if d.Item.Kind != domain.PhotoKind {
			continue
		}
		r, ok := d.Item.Record.(*domain.Photo)
		if !ok {
			voided = append(voided, d.Item.ID)
			continue
		}
		digest, err := hex.DecodeString(r.SHA256)
		if err != nil {
			return fmt.Errorf("photo %s: %w", d.Item.ID, err)
		}
		if seen[d.Item.ID] {
			continue
		}
		seen[d.Item.ID] = true
		photos, jobs = append(photos, d.Item.ID), append(jobs, r.JobID)
		devices, digests = append(devices, idArg(d.Item.DeviceID)), append(digests, digest)
		counts, taken = append(counts, r.BytesCount), append(taken, r.TakenAt)
	}
	if len(photos) > 0 {
		t.Queue(pictureInsertSQL, Args{"program_id": t.Program, "photos": photos, "jobs": jobs, "devices": devices, "digests": digests,
			"counts": counts, "taken": taken})
	}
	for _, id := range voided {
		t.Queue(pictureVoidSQL, Args{"program_id": t.Program, "id": id})
	}
	return nil
}

// JudgeAgain judges a job again for what its records do not tell and yet
// decides: pictures that arrived. The caller's transaction may have locked the
// job and nothing behind it in the order of locks. Nothing is written where
// nothing about pictures is asked.
func (t *Tx) JudgeAgain(job domain.UUID) error {
	plan := &plan{jobs: []domain.UUID{job}, along: map[domain.UUID]bool{}}
	k, err := t.readPush(domain.Caller{Program: t.Program}, plan, &Push{})
	if err != nil {
		return err
	}
	k.rejudge[job] = true
	judged, err := k.judge(nil, nil, t.Now)
	if err != nil {
		return err
	}
	if len(judged) != 1 || judged[0].set == nil || !judged[0].set.AwaitsPictures() {
		return nil
	}
	head, err := t.lockHead()
	if err != nil {
		return err
	}
	if judged[0].touched.standing.Frozen {
		// No entry tells of the arrival: it counts from the next position on, so
		// that what was read at this one stays as it was.
		head.Position++
	}
	return t.writeResults(head, judged)
}

// LockJob queues the lock of all work on a job.
func (t *Tx) LockJob(job domain.UUID) {
	t.Queue(pushLockJobsSQL, Args{"program_id": t.Program, "jobs": []domain.UUID{job}})
}
