package pictures

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/photos"
)

// Shape is what of a picture is asked for.
type Shape string

// The shapes of a picture.
const (
	Shown     Shape = shownName     // as decoded, upright, nothing but its pixels
	Thumbnail Shape = thumbnailName // the same, small
	Original  Shape = originalName  // as taken; for staff alone
)

// Found is a picture that may be given out.
type Found struct {
	MediaType string
	ETag      string
	Size      int64
	Image     bool // may be shown as an image; else it is a file
	open      func(context.Context) (io.ReadCloser, error)
}

// Open begins to read it.
func (f *Found) Open(ctx context.Context) (io.ReadCloser, error) { return f.open(ctx) }

const readSQL = `
SELECT ` + rowColumns + `
FROM picture AS p
WHERE p.program_id = @program_id AND p.photo_id = @id`

// Find gives a picture in a shape to who may see the photo. What is kept as a
// file, and what was taken, is for staff alone: it may tell where the home is.
func (p *Pictures) Find(ctx context.Context, caller domain.Caller, id domain.UUID, shape Shape) (f Found, err error) {
	var r *row
	var zone *time.Location
	err = p.db.In(ctx, caller.Program, storage.Reading, func(t *storage.Tx) (err error) {
		if _, err = t.Record(caller, domain.PhotoKind, id); err != nil {
			return err
		}
		if r, err = oneRow(t, readSQL, storage.Args{"program_id": t.Program, "id": id}); err != nil || domain.BytesState(r.State) != domain.BytesErased {
			return err
		}
		program, err := t.Settings()
		if err != nil {
			return err
		}
		zone, err = program.Zone()
		return err
	})
	if err != nil {
		return f, err
	}
	switch state := domain.BytesState(r.State); {
	case state == domain.BytesErased:
		return f, domain.Errorf(domain.NotFound, "the picture was erased on %s; its record and digest stay", domain.DateOf(*r.ErasedAt, zone))
	case state != domain.BytesStored:
		return f, domain.Errorf(domain.NotFound, "the picture has not arrived: it is %s", state)
	}
	f = Found{Size: storage.OrZero(r.ShownCount), MediaType: *r.MediaType, Image: r.ShownSHA256 != nil, ETag: `"` + digestText(r.ShownSHA256) + "-" + string(shape) + `"`}
	office := caller.Role == domain.Staff || caller.Role == domain.Admin
	switch {
	case !f.Image && shape == Shown:
		shape = Original
	case !f.Image && shape == Thumbnail:
		return f, domain.Errorf(domain.NotFound, "the picture is kept as a file of the type %s and has no small form", f.MediaType)
	case shape == Thumbnail:
		f.MediaType, f.Size = "image/jpeg", storage.OrZero(r.ThumbnailCount)
	}
	if shape == Original {
		if !office {
			return f, domain.Errorf(domain.Forbidden, "a picture as it was taken is for the agency's staff alone")
		}
		if !r.OriginalKept {
			return f, domain.Errorf(domain.NotFound, "the program does not keep pictures as they were taken")
		}
		f.Image, f.Size, f.ETag = false, r.BytesCount, `"`+digestText(r.SHA256)+`"`
	}
	f.open = func(ctx context.Context) (io.ReadCloser, error) {
		file, err := p.store.Get(ctx, nameOf(caller.Program, id, string(shape)))
		if errors.Is(err, photos.ErrNotFound) { // the row says that it is there: the store has lost it, or shows another folder
			err = fmt.Errorf("%w: %w", photos.ErrUnavailable, err)
		}
		return file, told(err)
	}
	return f, nil
}
