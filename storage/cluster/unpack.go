package cluster

import (
	"archive/tar"
	"archive/zip"
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"strings"

	"github.com/ulikunitz/xz"
)

// unpack writes what an archive holds into a new folder: a .tgz, a .txz, or a
// .jar with a .txz in it. No entry gets outside the folder.
func unpack(file, folder string) error {
	f, err := os.Open(file)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	var packed io.Reader = f
	if info, err := f.Stat(); err != nil {
		return err
	} else if inner, err := innerArchive(f, info.Size()); err != nil {
		return err
	} else if inner != nil {
		defer func() { _ = inner.Close() }()
		packed = inner
	}
	plain, err := decompress(bufio.NewReaderSize(packed, 1<<20))
	if err != nil {
		return err
	}
	if err := os.Mkdir(folder, 0o755); err != nil {
		return err
	}
	root, err := os.OpenRoot(folder)
	if err != nil {
		return err
	}
	defer func() { _ = root.Close() }()
	entries := tar.NewReader(plain)
	for {
		entry, err := entries.Next()
		if errors.Is(err, io.EOF) {
			return openFolders(root)
		}
		if err != nil {
			return err
		}
		if err := write(root, entry, entries); err != nil {
			return fmt.Errorf("%s: %w", entry.Name, err)
		}
	}
}

// innerArchive is the .txz of a .jar, nil where the file is no .jar.
func innerArchive(f *os.File, size int64) (io.ReadCloser, error) {
	jar, err := zip.NewReader(f, size)
	if err != nil {
		return nil, nil //nolint:nilerr // no .jar, then
	}
	for _, member := range jar.File {
		if strings.HasSuffix(member.Name, ".txz") {
			return member.Open()
		}
	}
	return nil, errors.New("it holds no .txz")
}

func decompress(packed *bufio.Reader) (io.Reader, error) {
	first, err := packed.Peek(6)
	if err != nil {
		return nil, fmt.Errorf("it is too short: %w", err)
	}
	switch {
	case bytes.HasPrefix(first, []byte{0x1f, 0x8b}): // RFC 1952 §2.3.1
		return gzip.NewReader(packed)
	case bytes.Equal(first, []byte{0xfd, '7', 'z', 'X', 'Z', 0}): // The .xz File Format §2.1.1.1
		return xz.NewReader(packed)
	}
	return nil, errors.New("it is neither a .tgz, a .txz nor a .jar")
}

// write puts one entry of a tar archive under root, readable for the user that
// the server runs as.
func write(root *os.Root, entry *tar.Header, content io.Reader) error {
	name := path.Clean(entry.Name)
	if parent := path.Dir(name); parent != "." {
		if err := root.MkdirAll(parent, 0o755); err != nil {
			return err
		}
	}
	switch entry.Typeflag {
	case tar.TypeDir:
		return root.MkdirAll(name, 0o755)
	case tar.TypeSymlink:
		return root.Symlink(entry.Linkname, name)
	case tar.TypeLink:
		return root.Link(path.Clean(entry.Linkname), name)
	case tar.TypeReg:
		mode := entry.FileInfo().Mode().Perm()&0o755 | 0o444
		f, err := root.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, mode)
		if err != nil {
			return err
		}
		_, err = io.Copy(f, content)
		return errors.Join(err, f.Chmod(mode), f.Close())
	}
	return nil // Postgres needs nothing else
}

// openFolders lets the user that the server runs as through, whatever the umask.
func openFolders(root *os.Root) error {
	return fs.WalkDir(root.FS(), ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || !d.IsDir() {
			return err
		}
		return root.Chmod(name, 0o755)
	})
}
