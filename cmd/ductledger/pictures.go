package main

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"ductledger/storage/photos"
	"ductledger/storage/pictures"
)

// pictureSettings say where the bytes of pictures are kept: in a folder, or in a
// bucket of S3-compatible object storage where one is named.
type pictureSettings struct {
	Pictures          string `placeholder:"FOLDER" help:"Where pictures are kept; in a backup it goes with the database. Without, pictures in the service's own folder of state (STATE_DIRECTORY, else XDG_DATA_HOME/ductledger)."`
	PicturesBucket    string `placeholder:"BUCKET" help:"Keep pictures in this bucket of S3-compatible object storage, in place of a folder."`
	PicturesEndpoint  string `placeholder:"ADDRESS" help:"Where the object storage is: https://host, with a port where it has its own."`
	PicturesRegion    string `placeholder:"REGION" help:"The region of the bucket, where the storage has regions."`
	PicturesAccessKey string `placeholder:"KEY" help:"Who may use the bucket."`
	PicturesKeyFile   string `placeholder:"FILE" help:"File with the secret of the access key, readable by its owner only."`
}

// place opens where pictures are kept. Where no folder is named and none can be
// made the service starts all the same: pictures wait, records are taken.
func (s *pictureSettings) place(log *slog.Logger) (photos.Store, func(), error) {
	none := func() {}
	if s.PicturesBucket != "" {
		secret, err := secretIn(s.PicturesKeyFile)
		if err != nil {
			return nil, none, fmt.Errorf("--pictures-key-file: %w", err)
		}
		bucket, err := photos.OpenBucket(photos.BucketSettings{Endpoint: s.PicturesEndpoint, Bucket: s.PicturesBucket, Region: s.PicturesRegion,
			AccessKey: s.PicturesAccessKey, SecretKey: string(bytes.TrimSpace(secret))})
		return bucket, none, err
	}
	name := cmp.Or(s.Pictures, ownFolder())
	folder, err := photos.OpenFolder(name)
	switch {
	case err != nil && s.Pictures == "":
		log.Warn("there is no place for pictures: name one with --pictures; until then they wait on the devices", "error", err.Error())
		return nil, none, nil
	case err != nil:
		return nil, none, fmt.Errorf("--pictures: %w", err)
	}
	if err := folder.RemoveUnfinished(time.Now().Add(-unfinishedTime)); err != nil {
		log.Warn("what was left half written among the pictures could not be removed", "error", err.Error())
	}
	return folder, func() { _ = folder.Close() }, nil
}

// unfinishedTime is the age from which a half-written file belongs to a process
// that is gone: another instance may be writing younger ones.
const unfinishedTime = time.Hour

// ownFolder is where the service keeps its state on this machine.
func ownFolder() string {
	if state := os.Getenv("STATE_DIRECTORY"); state != "" { // set by the service manager, one or several with colons
		first, _, _ := strings.Cut(state, ":")
		return filepath.Join(first, "pictures")
	}
	data := os.Getenv("XDG_DATA_HOME")
	if data == "" {
		home, err := os.UserHomeDir()
		if err != nil {
			return "" // refused by whoever opens it
		}
		data = filepath.Join(home, ".local", "share")
	}
	return filepath.Join(data, "ductledger", "pictures")
}

// tidyInterval is how often leftovers are removed and what is no longer kept is
// erased.
const tidyInterval = 5 * time.Minute

func tidyPictures(ctx context.Context, taken *pictures.Pictures, log *slog.Logger) {
	if taken == nil {
		return
	}
	tick := time.NewTicker(tidyInterval)
	defer tick.Stop()
	for {
		done, err := taken.Tidy(ctx)
		if err != nil && ctx.Err() == nil {
			log.Warn("pictures could not be tidied and are looked at again", "error", err.Error())
		} else if done != (pictures.Tidied{}) {
			log.Info("pictures were tidied", "given_up", done.Given, "removed", done.Removed, "erased", done.Erased)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}
