package photos

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"syscall"
	"time"
)

// Folder keeps bytes in files below one folder.
//
// Bytes are written to a temporary name, synced and renamed; then the folder
// is synced, since a rename alone may be lost when the power goes. All names
// are resolved below the folder by the operating system: a link that leads
// out of it is refused.
type Folder struct{ root *os.Root }

// temporary is the folder of files that are being written. What a killed
// process left there is removed at the next start.
const temporary = "writing"

// OpenFolder opens a folder as a store and makes it where it is missing, for
// the service's own user alone.
func OpenFolder(dir string) (*Folder, error) {
	if err := os.MkdirAll(filepath.Join(dir, temporary), 0o700); err != nil {
		return nil, fmt.Errorf("make the folder of pictures: %w", err)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, fmt.Errorf("open the folder of pictures: %w", err)
	}
	return &Folder{root}, nil
}

// Close lets the folder go.
func (f *Folder) Close() error { return f.root.Close() }

// Put writes a file. See Store.
func (f *Folder) Put(_ context.Context, name string, r io.Reader, size int64) (err error) {
	if err := checkName(name); err != nil {
		return err
	}
	var random [16]byte
	if _, err := rand.Read(random[:]); err != nil {
		return err
	}
	partial := path.Join(temporary, hex.EncodeToString(random[:]))
	file, err := f.root.OpenFile(partial, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return told("make", name, err)
	}
	defer func() {
		if err != nil {
			_ = file.Close()
			_ = f.root.Remove(partial)
		}
	}()
	if _, err = io.Copy(file, &exactly{r, size}); err != nil {
		return told("write", name, err)
	}
	if err = file.Sync(); err != nil {
		return told("sync", name, err)
	}
	if err = file.Close(); err != nil {
		return told("close", name, err)
	}
	if err = f.root.MkdirAll(path.Dir(name), 0o700); err != nil {
		return told("make the folder of", name, err)
	}
	if err = f.root.Rename(partial, name); err != nil {
		return told("name", name, err)
	}
	// A new folder's own name stands in the folder above it.
	for dir := path.Dir(name); ; dir = path.Dir(dir) {
		if err := f.syncFolder(dir); err != nil {
			return told("sync the folder of", name, err)
		}
		if dir == "." {
			return nil
		}
	}
}

func (f *Folder) syncFolder(dir string) error {
	d, err := f.root.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

// Get opens a file. See Store.
func (f *Folder) Get(_ context.Context, name string) (io.ReadCloser, error) {
	if err := checkName(name); err != nil {
		return nil, err
	}
	file, err := f.root.Open(name)
	if err != nil {
		return nil, told("open", name, err)
	}
	if info, err := file.Stat(); err != nil || !info.Mode().IsRegular() {
		_ = file.Close()
		return nil, fmt.Errorf("open %s: %w", name, ErrNotFound)
	}
	return file, nil
}

// Delete removes a file and the folder that it leaves empty. See Store.
func (f *Folder) Delete(_ context.Context, name string) error {
	if err := checkName(name); err != nil {
		return err
	}
	if err := f.root.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return told("remove", name, err)
	}
	dir := path.Dir(name)
	if dir == "." {
		return nil
	}
	_ = f.root.Remove(dir) // fails while other files stand in it, as it should
	return nil
}

// Check writes and removes a small file.
func (f *Folder) Check(ctx context.Context) error {
	const probe = "probe"
	if err := f.Put(ctx, probe, io.LimitReader(rand.Reader, 1), 1); err != nil {
		return err
	}
	return f.Delete(ctx, probe)
}

// RemoveUnfinished removes what killed processes left half written before a
// moment. Younger files another process may still be writing.
func (f *Folder) RemoveUnfinished(before time.Time) error {
	d, err := f.root.Open(temporary)
	if err != nil {
		return told("open", temporary, err)
	}
	entries, err := d.ReadDir(-1)
	_ = d.Close()
	if err != nil {
		return told("list", temporary, err)
	}
	for _, e := range entries {
		if about, err := e.Info(); err == nil && about.ModTime().After(before) {
			continue
		}
		if err := f.root.Remove(path.Join(temporary, e.Name())); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return told("remove", e.Name(), err)
		}
	}
	return nil
}

// told names what was attempted and turns the system's errors into ours.
func told(did, name string, err error) error {
	kind := err
	switch {
	case errors.Is(err, fs.ErrNotExist):
		kind = ErrNotFound
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		kind = ErrFull
	case errors.Is(err, syscall.EIO), errors.Is(err, syscall.EROFS), errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.ESTALE), errors.Is(err, syscall.EMFILE):
		kind = ErrUnavailable
	}
	if kind != err {
		return fmt.Errorf("%s %s: %w: %w", did, name, kind, err)
	}
	return fmt.Errorf("%s %s: %w", did, name, err)
}
