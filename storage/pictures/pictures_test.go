package pictures_test

import (
	"bytes"
	"compress/zlib"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/picture"
	"ductledger/storage"
	"ductledger/storage/photos"
	"ductledger/storage/pictures"
	"ductledger/storage/storagetest"
)

func TestMain(m *testing.M) { storagetest.Main(m) }

func storageToken(role domain.Role, contractor domain.UUID) storage.Token {
	return storage.Token{Role: role, Name: "Invented " + storagetest.ID().String(), ContractorID: contractor}
}

// noisy is a photo of a given seed that does not compress well: some 0.7 MB.
func noisy(t testing.TB, seed uint64) []byte {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 1))
	m := image.NewRGBA(image.Rect(0, 0, 800, 600))
	for y := range 600 {
		for x := range 800 {
			shade := uint8(((x / 100) ^ (y / 75) ^ int(seed)) * 31)
			m.SetRGBA(x, y, color.RGBA{shade ^ uint8(r.Uint32()&63), shade, uint8(r.Uint32()), 255})
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// scene is a program with a job and a store on disk.
type scene struct {
	*storagetest.World
	clock *storagetest.Clock
	store *photos.Folder
	dir   string
	job   domain.UUID
}

func newScene(t *testing.T) *scene {
	t.Helper()
	db, clock := storagetest.Open(t)
	s := &scene{World: storagetest.Program(t, db), clock: clock, dir: t.TempDir()}
	var err error
	if s.store, err = photos.OpenFolder(s.dir); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.store.Close() })
	s.job = s.Job(t)
	return s
}

// photo records a photo of the bytes.
func (s *scene) photo(t testing.TB, content []byte, change ...func(*domain.Photo)) domain.UUID {
	t.Helper()
	sum := sha256.Sum256(content)
	id := storagetest.ID()
	record := &domain.Photo{JobID: s.job, SHA256: hex.EncodeToString(sum[:]), BytesCount: int64(len(content)), MediaType: "image/jpeg", WidthPx: 800, HeightPx: 600,
		TakenAt: s.clock.Now(), Stage: domain.SurveyStage, Subjects: []domain.PhotoSubject{{Kind: domain.JobKind, ID: s.job}}}
	for _, c := range change {
		c(record)
	}
	s.Must(t, s.Field, storagetest.Item(t, id, record))
	return id
}

// atOnce runs each use of the database without waiting for room.
func atOnce(ctx context.Context, do func(context.Context) error) error { return do(ctx) }

// send sends what is missing of a picture in parts, as a phone does.
func send(p *pictures.Pictures, caller domain.Caller, id domain.UUID, content []byte, part int) (pictures.Upload, error) {
	ctx := context.Background()
	for {
		u, err := p.Upload(ctx, caller, id)
		if err != nil || u.Complete() {
			return u, err
		}
		end := min(u.ReceivedCount+int64(part), int64(len(content)))
		u, err = p.Append(ctx, caller, id, pictures.Part{Offset: u.ReceivedCount, Last: end == int64(len(content))}, bytes.NewReader(content[u.ReceivedCount:end]), atOnce)
		if err != nil || u.Complete() {
			return u, err
		}
	}
}

// files are the names in the store, without those that are being written.
func (s *scene) files(t testing.TB) (names []string) {
	t.Helper()
	err := filepath.WalkDir(s.dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			names = append(names, strings.TrimPrefix(path, s.dir+"/"))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	slices.Sort(names)
	return names
}

func read(t testing.TB, p *pictures.Pictures, caller domain.Caller, id domain.UUID, shape pictures.Shape) []byte {
	t.Helper()
	f, err := p.Find(context.Background(), caller, id, shape)
	if err != nil {
		t.Fatal(err)
	}
	file, err := f.Open(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	b, err := io.ReadAll(file)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// breaking is a store whose process ends at one of its operations, before or
// after it took effect: from then on nothing comes through.
type breaking struct {
	photos.Store
	mu    sync.Mutex
	left  int
	after bool
	dead  bool
}

var errKilled = errors.New("the process was killed")

func (b *breaking) op(do func() error) error {
	b.mu.Lock()
	dead := b.dead
	b.left--
	dies := b.left < 0
	b.dead = b.dead || dies
	b.mu.Unlock()
	switch { // not under the lock: writing one thing may read others
	case dead:
		return errKilled
	case dies && b.after:
		_ = do()
		return errKilled
	case dies:
		return errKilled
	}
	return do()
}

func (b *breaking) Put(ctx context.Context, name string, r io.Reader, size int64) error {
	return b.op(func() error { return b.Store.Put(ctx, name, r, size) })
}

func (b *breaking) Get(ctx context.Context, name string) (file io.ReadCloser, err error) {
	err = b.op(func() (err error) { file, err = b.Store.Get(ctx, name); return err })
	if err != nil && file != nil {
		_ = file.Close()
	}
	return file, err
}

func (b *breaking) Delete(ctx context.Context, name string) error {
	return b.op(func() error { return b.Store.Delete(ctx, name) })
}

// Wherever the process ends, what is left is the whole picture or an upload that
// goes on: never a wrong one, and nothing stays in the store that no row names.
func TestKilledAtEveryStep(t *testing.T) {
	t.Parallel()
	s := newScene(t)
	s.Must(t, s.Admin, storagetest.Item(t, storagetest.ID(), &domain.RuleSet{Name: "originals", FromOn: "2026-10-02", KeepsOriginalPictures: new(true)}))
	s.clock.Move(48 * time.Hour)
	content := noisy(t, 1)
	want, err := picture.Clean(bytes.NewReader(content), picture.DefaultLimits())
	if err != nil {
		t.Fatal(err)
	}
	steps := 0
	for n, reached := 0, true; reached; n++ {
		for _, after := range []bool{false, true} {
			name := fmt.Sprintf("step %d, after it %v", n, after)
			id := s.photo(t, content, func(p *domain.Photo) { p.TakenAt = p.TakenAt.Add(time.Duration(n) * time.Second) })
			broken := &breaking{Store: s.store, left: n, after: after}
			_, _ = send(pictures.New(s.DB, broken, nil), s.Field, id, content, 300<<10)
			if reached = broken.dead; !reached {
				continue
			}
			steps++
			p := pictures.New(s.DB, s.store, nil)
			u, err := send(p, s.Field, id, content, 300<<10)
			if err != nil || u.State != domain.BytesStored {
				t.Fatalf("%s: %s, %v", name, u.State, err)
			}
			if !bytes.Equal(read(t, p, s.Staff, id, pictures.Shown), want.Shown) || !bytes.Equal(read(t, p, s.Field, id, pictures.Thumbnail), want.Thumbnail) ||
				!bytes.Equal(read(t, p, s.Staff, id, pictures.Original), content) {
				t.Errorf("%s: the picture is another one", name)
			}
			if _, err := p.Tidy(context.Background()); err != nil {
				t.Fatal(err)
			}
			of := slices.DeleteFunc(s.files(t), func(file string) bool { return !strings.Contains(file, id.String()) })
			at := s.Program.String() + "/" + id.String() + "/"
			if !slices.Equal(of, []string{at + "original", at + "shown", at + "thumbnail"}) {
				t.Errorf("%s: in the store stand %v", name, of)
			}
		}
	}
	if steps < 20 {
		t.Errorf("only %d steps", steps)
	}
}

// What is sent may be anything. Refused is what no record announced or what
// cannot be opened, and the upload can begin anew.
func TestWhatIsRefused(t *testing.T) {
	t.Parallel()
	s := newScene(t)
	p := pictures.New(s.DB, s.store, nil)
	content := noisy(t, 2)
	other := slices.Clone(content)
	other[len(other)/2] ^= 1
	page := []byte("<html><script>alert(1)</script></html>" + strings.Repeat(" ", 5000))
	for name, c := range map[string]struct {
		announced, sent []byte
		code            domain.Code
	}{
		"other bytes":         {content, other, domain.DigestMismatch},
		"fewer bytes":         {content, content[:len(content)-5000], domain.DigestMismatch},
		"more bytes":          {content[:len(content)-9000], content, domain.TooLarge},
		"a page":              {page, page, domain.UnsupportedMedia},
		"cut as announced":    {content[:len(content)/2], content[:len(content)/2], domain.ImageUnreadable},
		"144 million pixels":  {bomb(), bomb(), domain.ImageTooLarge},
		"a page in a picture": {append(slices.Clone(content[:600]), page...), append(slices.Clone(content[:600]), page...), domain.ImageUnreadable},
	} {
		id := s.photo(t, c.announced)
		if _, err := p.Append(context.Background(), s.Field, id, pictures.Part{Last: true}, bytes.NewReader(c.sent), atOnce); domain.CodeOf(err) != c.code {
			t.Errorf("%s: %v, want %s", name, err, c.code)
		}
		if u, err := p.Upload(context.Background(), s.Field, id); err != nil || u.Complete() || c.code != domain.TooLarge && (u.ReceivedCount != 0 || u.State != domain.BytesRefused) {
			t.Errorf("%s: then %+v, %v", name, u, err)
		}
		if _, err := p.Find(context.Background(), s.Staff, id, pictures.Shown); domain.CodeOf(err) != domain.NotFound {
			t.Errorf("%s: shown all the same: %v", name, err)
		}
		if c.code == domain.DigestMismatch {
			if u, err := p.Append(context.Background(), s.Field, id, pictures.Part{Anew: true, Last: true}, bytes.NewReader(c.announced), atOnce); err != nil || u.State != domain.BytesStored {
				t.Errorf("%s: sent again right: %+v, %v", name, u, err)
			}
			if _, err := p.Append(context.Background(), s.Field, id, pictures.Part{Anew: true, Last: true}, bytes.NewReader(c.sent), atOnce); domain.CodeOf(err) != domain.DigestMismatch {
				t.Errorf("%s: sent again wrong: %v", name, err)
			}
		}
	}
	if _, err := p.Tidy(context.Background()); err != nil {
		t.Fatal(err)
	}
	for _, file := range s.files(t) {
		if strings.Contains(file, "part-") && !strings.Contains(file, "part-0-") {
			t.Errorf("left over: %s", file)
		}
	}
}

// bomb is a whole PNG of 12,000 × 12,000 pixels in some 20 kB (PNG, third
// edition, 5 to 11 [mem]): one bit a pixel on the wire, a byte each when decoded.
func bomb() []byte {
	const side = 12_000
	chunk := func(out []byte, name string, content []byte) []byte {
		out = binary.BigEndian.AppendUint32(out, uint32(len(content)))
		body := append([]byte(name), content...)
		return binary.BigEndian.AppendUint32(append(out, body...), crc32.ChecksumIEEE(body))
	}
	header := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, side), side)
	var rows bytes.Buffer
	z := zlib.NewWriter(&rows)
	for range side {
		_, _ = z.Write(make([]byte, 1+side/8))
	}
	_ = z.Close()
	out := chunk([]byte("\x89PNG\r\n\x1a\n"), "IHDR", append(header, 1, 0, 0, 0, 0))
	return chunk(chunk(out, "IDAT", rows.Bytes()), "IEND", nil)
}

// Two senders at once, and one that comes late with what it had in its buffer:
// each learns where the picture stands, and it is right in the end.
func TestManySendersOfOnePicture(t *testing.T) {
	t.Parallel()
	s := newScene(t)
	p := pictures.New(s.DB, s.store, nil)
	content := noisy(t, 3)
	id := s.photo(t, content)
	var senders sync.WaitGroup
	for range 6 {
		senders.Go(func() {
			for range 50 {
				if u, err := send(p, s.Field, id, content, 100<<10); err == nil && u.Complete() {
					return
				} else if err != nil && domain.CodeOf(err) != domain.OffsetMismatch {
					t.Error(err)
					return
				}
			}
		})
	}
	senders.Wait()
	want, err := picture.Clean(bytes.NewReader(content), picture.DefaultLimits())
	if err != nil || !bytes.Equal(read(t, p, s.Field, id, pictures.Shown), want.Shown) {
		t.Errorf("another picture came out, %v", err)
	}
}

// away is a store that can be taken away.
type away struct {
	photos.Store
	mu  sync.Mutex
	err error
}

func (a *away) set(err error) { a.mu.Lock(); a.err = err; a.mu.Unlock() }
func (a *away) now() error    { a.mu.Lock(); defer a.mu.Unlock(); return a.err }

func (a *away) Put(ctx context.Context, name string, r io.Reader, size int64) error {
	if err := a.now(); err != nil {
		return err
	}
	return a.Store.Put(ctx, name, r, size)
}

func (a *away) Get(ctx context.Context, name string) (io.ReadCloser, error) {
	if err := a.now(); err != nil {
		return nil, err
	}
	return a.Store.Get(ctx, name)
}

func (a *away) Delete(ctx context.Context, name string) error {
	if err := a.now(); err != nil {
		return err
	}
	return a.Store.Delete(ctx, name)
}

// A store that is full or gone loses nothing and stops no push; when it is back
// the uploads go on where they were.
func TestStoreThatVanishes(t *testing.T) {
	t.Parallel()
	s := newScene(t)
	store := &away{Store: s.store}
	p := pictures.New(s.DB, store, nil)
	content, whole := noisy(t, 4), noisy(t, 5)
	id, stored := s.photo(t, content), s.photo(t, whole)
	ctx := context.Background()
	if u, err := send(p, s.Field, stored, whole, 1<<20); err != nil || !u.Complete() {
		t.Fatal(u, err)
	}
	if u, err := p.Append(ctx, s.Field, id, pictures.Part{}, bytes.NewReader(content[:300<<10]), atOnce); err != nil || u.ReceivedCount != 300<<10 {
		t.Fatal(u, err)
	}
	for _, c := range []struct {
		err  error
		code domain.Code
	}{{photos.ErrFull, domain.StorageFull}, {photos.ErrUnavailable, domain.Overloaded}} {
		store.set(fmt.Errorf("tried: %w", c.err))
		u, err := p.Append(ctx, s.Field, id, pictures.Part{Offset: 300 << 10}, bytes.NewReader(content[300<<10:]), atOnce)
		var told *domain.Error
		if !errors.As(err, &told) || told.Code != c.code || told.RetryAfter == 0 {
			t.Errorf("%s: %+v, %v", c.code, u, err)
		}
		if f, err := p.Find(ctx, s.Field, stored, pictures.Shown); err != nil {
			t.Error(err)
		} else if _, err := f.Open(ctx); domain.CodeOf(err) != c.code {
			t.Errorf("read: %v", err)
		}
		if _, err := p.Erase(ctx, s.Staff, s.photo(t, noisy(t, 6)), "a test"); err != nil { // the push goes on, and so does what must no longer be shown
			t.Error(err)
		}
	}
	store.set(nil)
	if u, err := send(p, s.Field, id, content, 200<<10); err != nil || u.State != domain.BytesStored {
		t.Errorf("%+v, %v", u, err)
	}
	if _, err := p.Tidy(ctx); err != nil {
		t.Error(err)
	}
	// A folder that is another one, empty: nothing is found, and nothing is taken for lost.
	if err := os.RemoveAll(filepath.Join(s.dir, s.Program.String())); err != nil {
		t.Fatal(err)
	}
	f, err := p.Find(ctx, s.Field, stored, pictures.Shown)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Open(ctx); domain.CodeOf(err) != domain.Overloaded {
		t.Errorf("an empty folder: %v", err)
	}
}

// Who may send, read and erase, and what nobody of another program learns.
func TestWhoMay(t *testing.T) {
	t.Parallel()
	s := newScene(t)
	p := pictures.New(s.DB, s.store, nil)
	ctx := context.Background()
	content := noisy(t, 7)
	id := s.photo(t, content)
	other := storagetest.Program(t, s.DB)
	rival := storagetest.ID()
	s.Must(t, s.Staff, storagetest.Item(t, rival, &domain.Contractor{Name: "Other Invented Sealing"}))
	stranger := storagetest.Token(t, s.DB, storageToken(domain.Field, rival), s.Program)
	firm := storagetest.Token(t, s.DB, storageToken(domain.ContractorRole, s.Contractor), s.Program)
	colleague := storagetest.Token(t, s.DB, storageToken(domain.Field, s.Contractor), s.Program)
	inspector := storagetest.Token(t, s.DB, storageToken(domain.Inspector, domain.UUID{}), s.Program)
	for name, caller := range map[string]domain.Caller{"another program": other.Field, "its staff": other.Staff, "another contractor": stranger, "an inspector": inspector} {
		if _, err := p.Upload(ctx, caller, id); domain.CodeOf(err) != domain.NotFound {
			t.Errorf("%s looks: %v", name, err)
		}
		if _, err := p.Append(ctx, caller, id, pictures.Part{Last: true}, bytes.NewReader(content), atOnce); domain.CodeOf(err) != domain.NotFound {
			t.Errorf("%s sends: %v", name, err)
		}
	}
	// A colleague's phone sends half, and the phone that took it the rest after
	// the job was given away.
	if _, err := p.Append(ctx, colleague, id, pictures.Part{}, bytes.NewReader(content[:300<<10]), atOnce); err != nil {
		t.Error(err)
	}
	s.Must(t, s.Staff, storagetest.On(storagetest.Item(t, s.job, &domain.Job{HomeID: s.Home, ContractorID: rival, PayBasis: domain.Measured, State: domain.Assigned}), 1))
	if u, err := send(p, s.Field, id, content, 300<<10); err != nil || !u.Complete() {
		t.Errorf("after reassignment: %+v, %v", u, err)
	}
	for name, c := range map[string]struct {
		caller domain.Caller
		shape  pictures.Shape
		code   domain.Code
	}{
		"staff": {s.Staff, pictures.Shown, ""}, "the new crew": {stranger, pictures.Thumbnail, ""},
		"the old crew": {s.Field, pictures.Shown, domain.NotFound}, "an office": {firm, pictures.Shown, domain.NotFound},
		"another program": {other.Admin, pictures.Shown, domain.NotFound}, "an inspector": {inspector, pictures.Shown, domain.NotFound},
		"the original for a crew":  {stranger, pictures.Original, domain.Forbidden},
		"the original, never kept": {s.Admin, pictures.Original, domain.NotFound},
	} {
		_, err := p.Find(ctx, c.caller, id, c.shape)
		if c.code == "" && err != nil || c.code != "" && domain.CodeOf(err) != c.code {
			t.Errorf("%s: %v, want %q", name, err, c.code)
		}
	}
	if _, err := p.Erase(ctx, other.Admin, id, "x"); domain.CodeOf(err) != domain.NotFound {
		t.Errorf("erased by another program: %v", err)
	}
}
