package device

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"

	"ductledger/api/wire"
	"ductledger/domain"

	"github.com/go-json-experiment/json"
)

// An Album is where the phone keeps the pictures that it took.
type Album interface {
	// Picture gives the bytes of a photo's picture; ErrNoPicture where the phone
	// has none.
	Picture(photo domain.UUID) ([]byte, error)
}

// ErrNoPicture says that the phone does not have a picture: another one took it.
var ErrNoPicture = errors.New("this phone does not have the picture")

// pictureParts are sent at once, in bytes: the most that the service takes.
const pictureParts = 1 << 20

// SendPictures sends the pictures that the service still waits for from this
// device, the smallest first. It is called after Sync, and does nothing while the
// link is not one that the crew's settings allow for pictures.
//
// The service says what it has: nothing about pictures is kept on the phone but
// the pictures. They may go from it once none is owed any more.
func (d *Device) SendPictures(ctx context.Context) error {
	if d.o.Album == nil || d.o.PictureLink != nil && !d.o.PictureLink() {
		return nil
	}
	var start struct {
		Owed []wire.Upload `json:"pictures_owed"`
	}
	if err := d.get(ctx, "/v1/sync", &start); err != nil {
		return err
	}
	d.picturesOwed = nil
	var failed []error
	for _, u := range start.Owed {
		content, err := d.o.Album.Picture(u.PhotoID)
		if errors.Is(err, ErrNoPicture) {
			continue
		}
		if err == nil {
			err = d.sendPicture(ctx, u.PhotoID, u.ReceivedCount, content)
		}
		var refused *Problem
		switch {
		case err == nil:
		case errors.As(err, &refused) && !refused.passing(): // it will not become right: the next ones may
			failed = append(failed, fmt.Errorf("photo %s: %w", u.PhotoID, err))
		default:
			d.picturesOwed = append(d.picturesOwed, start.Owed...)
			return errors.Join(append(failed, err)...)
		}
	}
	return errors.Join(failed...)
}

// sendPicture sends a picture from an offset on. After each break it asks how
// much has come; a break after which more has come is no failure.
func (d *Device) sendPicture(ctx context.Context, photo domain.UUID, offset int64, content []byte) error {
	path := "/v1/photos/" + photo.String() + "/bytes"
	for try := 1; ; {
		if offset > int64(len(content)) {
			return fmt.Errorf("photo %s: the service has more of it than the phone", photo)
		}
		end := min(offset+pictureParts, int64(len(content)))
		u, err := d.part(ctx, path, offset, content[offset:end], end == int64(len(content)))
		if err == nil {
			if u.BytesState == domain.BytesStored || u.BytesState == domain.BytesErased {
				return nil
			}
			offset, try = u.ReceivedCount, 1
			continue
		}
		var p *Problem
		switch {
		case errors.As(err, &p) && p.ReceivedCount != nil && p.Code == "offset_mismatch":
			offset = *p.ReceivedCount
		case !d.again(ctx, err) || try >= d.o.Tries:
			return err
		default:
			if err := d.pause(ctx, try, err); err != nil {
				return err
			}
			if came, err := d.received(ctx, path); err == nil {
				if came > offset {
					try = 0
				}
				offset = came
			}
		}
		try++
	}
}

// part sends one part.
func (d *Device) part(ctx context.Context, path string, offset int64, part []byte, last bool) (u wire.Upload, err error) {
	complete := "?0"
	if last {
		complete = "?1"
	}
	answer, _, err := d.exchange(ctx, http.MethodPatch, path, part, http.Header{"Content-Type": {"application/partial-upload"},
		"Upload-Offset": {strconv.FormatInt(offset, 10)}, "Upload-Complete": {complete}})
	if err != nil {
		return u, err
	}
	return u, json.Unmarshal(answer, &u)
}

// received asks how much of a picture has come.
func (d *Device) received(ctx context.Context, path string) (int64, error) {
	_, header, err := d.exchange(ctx, http.MethodHead, path, nil, nil)
	if err != nil {
		return 0, err
	}
	return strconv.ParseInt(header.Get("Upload-Offset"), 10, 64)
}
