package pictures

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"time"

	"ductledger/domain"
	"ductledger/domain/picture"
	"ductledger/storage"
)

// Work runs a use of the database when there is room for it.
type Work func(context.Context, func(context.Context) error) error

// Part is how a sender sends: from where, and whether it means to end.
type Part struct {
	Offset int64
	Last   bool
	Anew   bool // what came before is dropped: the whole picture is sent
}

const (
	// ChunkBytes are made durable at once. A link that breaks loses no more than
	// the network holds, and 64 senders take 8 MB.
	ChunkBytes = 128 << 10
	// leastBytes are the least that is kept of a part that is not the last: less
	// costs more to keep than to send again, and a picture has a bounded number
	// of parts.
	leastBytes = 4 << 10
	// storeTime is what the store may take for one of them.
	storeTime = 15 * time.Second
)

// errOffset tells a sender where to go on.
func errOffset(u Upload) error {
	return &domain.Error{Code: domain.OffsetMismatch, Detail: fmt.Sprintf("%d bytes have come: go on from there", u.ReceivedCount)}
}

// Append takes what a body brings of a picture, chunk by chunk, and answers how
// far it has come, also with an error. A body that breaks off is kept as far as
// it came. work runs each use of the database.
func (p *Pictures) Append(ctx context.Context, caller domain.Caller, id domain.UUID, part Part, body io.Reader, work Work) (u Upload, err error) {
	if u, err = p.look(ctx, caller, id, work); err != nil {
		return u, err
	}
	switch {
	case u.Complete() && part.Anew:
		return u, p.same(ctx, caller, id, body, work)
	case u.Complete():
		return u, nil
	case !part.Anew && part.Offset != u.ReceivedCount:
		return u, errOffset(u)
	}
	chunk := make([]byte, ChunkBytes)
	for {
		n, ended, broken := fill(body, chunk)
		// The sender may be gone: what it sent is kept all the same.
		keep, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*storeTime)
		switch {
		case broken != nil && n < leastBytes:
			u, err = p.look(keep, caller, id, work)
		default:
			err = work(keep, func(ctx context.Context) (err error) {
				u, err = p.keep(ctx, caller, id, part, chunk[:n])
				return err
			})
		}
		cancel()
		if err == nil {
			err = broken
		}
		if err != nil || u.Complete() {
			return u, err
		}
		part.Offset, part.Anew = u.ReceivedCount, false
		if u.ReceivedCount == u.BytesCount {
			return p.finish(ctx, caller, id, work)
		}
		if !ended {
			continue
		}
		if part.Last {
			return p.refuse(ctx, caller, id, domain.Errorf(domain.DigestMismatch,
				"the picture has %d bytes and its record says %d; it is to be sent again from the beginning", u.ReceivedCount, u.BytesCount), work)
		}
		return u, nil
	}
}

// fill reads until the chunk is full, the body has ended or the way to it broke.
func fill(body io.Reader, chunk []byte) (n int, ended bool, broken error) {
	for n < len(chunk) {
		k, err := body.Read(chunk[n:])
		n += k
		if err == io.EOF {
			return n, true, nil
		}
		if err != nil {
			return n, false, err
		}
	}
	return n, false, nil
}

// same holds what is sent again against the record: other bytes than those that
// are kept must not read as taken.
func (p *Pictures) same(ctx context.Context, caller domain.Caller, id domain.UUID, body io.Reader, work Work) error {
	sum := sha256.New()
	if _, err := io.Copy(sum, body); err != nil {
		return err
	}
	return work(ctx, func(ctx context.Context) error {
		return p.db.In(ctx, caller.Program, storage.Reading, func(t *storage.Tx) error {
			r, err := oneRow(t, uploadSQL, senderArgs(caller, id))
			if err == nil && !bytes.Equal(sum.Sum(nil), r.SHA256) {
				err = domain.Errorf(domain.DigestMismatch, "the bytes are other ones than the record announced; those that are kept stay")
			}
			return err
		})
	})
}

// look is where a picture stands.
func (p *Pictures) look(ctx context.Context, caller domain.Caller, id domain.UUID, work Work) (u Upload, err error) {
	err = work(ctx, func(ctx context.Context) (err error) {
		u, err = p.Upload(ctx, caller, id)
		return err
	})
	return u, err
}

const partKeepSQL = `
UPDATE picture SET state = 'partial', part_ends = part_ends || @end::bigint, refused_code = NULL, touched_at = @at
WHERE program_id = @program_id AND photo_id = @id`

const anewSQL = `
UPDATE picture SET state = @state, attempt = attempt + 1, part_ends = '{}', leftover = leftover || @leftover::text[], refused_code = @code, touched_at = @at
WHERE program_id = @program_id AND photo_id = @id`

// keep makes one chunk durable, under the lock of the picture's row: two senders
// of one picture never write over each other, and one that comes late is told
// where the other is.
func (p *Pictures) keep(ctx context.Context, caller domain.Caller, id domain.UUID, part Part, chunk []byte) (u Upload, err error) {
	if err := take(ctx, p.writes); err != nil {
		return u, err
	}
	defer func() { <-p.writes }()
	var refused error
	err = p.db.In(ctx, caller.Program, storage.Writing, func(t *storage.Tx) error {
		refused = nil
		r, err := oneRow(t, uploadLockSQL, senderArgs(caller, id))
		if err != nil {
			return err
		}
		if u = r.upload(); u.Complete() {
			return nil
		}
		if part.Anew && r.received() > 0 {
			t.Queue(anewSQL, storage.Args{"program_id": t.Program, "id": id, "state": string(domain.BytesAwaited), "code": nil, "leftover": r.spent(), "at": t.Now})
			r.Attempt, r.PartEnds = r.Attempt+1, nil
			u = r.upload()
		}
		switch from := r.received(); {
		case part.Offset != from:
			return errOffset(u)
		case from+int64(len(chunk)) > r.BytesCount:
			return domain.At("", domain.TooLarge, "the record of this photo says that its picture has %d bytes", r.BytesCount)
		case len(chunk) == 0:
			return nil
		case len(chunk) < leastBytes && from+int64(len(chunk)) < r.BytesCount:
			detail := fmt.Sprintf("a part that is not the last has at least %d bytes, this one has %d", leastBytes, len(chunk))
			return &domain.Error{Code: domain.Invalid, Detail: detail, Faults: []domain.Fault{{Code: "too_small", Detail: detail,
				Fix: fmt.Sprintf("go on at byte %d with a larger part, or with the whole rest", from)}}}
		case from == 0:
			if refused = p.firstLook(chunk); refused != nil {
				t.Queue(anewSQL, storage.Args{"program_id": t.Program, "id": id, "state": string(domain.BytesRefused), "code": string(domain.CodeOf(refused)),
					"leftover": []string{}, "at": t.Now})
				u.State = domain.BytesRefused
				return nil
			}
		}
		put, cancel := context.WithTimeout(ctx, storeTime)
		defer cancel()
		if err := p.store.Put(put, nameOf(t.Program, id, partName(r.Attempt, r.received())), bytes.NewReader(chunk), int64(len(chunk))); err != nil {
			return told(err)
		}
		r.PartEnds = append(r.PartEnds, r.received()+int64(len(chunk)))
		r.State, u = string(domain.BytesPartial), Upload{}
		t.Queue(partKeepSQL, storage.Args{"program_id": t.Program, "id": id, "end": r.received(), "at": t.Now})
		u = r.upload()
		return nil
	})
	if err == nil {
		err = refused
	}
	return u, err
}

// firstLook refuses from its first bytes what can be no picture and what is too
// large to be decoded. A picture whose size comes later is refused when it is whole.
func (p *Pictures) firstLook(first []byte) error {
	if picture.IsFile(first) {
		return nil
	}
	_, err := picture.ReadHeader(first, p.limits)
	switch {
	case errors.Is(err, picture.ErrTooLarge):
		return domain.Errorf(domain.ImageTooLarge, "%s", err)
	case errors.Is(err, picture.ErrNoPicture):
		return domain.Errorf(domain.UnsupportedMedia, "%s; nothing else is taken", err)
	}
	return nil
}

// refuse drops what has come of a picture, for a reason.
func (p *Pictures) refuse(ctx context.Context, caller domain.Caller, id domain.UUID, why *domain.Error, work Work) (u Upload, err error) {
	err = work(ctx, func(ctx context.Context) error {
		return p.db.In(ctx, caller.Program, storage.Writing, func(t *storage.Tx) error {
			r, err := oneRow(t, uploadLockSQL, senderArgs(caller, id))
			if err != nil {
				return err
			}
			if u = r.upload(); u.Complete() {
				return nil
			}
			t.Queue(anewSQL, storage.Args{"program_id": t.Program, "id": id, "state": string(domain.BytesRefused), "code": string(why.Code), "leftover": r.spent(), "at": t.Now})
			u.State, u.ReceivedCount = domain.BytesRefused, 0
			return nil
		})
	})
	if err != nil || u.Complete() {
		return u, err
	}
	p.tidyOne(ctx, caller.Program, id)
	return u, why
}

// take waits for a place.
func take(ctx context.Context, places chan struct{}) error {
	select {
	case places <- struct{}{}:
		return nil
	case <-ctx.Done():
		return &domain.Error{Code: domain.Overloaded, RetryAfter: storeWait, Detail: "too many pictures are under way; send the same again later"}
	}
}
