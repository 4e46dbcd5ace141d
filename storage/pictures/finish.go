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
	"ductledger/storage/photos"
)

// finishTime is what reading, decoding and storing one whole picture may take,
// its wait for a place included.
const finishTime = 100 * time.Second

// made is what was made of a whole picture and stands in the store.
type made struct {
	picture.Cleaned
	original bool
}

// finish makes of all parts what may be shown, in order: the record's digest is
// asked for, the picture decoded and encoded anew, and what is shown stored; then
// the row says so; then the parts go. A sender that left meanwhile is not waited
// for.
func (p *Pictures) finish(ctx context.Context, caller domain.Caller, id domain.UUID, work Work) (u Upload, err error) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), finishTime)
	defer cancel()
	if err := take(ctx, p.decodes); err != nil {
		return u, err
	}
	defer func() { <-p.decodes }()
	var r *row
	var set *domain.RuleSet
	err = work(ctx, func(ctx context.Context) error {
		return p.db.In(ctx, caller.Program, storage.Reading, func(t *storage.Tx) (err error) {
			if r, err = oneRow(t, uploadSQL, senderArgs(caller, id)); err == nil {
				set, err = t.RuleSetToday()
			}
			return err
		})
	})
	if err != nil {
		return u, err
	}
	if u = r.upload(); u.Complete() {
		return u, nil
	}
	if u.ReceivedCount != u.BytesCount {
		return u, errOffset(u)
	}
	m, err := p.make(ctx, caller.Program, r, set)
	var why *domain.Error
	if errors.As(err, &why) && why.Code != domain.Overloaded && why.Code != domain.StorageFull {
		return p.refuse(ctx, caller, id, why, work)
	}
	if err != nil {
		return u, err
	}
	err = work(ctx, func(ctx context.Context) error {
		return p.db.In(ctx, caller.Program, storage.Writing, func(t *storage.Tx) (err error) {
			u, err = p.settle(t, caller, r, m)
			return err
		})
	})
	if err == nil {
		p.tidyOne(ctx, caller.Program, id)
	}
	return u, err
}

// make reads the parts, holds them against the record's digest and stores what
// may be shown of them.
func (p *Pictures) make(ctx context.Context, program domain.UUID, r *row, set *domain.RuleSet) (m made, err error) {
	sum := sha256.New()
	var first bytes.Buffer
	whole := p.open(ctx, program, r)
	_, err = io.Copy(io.MultiWriter(sum, &headOf{&first}), whole)
	whole.Close()
	if err != nil {
		return m, err
	}
	if !bytes.Equal(sum.Sum(nil), r.SHA256) {
		return m, domain.Errorf(domain.DigestMismatch, "the bytes are other ones than the record announced; they are to be sent again from the beginning")
	}
	put := func(name string, from io.Reader, size int64) error {
		return told(p.store.Put(ctx, nameOf(program, r.PhotoID, name), from, size))
	}
	m.original = set.KeepsOriginalPictures != nil && *set.KeepsOriginalPictures
	if picture.IsFile(first.Bytes()) {
		m.original, m.MediaType = true, picture.HEIC
	} else if m.Cleaned, err = p.clean(ctx, program, r); err != nil {
		return m, err
	}
	if m.Shown != nil {
		if err := put(shownName, bytes.NewReader(m.Shown), int64(len(m.Shown))); err != nil {
			return m, err
		}
		if err := put(thumbnailName, bytes.NewReader(m.Thumbnail), int64(len(m.Thumbnail))); err != nil {
			return m, err
		}
	}
	if m.original {
		whole := p.open(ctx, program, r)
		defer whole.Close()
		return m, put(originalName, whole, r.BytesCount)
	}
	return m, nil
}

func (p *Pictures) clean(ctx context.Context, program domain.UUID, r *row) (picture.Cleaned, error) {
	if p.isLarge(ctx, program, r) {
		if err := take(ctx, p.large); err != nil {
			return picture.Cleaned{}, err
		}
		defer func() { <-p.large }()
	}
	whole := p.open(ctx, program, r)
	defer whole.Close()
	c, err := picture.Clean(whole, p.limits)
	switch {
	case errors.Is(err, picture.ErrTooLarge):
		return c, domain.Errorf(domain.ImageTooLarge, "%s", err)
	case errors.Is(err, picture.ErrNoPicture):
		return c, domain.Errorf(domain.UnsupportedMedia, "%s; nothing else is taken", err)
	case errors.Is(err, picture.ErrUnreadable):
		return c, domain.Errorf(domain.ImageUnreadable, "%s; take the picture again where it still can be taken, as a new photo", err)
	}
	return c, err
}

// isLarge tells from its header whether a picture takes much memory when decoded:
// three bytes a pixel as a photo, up to eight as a drawing. What has no header in
// its first bytes is refused by who decodes it.
func (p *Pictures) isLarge(ctx context.Context, program domain.UUID, r *row) bool {
	whole := p.open(ctx, program, r)
	defer whole.Close()
	first := make([]byte, min(r.BytesCount, picture.HeaderBytes))
	if _, err := io.ReadFull(whole, first); err != nil {
		return false
	}
	h, err := picture.ReadHeader(first, p.limits)
	each := 3
	if h.MediaType == picture.PNG {
		each = 8
	}
	return err == nil && h.WidthPx*h.HeightPx*each > largeBytes
}

// headOf keeps the first bytes that are written.
type headOf struct{ *bytes.Buffer }

func (h *headOf) Write(b []byte) (int, error) {
	const most = 64
	if room := most - h.Len(); room > 0 {
		h.Buffer.Write(b[:min(room, len(b))])
	}
	return len(b), nil
}

// open reads the parts of a picture end to end.
func (p *Pictures) open(ctx context.Context, program domain.UUID, r *row) *partsReader {
	return &partsReader{ctx: ctx, p: p, program: program, row: r}
}

type partsReader struct {
	ctx     context.Context
	p       *Pictures
	program domain.UUID
	row     *row
	next    int // part
	left    int64
	part    io.ReadCloser
}

// Read goes on to the next part where one ends. A part that is not there, or not
// as long as its row says, is a picture that has to be sent again.
func (w *partsReader) Read(b []byte) (int, error) {
	for w.part == nil || w.left == 0 {
		w.Close()
		if w.next == len(w.row.PartEnds) {
			return 0, io.EOF
		}
		from := int64(0)
		if w.next > 0 {
			from = w.row.PartEnds[w.next-1]
		}
		part, err := w.p.store.Get(w.ctx, nameOf(w.program, w.row.PhotoID, partName(w.row.Attempt, from)))
		if errors.Is(err, photos.ErrNotFound) {
			return 0, errPartLost
		}
		if err != nil {
			return 0, told(err)
		}
		w.part, w.left = part, w.row.PartEnds[w.next]-from
		w.next++
	}
	n, err := w.part.Read(b[:min(int64(len(b)), w.left)])
	w.left -= int64(n)
	if err == io.EOF {
		err = nil
		if w.left > 0 {
			err = errPartLost
		}
	}
	if err != nil && !errors.Is(err, errPartLost) {
		err = told(fmt.Errorf("%w: %w", photos.ErrUnavailable, err))
	}
	return n, err
}

// errPartLost: the store lacks what the row says it has.
var errPartLost = domain.Errorf(domain.DigestMismatch, "a part of the picture is not there any more; the picture is to be sent again from the beginning")

// Close lets the open part go.
func (w *partsReader) Close() {
	if w.part != nil {
		_ = w.part.Close()
		w.part = nil
	}
}

const settleSQL = `
UPDATE picture SET state = 'stored', part_ends = '{}', leftover = leftover || @leftover::text[], refused_code = NULL, touched_at = @at,
    stored_at = @at, stored_by_token = @token_id, media_type = @media_type, shown_sha256 = @shown_sha256, shown_count = @shown_count,
    thumbnail_count = @thumbnail_count, width_px = @width_px, height_px = @height_px, original_kept = @original, likeness = @likeness
WHERE program_id = @program_id AND photo_id = @id`

const leftoverSQL = `
UPDATE picture SET leftover = leftover || @leftover::text[] WHERE program_id = @program_id AND photo_id = @id`

// settle lets the row say what the store has, and judges the job again.
func (p *Pictures) settle(t *storage.Tx, caller domain.Caller, r *row, m made) (u Upload, err error) {
	t.LockJob(r.JobID)
	now, err := oneRow(t, uploadLockSQL, senderArgs(caller, r.PhotoID))
	if err != nil {
		return u, err
	}
	switch domain.BytesState(now.State) {
	case domain.BytesStored: // another sender was faster, with the same bytes
		return now.upload(), nil
	case domain.BytesErased:
		t.Queue(leftoverSQL, storage.Args{"program_id": t.Program, "id": domain.UUID(r.PhotoID), "leftover": kept()})
		return now.upload(), nil
	}
	args := storage.Args{"program_id": t.Program, "id": domain.UUID(r.PhotoID), "leftover": now.spent(), "at": t.Now, "token_id": caller.Token,
		"media_type": m.MediaType, "shown_sha256": nil, "shown_count": nil, "thumbnail_count": nil, "width_px": nil, "height_px": nil,
		"original": m.original, "likeness": storage.OrNull(int64(m.Digest))}
	if m.Shown != nil {
		sum := sha256.Sum256(m.Shown)
		args["shown_sha256"], args["shown_count"], args["thumbnail_count"] = sum[:], len(m.Shown), len(m.Thumbnail)
		args["width_px"], args["height_px"] = m.WidthPx, m.HeightPx
	}
	t.Queue(settleSQL, args)
	if err := t.JudgeAgain(r.JobID); err != nil {
		return u, err
	}
	now.State = string(domain.BytesStored)
	return now.upload(), p.noteLikes(t, r, m.Digest)
}

// kept are the names of what may be in the store of a stored picture.
func kept() []string { return []string{shownName, thumbnailName, originalName} }
