package photos_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ductledger/storage/photos"
	"ductledger/storage/storagetest"
)

func TestBucket(t *testing.T) {
	t.Parallel()
	dir, address := t.TempDir(), storagetest.FreeAddress(t)
	if err := os.Mkdir(filepath.Join(dir, "pictures"), 0o755); err != nil {
		t.Fatal(err)
	}
	settings := photos.BucketSettings{Endpoint: "http://" + address, Bucket: "pictures", Region: "us-east-1", AccessKey: storagetest.BucketKey, SecretKey: storagetest.BucketSecret}
	b, err := photos.OpenBucket(settings) // opened while it is away: a start must not depend on it
	if err != nil {
		t.Fatal(err)
	}
	put := func() error {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		return b.Put(ctx, "p/a/part-0", strings.NewReader("x"), 1)
	}
	if err := put(); !errors.Is(err, photos.ErrUnavailable) {
		t.Errorf("storage that is away: %v", err)
	}
	stop := storagetest.ServeBucket(t, dir, address)
	holds(t, b)
	stop()
	if err := put(); !errors.Is(err, photos.ErrUnavailable) {
		t.Errorf("storage that went away: %v", err)
	}
	t.Cleanup(storagetest.ServeBucket(t, dir, address))
	if err := put(); err != nil {
		t.Errorf("storage that came back: %v", err)
	}

	for name, change := range map[string]func(*photos.BucketSettings){
		"a wrong key":        func(s *photos.BucketSettings) { s.SecretKey = "another" },
		"a bucket not there": func(s *photos.BucketSettings) { s.Bucket = "nowhere" },
	} {
		s := settings
		change(&s)
		other, err := photos.OpenBucket(s)
		if err != nil {
			t.Fatal(err)
		}
		if err := other.Check(t.Context()); !errors.Is(err, photos.ErrUnavailable) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestBucketSettings(t *testing.T) {
	t.Parallel()
	good := photos.BucketSettings{Endpoint: "https://storage.example:9000", Bucket: "b", AccessKey: "a", SecretKey: "s"}
	if _, err := photos.OpenBucket(good); err != nil {
		t.Errorf("%v", err)
	}
	for name, change := range map[string]func(*photos.BucketSettings){
		"no scheme": func(s *photos.BucketSettings) { s.Endpoint = "storage.example" },
		"ftp":       func(s *photos.BucketSettings) { s.Endpoint = "ftp://storage.example" },
		"a path":    func(s *photos.BucketSettings) { s.Endpoint += "/b" },
		"no bucket": func(s *photos.BucketSettings) { s.Bucket = "" },
		"no key":    func(s *photos.BucketSettings) { s.AccessKey = "" },
		"no secret": func(s *photos.BucketSettings) { s.SecretKey = "" },
	} {
		s := good
		change(&s)
		if _, err := photos.OpenBucket(s); err == nil {
			t.Errorf("%s: opened", name)
		}
	}
}
