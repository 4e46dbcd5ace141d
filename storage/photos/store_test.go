package photos_test

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ductledger/storage/photos"
)

// holds tries what every store promises.
func holds(t *testing.T, s photos.Store) {
	t.Helper()
	ctx := t.Context()
	put := func(name, content string) error {
		return s.Put(ctx, name, strings.NewReader(content), int64(len(content)))
	}
	read := func(name string) string {
		r, err := s.Get(ctx, name)
		if err != nil {
			return err.Error()
		}
		defer r.Close()
		b, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	if err := s.Check(ctx); err != nil {
		t.Fatalf("check: %v", err)
	}
	if _, err := s.Get(ctx, "p1/a/shown"); !errors.Is(err, photos.ErrNotFound) {
		t.Errorf("nothing stored yet: %v", err)
	}
	big := strings.Repeat("0123456789abcdef", 3<<16) // 3 MiB
	for name, content := range map[string]string{"p1/a/part-0": "one", "p1/a/shown": big, "p2/a/shown": "", "p1/b/shown": "two"} {
		if err := put(name, content); err != nil {
			t.Fatalf("put %s: %v", name, err)
		}
		if got := read(name); got != content {
			t.Errorf("%s holds %d bytes, put %d", name, len(got), len(content))
		}
	}
	if err := put("p1/a/part-0", "another"); err != nil || read("p1/a/part-0") != "another" {
		t.Errorf("put again: %v, holds %q", err, read("p1/a/part-0"))
	}

	// A body of another length than was announced changes nothing.
	for _, wrong := range []int64{6, 8} {
		if err := s.Put(ctx, "p1/a/part-0", strings.NewReader("changed"), wrong); err == nil {
			t.Errorf("7 bytes announced as %d were taken", wrong)
		}
		if got := read("p1/a/part-0"); got != "another" {
			t.Errorf("after a body of a wrong length: %q", got)
		}
	}
	cut := io.MultiReader(strings.NewReader("chan"), errReader{})
	if err := s.Put(ctx, "p1/a/part-0", cut, 7); err == nil || read("p1/a/part-0") != "another" {
		t.Errorf("a body that broke: %v, holds %q", err, read("p1/a/part-0"))
	}

	for range 2 { // twice: what is gone is gone
		if err := s.Delete(ctx, "p1/a/shown"); err != nil {
			t.Errorf("delete: %v", err)
		}
	}
	if _, err := s.Get(ctx, "p1/a/shown"); !errors.Is(err, photos.ErrNotFound) {
		t.Errorf("deleted: %v", err)
	}
	if read("p1/a/part-0") != "another" || read("p2/a/shown") != "" {
		t.Error("a delete took more than its own name")
	}

	for _, name := range []string{"", "/p", "p/", "../p", "p/../q", "p//q", ".p", "p/.q", "P", "a b", "a\\b", "a\x00b", strings.Repeat("a", 101), strings.Repeat("a/", 8) + "a"} {
		if err := put(name, "x"); err == nil {
			t.Errorf("the name %q was taken", name)
		}
		if _, err := s.Get(ctx, name); err == nil || errors.Is(err, photos.ErrNotFound) {
			t.Errorf("the name %q was looked for: %v", name, err)
		}
		if err := s.Delete(ctx, name); err == nil {
			t.Errorf("the name %q was removed", name)
		}
	}
}

type errReader struct{}

func (errReader) Read([]byte) (int, error) { return 0, errors.New("the link broke") }

func open(t *testing.T, dir string) *photos.Folder {
	t.Helper()
	f, err := photos.OpenFolder(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = f.Close() })
	return f
}

func TestFolder(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "pictures")
	f := open(t, dir)
	holds(t, f)
	if left, err := os.ReadDir(filepath.Join(dir, "writing")); err != nil || len(left) > 0 {
		t.Errorf("files half written are left: %v %v", left, err)
	}
	info, err := os.Stat(filepath.Join(dir, "p1", "b", "shown"))
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("others may read a picture: %v %v", info, err)
	}
}

// What a killed process left half written goes at the next start; what is
// whole stays.
func TestFolderAfterAKill(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	f := open(t, dir)
	if err := f.Put(t.Context(), "p/a/shown", strings.NewReader("whole"), 5); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "writing", "0a"), []byte("hal"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := f.RemoveUnfinished(time.Now().Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	if left, err := os.ReadDir(filepath.Join(dir, "writing")); err != nil || len(left) > 0 {
		t.Errorf("left: %v %v", left, err)
	}
	r, err := f.Get(t.Context(), "p/a/shown")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if b, _ := io.ReadAll(r); !bytes.Equal(b, []byte("whole")) {
		t.Errorf("%q", b)
	}
}

// A link planted in the folder leads nowhere.
func TestFolderLinksDoNotLeadOut(t *testing.T) {
	t.Parallel()
	outside, dir := t.TempDir(), t.TempDir()
	f := open(t, dir)
	if err := os.WriteFile(filepath.Join(outside, "secret"), []byte("secret"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(outside, filepath.Join(dir, "p")); err != nil {
		t.Fatal(err)
	}
	if r, err := f.Get(t.Context(), "p/secret"); err == nil {
		_ = r.Close()
		t.Error("a link was followed out of the folder to read")
	}
	if err := f.Put(t.Context(), "p/new", strings.NewReader("x"), 1); err == nil {
		t.Error("a link was followed out of the folder to write")
	}
	if _, err := os.Stat(filepath.Join(outside, "new")); err == nil {
		t.Error("a file stands outside the folder")
	}
}
