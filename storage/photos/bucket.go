package photos

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"
)

// Bucket keeps bytes as objects of S3-compatible object storage. An object is
// replaced as a whole by the storage itself, and is durable when it answers.
type Bucket struct {
	client *minio.Client
	bucket string
}

// BucketSettings say where a bucket is and who may use it.
type BucketSettings struct {
	Endpoint  string // https://host:port; plain http for a host of one's own alone
	Bucket    string
	Region    string
	AccessKey string
	SecretKey string
}

// OpenBucket opens a bucket as a store. It does not ask whether the bucket is
// there: storage that is away for a while must not stop the service's start.
func OpenBucket(s BucketSettings) (*Bucket, error) {
	at, err := url.Parse(s.Endpoint)
	if err != nil || at.Host == "" || (at.Scheme != "https" && at.Scheme != "http") || at.Path != "" {
		return nil, fmt.Errorf("the address of object storage is https://host or https://host:port, not %q", s.Endpoint)
	}
	if s.Bucket == "" || s.AccessKey == "" || s.SecretKey == "" {
		return nil, errors.New("object storage needs a bucket, an access key and a secret key")
	}
	client, err := minio.New(at.Host, &minio.Options{
		Creds:  credentials.NewStaticV4(s.AccessKey, s.SecretKey, ""),
		Secure: at.Scheme == "https", Region: s.Region,
		// The sender tries again after its own time; waiting here would hold its place.
		MaxRetries: 2,
	})
	if err != nil {
		return nil, fmt.Errorf("open object storage: %w", err)
	}
	return &Bucket{client, s.Bucket}, nil
}

// Put writes an object. See Store.
func (b *Bucket) Put(ctx context.Context, name string, r io.Reader, size int64) error {
	if err := checkName(name); err != nil {
		return err
	}
	_, err := b.client.PutObject(ctx, b.bucket, name, &exactly{r, size}, size,
		minio.PutObjectOptions{ContentType: "application/octet-stream", DisableMultipart: true})
	return answered("write", name, err)
}

// Get opens an object. See Store.
func (b *Bucket) Get(ctx context.Context, name string) (io.ReadCloser, error) {
	if err := checkName(name); err != nil {
		return nil, err
	}
	object, err := b.client.GetObject(ctx, b.bucket, name, minio.GetObjectOptions{})
	if err == nil {
		_, err = object.Stat() // the first look is made here, so that a missing object is told at once
	}
	if err != nil {
		if object != nil {
			_ = object.Close()
		}
		return nil, answered("open", name, err)
	}
	return object, nil
}

// Delete removes an object. See Store.
func (b *Bucket) Delete(ctx context.Context, name string) error {
	if err := checkName(name); err != nil {
		return err
	}
	err := answered("remove", name, b.client.RemoveObject(ctx, b.bucket, name, minio.RemoveObjectOptions{}))
	if errors.Is(err, ErrNotFound) {
		return nil
	}
	return err
}

// Check writes and removes a small object.
func (b *Bucket) Check(ctx context.Context) error {
	const probe = "probe"
	if err := b.Put(ctx, probe, bytes.NewReader([]byte{0}), 1); err != nil {
		return err
	}
	return b.Delete(ctx, probe)
}

// answered turns the storage's answers into ours. Whatever is no answer of the
// storage is a way to it that fails.
func answered(did, name string, err error) error {
	if err == nil {
		return nil
	}
	kind := ErrUnavailable
	var answer minio.ErrorResponse
	switch {
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return fmt.Errorf("%s %s: %w", did, name, err)
	case errors.As(err, &answer) && (answer.Code == minio.NoSuchKey || answer.StatusCode == http.StatusNotFound && answer.Code != minio.NoSuchBucket):
		kind = ErrNotFound
	case errors.As(err, &answer) && (answer.StatusCode == http.StatusInsufficientStorage || answer.Code == "QuotaExceeded"):
		kind = ErrFull
	case errors.Is(err, errAnnounced):
		return fmt.Errorf("%s %s: %w", did, name, err)
	}
	return fmt.Errorf("%s %s: %w: %w", did, name, kind, err)
}
