package bag

import (
	"archive/zip"
	"crypto/sha256"
	"encoding/hex"
	"hash"
	"io"
	"regexp"
)

var viewForm = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,60}\.[a-z0-9]{1,8}$`)

// A tally passes bytes on, and knows their number and SHA-256.
type tally struct {
	out  io.Writer
	sum  hash.Hash
	size int64
}

func newTally(out io.Writer) *tally { return &tally{out: out, sum: sha256.New()} }

func (t *tally) Write(p []byte) (int, error) {
	n, err := t.out.Write(p)
	t.sum.Write(p[:n])
	t.size += int64(n)
	return n, err
}

func (t *tally) hex() string { return hex.EncodeToString(t.sum.Sum(nil)) }

// listed is a line of a manifest.
type listed struct {
	path, sha256 string
	size         int64
}

// A member is one file inside the zip while it is written.
type member struct {
	*tally
	path string
}

func (m *member) listed() listed { return listed{m.path, m.hex(), m.size} }

// member begins a file below the package's folder. Its time is the as-of
// time, never the hour of the build.
func (w *Writer) member(path string) *member {
	if w.err != nil {
		return &member{newTally(io.Discard), path}
	}
	h := &zip.FileHeader{Name: w.head.Name() + "/" + path, Method: zip.Deflate, Modified: w.head.AsOf.UTC()}
	h.SetMode(0o644)
	out, err := w.zip.CreateHeader(h)
	if err != nil {
		_ = w.fail(err)
		out = io.Discard
	}
	return &member{newTally(out), path}
}

// whole writes a small member.
func (w *Writer) whole(path string, content []byte) listed {
	m := w.member(path)
	if _, err := m.Write(content); err != nil {
		_ = w.fail(err)
	}
	return m.listed()
}

func (w *Writer) tag(path string, content []byte) { w.tags = append(w.tags, w.whole(path, content)) }
