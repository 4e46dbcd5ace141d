package pictures

import (
	"context"
	"errors"
	"time"

	"ductledger/domain"
	"ductledger/storage"
)

// Unfinished uploads are kept so long after their last part.
const unfinishedDays = 30

// tidyMost bounds what one round does in one program.
const tidyMost = 200

const leftoverListSQL = `
SELECT ` + rowColumns + `
FROM picture AS p
WHERE p.program_id = @program_id AND p.leftover <> '{}' ORDER BY p.photo_id LIMIT @limit`

const unfinishedSQL = `
SELECT ` + rowColumns + `
FROM picture AS p
WHERE p.program_id = @program_id AND p.state = 'partial' AND p.touched_at < @before ORDER BY p.touched_at LIMIT @limit
FOR NO KEY UPDATE SKIP LOCKED`

// Tidied is what a round did.
type Tidied struct {
	Given   int // unfinished uploads that were given up
	Removed int // pictures whose leftovers are gone
	Erased  int // by the program's rule
}

// Tidy removes, in every program, what is left over, gives up uploads that
// nobody went on with, and erases what the program no longer keeps. It is safe to
// run at any time and on several instances at once.
func (p *Pictures) Tidy(ctx context.Context) (done Tidied, err error) {
	positions, err := p.db.Positions(ctx)
	if err != nil {
		return done, err
	}
	var errs []error
	for program := range positions {
		errs = append(errs, p.tidy(ctx, program, &done))
	}
	return done, errors.Join(errs...)
}

func (p *Pictures) tidy(ctx context.Context, program domain.UUID, done *Tidied) error {
	var left []row
	err := p.db.In(ctx, program, storage.Writing, func(t *storage.Tx) error {
		var old []row
		storage.All(t, &old, unfinishedSQL, storage.Args{"program_id": program, "before": t.Now.Add(-unfinishedDays * 24 * time.Hour), "limit": tidyMost})
		if err := t.Flush(); err != nil {
			return err
		}
		done.Given += len(old)
		for i := range old {
			t.Queue(anewSQL, storage.Args{"program_id": program, "id": domain.UUID(old[i].PhotoID), "state": string(domain.BytesAwaited), "code": nil,
				"leftover": old[i].spent(), "at": t.Now})
		}
		return nil
	})
	if err != nil {
		return err
	}
	erased, err := p.eraseOld(ctx, program)
	if done.Erased += erased; err != nil {
		return err
	}
	err = p.db.In(ctx, program, storage.Reading, func(t *storage.Tx) error {
		storage.All(t, &left, leftoverListSQL, storage.Args{"program_id": program, "limit": tidyMost})
		return nil
	})
	for i := range left {
		if err == nil {
			err = p.remove(ctx, program, &left[i])
			done.Removed++
		}
	}
	return err
}

// tidyOne removes at once what is left over of one picture. What fails here is
// tried again by Tidy.
func (p *Pictures) tidyOne(ctx context.Context, program, id domain.UUID) {
	var r *row
	err := p.db.In(ctx, program, storage.Reading, func(t *storage.Tx) (err error) {
		r, err = oneRow(t, readSQL, storage.Args{"program_id": program, "id": id})
		return err
	})
	if err == nil && len(r.Leftover) > 0 {
		err = p.remove(ctx, program, r)
	}
	if err != nil {
		p.log.Warn("what is left over of a picture could not be removed and is tried again", "photo_id", id.String(), "error", err.Error())
	}
}

// What came to be left over meanwhile stays named.
const removedSQL = `
UPDATE picture SET leftover = ARRAY(SELECT x.name FROM unnest(leftover) AS x(name) WHERE x.name <> ALL (@gone::text[]))
WHERE program_id = @program_id AND photo_id = @id`

// remove takes the leftovers of one picture out of the store, then out of its row.
func (p *Pictures) remove(ctx context.Context, program domain.UUID, r *row) error {
	for _, name := range r.Leftover {
		if err := p.store.Delete(ctx, nameOf(program, r.PhotoID, name)); err != nil {
			return told(err)
		}
	}
	return p.db.In(ctx, program, storage.Writing, func(t *storage.Tx) error {
		t.Queue(removedSQL, storage.Args{"program_id": program, "id": domain.UUID(r.PhotoID), "gone": r.Leftover})
		if domain.BytesState(r.State) != domain.BytesErased {
			return nil
		}
		return t.Audit(domain.Caller{}, "picture_removed", r.PhotoID, "sha256 "+digestText(r.SHA256)+": nothing of it is in the store any more")
	})
}
