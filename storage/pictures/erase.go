package pictures

import (
	"context"
	"fmt"

	"ductledger/domain"
	"ductledger/storage"
)

const eraseSQL = `
UPDATE picture SET state = 'erased', erased_at = @at, part_ends = '{}', refused_code = NULL, leftover = leftover || @leftover::text[], likeness = NULL
WHERE program_id = @program_id AND photo_id = @id`

const bandDeleteSQL = `
DELETE FROM picture_band WHERE program_id = @program_id AND photo_id = @id`

const readLockSQL = readSQL + `
FOR NO KEY UPDATE`

// Erase erases a picture for a reason; its record and digest stay. From the
// commit on nothing of it is given out; then the store removes it, and the audit
// says when it was gone. Erasing it again changes nothing.
func (p *Pictures) Erase(ctx context.Context, caller domain.Caller, id domain.UUID, reason string) (u Upload, err error) {
	err = p.db.In(ctx, caller.Program, storage.Writing, func(t *storage.Tx) error {
		if _, err := t.Record(caller, domain.PhotoKind, id); err != nil {
			return err
		}
		u, err = p.erase(t, caller, id, reason)
		return err
	})
	if err == nil {
		p.tidyOne(ctx, caller.Program, id)
	}
	return u, err
}

func (p *Pictures) erase(t *storage.Tx, caller domain.Caller, id domain.UUID, why string) (u Upload, err error) {
	r, err := oneRow(t, readLockSQL, storage.Args{"program_id": t.Program, "id": id})
	if err != nil {
		return u, err
	}
	if domain.BytesState(r.State) != domain.BytesErased {
		args := storage.Args{"program_id": t.Program, "id": id, "at": t.Now, "leftover": append(r.spent(), kept()...)}
		t.Queue(eraseSQL, args)
		t.Queue(bandDeleteSQL, args)
		if err := t.Audit(caller, "picture_erased", id, fmt.Sprintf("sha256 %s, %d bytes: %s", digestText(r.SHA256), r.BytesCount, why)); err != nil {
			return u, err
		}
		r.State, r.PartEnds = string(domain.BytesErased), nil
	}
	return r.upload(), nil
}

type photoRow struct{ PhotoID [16]byte }

// Pictures of jobs that were accepted before a moment and are accepted still.
const eraseOldSQL = `
SELECT p.photo_id
FROM picture AS p
WHERE p.program_id = @program_id AND p.state = 'stored' AND p.stored_at < @before
    AND EXISTS (SELECT FROM job_result AS r
        WHERE r.program_id = @program_id AND r.job_id = p.job_id AND r.accepted_at < @before AND r.until_position IS NULL OFFSET 0)
ORDER BY p.stored_at, p.photo_id
LIMIT @limit`

// eraseOld erases what the program's rule no longer keeps.
func (p *Pictures) eraseOld(ctx context.Context, program domain.UUID) (erased int, err error) {
	err = p.db.In(ctx, program, storage.Writing, func(t *storage.Tx) error {
		erased = 0
		set, err := t.RuleSetToday()
		if err != nil || set.PicturesKeptMonthsCount == nil {
			return err
		}
		var rows []photoRow
		months := *set.PicturesKeptMonthsCount
		storage.All(t, &rows, eraseOldSQL, storage.Args{"program_id": program, "before": t.Now.AddDate(0, -months, 0), "limit": tidyMost})
		if err := t.Flush(); err != nil {
			return err
		}
		for _, r := range rows {
			if _, err := p.erase(t, domain.Caller{}, r.PhotoID, fmt.Sprintf("kept for %d months after the job's acceptance, by the program's rule", months)); err != nil {
				return err
			}
			erased++
		}
		return nil
	})
	return erased, err
}
