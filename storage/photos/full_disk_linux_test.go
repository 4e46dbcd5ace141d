package photos_test

import (
	"errors"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"ductledger/storage/photos"
)

// On a disk that is full nothing is half written, what is there stays, and the
// store says that it is full. The disk is one of 256 kB in memory; only root may
// mount it.
func TestFolderOnAFullDisk(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if err := syscall.Mount("none", dir, "tmpfs", 0, "size=256k,mode=0700"); errors.Is(err, syscall.EPERM) || errors.Is(err, syscall.EACCES) {
		t.Skipf("a small disk cannot be mounted: %v", err)
	} else if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, syscall.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	f := open(t, filepath.Join(dir, "pictures"))
	content := strings.Repeat("0123456789abcdef", 6<<10) // 96 KiB
	put := func(name string) error {
		return f.Put(t.Context(), name, strings.NewReader(content), int64(len(content)))
	}
	for _, name := range []string{"p/a/shown", "p/b/shown"} {
		if err := put(name); err != nil {
			t.Fatal(err)
		}
	}
	for range 3 {
		if err := put("p/c/shown"); !errors.Is(err, photos.ErrFull) {
			t.Errorf("the third of 96 kB on 256 kB: %v", err)
		}
	}
	if _, err := f.Get(t.Context(), "p/c/shown"); !errors.Is(err, photos.ErrNotFound) {
		t.Errorf("what had no room: %v", err)
	}
	if err := f.Delete(t.Context(), "p/a/shown"); err != nil {
		t.Fatal(err)
	}
	if err := put("p/c/shown"); err != nil {
		t.Errorf("with room again: %v", err)
	}
}
