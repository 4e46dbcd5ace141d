package pack

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
)

// Limits of what is read. A package of a program's month is some megabytes.
const (
	// DefaultMaxBytes bounds the unpacked size of a package, in bytes.
	DefaultMaxBytes = 8 << 30
	maxMembers      = 2000
	maxTagFile      = 4 << 20 // bytes of a manifest, bag-info.txt, the descriptor
)

// ErrUnreadable is wrapped by every error of Verify about the file itself.
var ErrUnreadable = errors.New("the package cannot be read")

func unreadable(format string, args ...any) error {
	return fmt.Errorf("%w: "+format, append([]any{ErrUnreadable}, args...)...)
}

// A container is an open package: members by their path inside the bag's folder.
type container struct {
	folder string
	paths  []string // in the order of the zip
	files  map[string]*zip.File
}

// openContainer refuses every trick a zip can play before a byte is unpacked.
func openContainer(r io.ReaderAt, size, maxBytes int64) (*container, error) {
	zr, err := zip.NewReader(r, size)
	if err != nil {
		return nil, unreadable("not a zip, or truncated: %v", err)
	}
	if len(zr.File) > maxMembers {
		return nil, unreadable("%d members, at most %d are read", len(zr.File), maxMembers)
	}
	c := &container{files: map[string]*zip.File{}}
	folded := map[string]bool{}
	var total uint64
	for _, f := range zr.File {
		if err := plainMember(f); err != nil {
			return nil, err
		}
		if strings.HasSuffix(f.Name, "/") {
			continue // a folder's own entry, as other programs write it
		}
		if total += f.UncompressedSize64; f.UncompressedSize64 > uint64(maxBytes) || total > uint64(maxBytes) {
			return nil, unreadable("more than %d bytes unpacked", maxBytes)
		}
		folder, path := "", f.Name
		if i := strings.IndexByte(f.Name, '/'); i >= 0 && f.Name[:i] != "data" && f.Name[:i] != "view" {
			folder, path = f.Name[:i], f.Name[i+1:]
		}
		if len(c.paths) == 0 {
			c.folder = folder
		}
		if folder != c.folder {
			return nil, unreadable("members lie in %q and in %q, one folder is expected", c.folder, folder)
		}
		if low := strings.ToLower(path); folded[low] {
			return nil, unreadable("%q stands twice", path)
		} else {
			folded[low] = true
		}
		c.paths = append(c.paths, path)
		c.files[path] = f
	}
	for _, path := range []string{bagitName, bagInfoName, manifestName, tagManifestName} {
		if c.files[path] == nil {
			return nil, unreadable("not a package: %s is missing", path)
		}
	}
	return c, nil
}

// plainMember takes regular files with a plain path, stored or deflated.
func plainMember(f *zip.File) error {
	name := f.Name
	for _, part := range strings.Split(strings.TrimSuffix(name, "/"), "/") {
		if part == "" || part == "." || part == ".." {
			return unreadable("member %q: not a plain path", name)
		}
	}
	for _, c := range []byte(name) {
		if c <= ' ' || c >= 0x7f || strings.IndexByte(`\:*?"<>|`, c) >= 0 {
			return unreadable("member %q: not a plain path", name)
		}
	}
	switch {
	case f.Flags&1 != 0:
		return unreadable("member %q is encrypted", name)
	case f.Method != zip.Store && f.Method != zip.Deflate:
		return unreadable("member %q: compression method %d, only store and deflate are read", name, f.Method)
	case !f.Mode().IsRegular() && !f.Mode().IsDir():
		return unreadable("member %q is not a regular file", name)
	case strings.HasSuffix(name, "/") && f.UncompressedSize64 != 0:
		return unreadable("member %q is a folder with content", name)
	}
	return nil
}

// read gives a whole small member.
func (c *container) read(path string) ([]byte, error) {
	f := c.files[path]
	if f == nil {
		return nil, unreadable("%s is missing", path)
	}
	if f.UncompressedSize64 > maxTagFile {
		return nil, unreadable("%s has %d bytes, at most %d are read", path, f.UncompressedSize64, maxTagFile)
	}
	return c.bytes(path)
}

// bytes gives a whole member whose size the caller has looked at.
func (c *container) bytes(path string) ([]byte, error) {
	var b bytes.Buffer
	err := c.each(path, func(r io.Reader) error {
		_, err := b.ReadFrom(r)
		return err
	})
	return b.Bytes(), err
}

// each lets use read a member; what use does not read is read for the check
// of the zip's own CRC.
func (c *container) each(path string, use func(io.Reader) error) error {
	f := c.files[path]
	in, err := f.Open()
	if err != nil {
		return unreadable("%s: %v", path, err)
	}
	defer in.Close()
	r := &sourceReader{in: io.LimitReader(in, int64(f.UncompressedSize64)+1)}
	err = use(r)
	if r.err == nil {
		_, _ = io.Copy(io.Discard, r)
	}
	if r.err != nil && r.err != io.EOF {
		return unreadable("%s: %v", path, r.err)
	}
	return err
}

// A sourceReader remembers an error of the source, to tell it from what the
// content is wrong with.
type sourceReader struct {
	in  io.Reader
	err error
}

func (s *sourceReader) Read(p []byte) (int, error) {
	n, err := s.in.Read(p)
	if err != nil {
		s.err = err
	}
	return n, err
}
