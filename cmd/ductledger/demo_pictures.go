package main

import (
	"context"
	"log/slog"
	"os"

	"ductledger/api/device"
	"ductledger/cmd/ductledger/fixture"
	"ductledger/domain"
	"ductledger/storage/photos"
)

// demoPlace is a folder for the pictures of a demo, gone when it ends.
func demoPlace() (place *photos.Folder, remove func(), err error) {
	dir, err := os.MkdirTemp("", "ductledger-demo-pictures-")
	if err != nil {
		return nil, nil, err
	}
	if place, err = photos.OpenFolder(dir); err != nil {
		return nil, nil, err
	}
	return place, func() { _ = place.Close(); _ = os.RemoveAll(dir) }, nil
}

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

// sendPictures lets the phones send the pictures of the last days' jobs, once the
// demo is served: records come first.
func (s *seeding) sendPictures(ctx context.Context, url string, log *slog.Logger) {
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
			phone, err := device.Open(device.Options{URL: url, Token: season.phoneTokens[crew], ID: crew.Device, Now: s.clock.now, Album: books[crew]})
			if err == nil {
				err = phone.SendPictures(ctx)
			}
			if err != nil && ctx.Err() == nil {
				log.Warn("an invented phone could not send its pictures", "error", err.Error())
			}
		}
	}
}
