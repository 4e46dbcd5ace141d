package api_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/photos"
	"ductledger/storage/storagetest"
)

// sendPart sends a part of a picture.
func sendPart(a *apitest.API, id domain.UUID, content []byte, offset, end int) apitest.Answer {
	complete := "?0"
	if end == len(content) {
		complete = "?1"
	}
	return a.Do(domain.Field, "PATCH", pictureAt(id), content[offset:end], "Content-Type", "application/partial-upload",
		"Upload-Offset", fmt.Sprint(offset), "Upload-Complete", complete)
}

// waits holds an answer to be told when to come again, and sees that pushes go on
// meanwhile.
func waits(a *apitest.API, what string, answer apitest.Answer, status int) {
	a.T.Helper()
	if answer.Status != status || answer.Header.Get("Retry-After") == "" {
		a.T.Errorf("%s: %d, Retry-After %q: %s", what, answer.Status, answer.Header.Get("Retry-After"), answer.Body)
	}
	must(a, a.Tokens[domain.Staff], item(domain.HomeKind, storagetest.ID(), 0, domain.Home{SectionCount: 1}))
}

// A picture goes through the API into object storage of others' making and back:
// record, parts, the whole picture and the small one. While the storage is away
// senders and readers are told to wait, and when it is back the upload goes on
// where it was.
func TestPicturesInABucket(t *testing.T) {
	t.Parallel()
	dir, address := t.TempDir(), storagetest.FreeAddress(t)
	if err := os.Mkdir(filepath.Join(dir, "pictures"), 0o755); err != nil {
		t.Fatal(err)
	}
	bucket, err := photos.OpenBucket(photos.BucketSettings{Endpoint: "http://" + address, Bucket: "pictures", Region: "us-east-1",
		AccessKey: storagetest.BucketKey, SecretKey: storagetest.BucketSecret})
	if err != nil {
		t.Fatal(err)
	}
	stop := storagetest.ServeBucket(t, dir, address)
	a := apitest.ServeFrom(t, bucket)
	job := a.Job(t)
	content := withPlace(asJPEG(t, noise(31, 900, 700)), 6)
	id, later := recorded(a, job, content), recorded(a, job, asJPEG(t, noise(32, 90, 70)))
	const first = 300_000
	sendPart(a, id, content, 0, first).Want(200)

	stop()
	waits(a, "a part while the storage is away", sendPart(a, id, content, first, len(content)), 503)
	waits(a, "another picture", a.Do(domain.Field, "PUT", pictureAt(later), asJPEG(t, noise(32, 90, 70)), "Content-Type", "image/jpeg"), 503)
	t.Cleanup(storagetest.ServeBucket(t, dir, address))
	if r := a.Do(domain.Field, "HEAD", pictureAt(id), nil).Want(204); r.Header.Get("Upload-Offset") != fmt.Sprint(first) {
		t.Errorf("what came before: %v", r.Header)
	}
	for at := first; at < len(content); {
		end := min(at+1<<20, len(content))
		sendPart(a, id, content, at, end).Want(200)
		at = end
	}
	for path, size := range map[string]image.Point{"/bytes": {X: 700, Y: 900}, "/thumbnail": {X: 248, Y: 320}} { // 320 on the longer side
		r := a.Do(domain.Staff, "GET", "/v1/photos/"+id.String()+path, nil).Want(200)
		got, _, err := image.DecodeConfig(bytes.NewReader(r.Body))
		if err != nil || got.Width != size.X || got.Height != size.Y {
			t.Errorf("%s: %d × %d, %v", path, got.Width, got.Height, err)
		}
		if bytes.Contains(r.Body, []byte(planted)) {
			t.Errorf("%s tells the place", path)
		}
	}
	a.Do(domain.Staff, "POST", pictureAt(id)+"/erase", `{"why":"asked"}`).Want(200)
	err = filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err == nil && !d.IsDir() && strings.Contains(path, id.String()) {
			t.Errorf("erased, and in the storage stands %s", path)
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
}

// limited is a place for pictures that has no more room, or is not there.
type limited struct {
	photos.Store
	mu  sync.Mutex
	why error
}

func (l *limited) set(why error) { l.mu.Lock(); l.why = why; l.mu.Unlock() }

func (l *limited) now() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.why == nil {
		return nil
	}
	return fmt.Errorf("tried: %w", l.why)
}

func (l *limited) Put(ctx context.Context, name string, r io.Reader, size int64) error {
	if err := l.now(); err != nil {
		return err
	}
	return l.Store.Put(ctx, name, r, size)
}

func (l *limited) Get(ctx context.Context, name string) (io.ReadCloser, error) {
	if err := l.now(); err != nil && !errors.Is(err, photos.ErrFull) { // what is full can be read
		return nil, err
	}
	return l.Store.Get(ctx, name)
}

// A full place answers 507 and one that is away 503, both with the time after
// which to come again; pushes go on, and afterwards so does the upload.
func TestAPlaceThatIsFullOrAway(t *testing.T) {
	t.Parallel()
	folder, err := photos.OpenFolder(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = folder.Close() })
	place := &limited{Store: folder}
	a := apitest.ServeFrom(t, place)
	job := a.Job(t)
	content, small := asJPEG(t, noise(33, 900, 700)), asJPEG(t, noise(34, 64, 64))
	id, stored := recorded(a, job, content), recorded(a, job, small)
	a.Do(domain.Field, "PUT", pictureAt(stored), small, "Content-Type", "image/jpeg").Want(200)
	const first = 200_000
	sendPart(a, id, content, 0, first).Want(200)
	for _, c := range []struct {
		why        error
		sent, read int
	}{{photos.ErrFull, 507, 200}, {photos.ErrUnavailable, 503, 503}} {
		place.set(c.why)
		waits(a, "a part", sendPart(a, id, content, first, 2*first), c.sent)
		waits(a, "a whole picture", a.Do(domain.Field, "PUT", pictureAt(recorded(a, job, small)), small, "Content-Type", "image/jpeg"), c.sent)
		if r := a.Do(domain.Staff, "GET", pictureAt(stored), nil); r.Status != c.read {
			t.Errorf("%v: a stored picture is answered %d", c.why, r.Status)
		}
	}
	place.set(nil)
	if r := a.Do(domain.Field, "HEAD", pictureAt(id), nil).Want(204); r.Header.Get("Upload-Offset") != fmt.Sprint(first) {
		t.Errorf("what came before: %v", r.Header)
	}
	if r := sendPart(a, id, content, first, len(content)).Want(200); r.Header.Get("Upload-Complete") != "?1" {
		t.Errorf("with room again: %s", r.Body)
	}
	a.Do(domain.Staff, "GET", pictureAt(id), nil).Want(200)
}

// HEIC is kept as a file, as it was taken: for staff and admin alone, never shown
// inside a page, and without a small form. Its place stays with them.
func TestHEICIsAFileForStaff(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	job := a.Job(t)
	// ISO/IEC 23008-12: a box "ftyp" that names the brand heic. [mem]
	content := append([]byte("\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic"), strings.Repeat("invented"+planted, 300)...)
	id := recorded(a, job, content, func(p *domain.Photo) { p.MediaType = "image/heic" })
	a.Do(domain.Field, "PUT", pictureAt(id), content, "Content-Type", "image/heic").Want(200)
	one := "/v1/photos/" + id.String()
	for _, role := range []domain.Role{domain.Staff, domain.Admin} {
		r := a.Do(role, "GET", one+"/bytes", nil).Want(200)
		if !bytes.Equal(r.Body, content) || r.Header.Get("Content-Type") != "image/heic" || !strings.HasPrefix(r.Header.Get("Content-Disposition"), "attachment;") ||
			r.Header.Get("X-Content-Type-Options") != "nosniff" || !strings.Contains(r.Header.Get("Content-Security-Policy"), "sandbox") {
			t.Errorf("%s: %d bytes of %d, %v", role, len(r.Body), len(content), r.Header)
		}
		a.Do(role, "GET", one+"/thumbnail", nil).Want(404)
	}
	for _, role := range domain.Roles {
		for _, path := range []string{one, one + "/versions", one + "/bytes", one + "/bytes?original=true", one + "/thumbnail", "/v1/changes?after=0", "/v1/sync"} {
			if office := role == domain.Staff || role == domain.Admin; office && strings.Contains(path, "/bytes") {
				continue
			}
			if r := a.Do(role, "GET", path, nil); bytes.Contains(r.Body, []byte(planted)) {
				t.Errorf("%s reads the place at %s", role, path)
			}
		}
	}
	var e struct {
		State string `json:"bytes_state"`
	}
	if a.Do(domain.Field, "GET", one, nil).Want(200).Into(&e); e.State != "stored" {
		t.Errorf("the record says %q", e.State)
	}
	if pictures := a.Do(domain.Staff, "GET", "/v1/jobs/"+job.String()+"/file?pictures=true", nil).Want(200); bytes.Contains(pictures.Body, []byte(planted)) {
		t.Error("the file of the job tells the place")
	}
}
