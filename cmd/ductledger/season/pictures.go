package season

import (
	"context"
	"log/slog"

	"ductledger/api/device"
	"ductledger/cmd/ductledger/fixture"
	"ductledger/domain"
)

// sketchbook is the album of the invented phones.
type sketchbook map[domain.UUID]*domain.Photo

// Picture draws the picture of a photo.
func (b sketchbook) Picture(id domain.UUID) ([]byte, error) {
	photo, known := b[id]
	if !known {
		return nil, device.ErrNoPicture
	}
	return fixture.Sketch(id, photo), nil
}

// SendPictures lets the phones send the pictures of the last days' jobs, once the
// demo is served: records come first.
func (s *Past) SendPictures(ctx context.Context, url string, log *slog.Logger) {
	for _, season := range []*season{s.main, s.other} {
		books := map[*fixture.Crew]sketchbook{}
		for _, plan := range season.fixture.Plans {
			if !plan.Pictured {
				continue
			}
			if books[plan.Crew] == nil {
				books[plan.Crew] = sketchbook{}
			}
			work := plan.Work()
			for _, item := range append(work.Sent, work.Cure...) {
				if photo, ok := item.Record.(*domain.Photo); ok {
					books[plan.Crew][item.ID] = photo
				}
			}
		}
		for _, crew := range season.fixture.Crews {
			if len(books[crew]) == 0 {
				continue
			}
			phone, err := device.Open(device.Options{URL: url, Token: season.phoneTokens[crew], ID: crew.Device, Now: s.Clock.Now, Album: books[crew]})
			if err == nil {
				err = phone.SendPictures(ctx)
			}
			if err != nil && ctx.Err() == nil {
				log.Warn("an invented phone could not send its pictures", "error", err.Error())
			}
		}
	}
}
