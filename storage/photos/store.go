package photos

import (
	"context"
	"errors"
	"fmt"
	"io"
	"regexp"
)

// What a store may answer, to be asked for with errors.Is.
var (
	ErrNotFound    = errors.New("no such bytes")
	ErrFull        = errors.New("the store of pictures is full")
	ErrUnavailable = errors.New("the store of pictures cannot be reached")
)

// Store keeps bytes by name.
type Store interface {
	// Put writes size bytes of r under a name, in place of what stood there.
	// It is durable and whole when it returns nil, and has changed nothing
	// otherwise. A reader that gives fewer or more bytes is an error.
	Put(ctx context.Context, name string, r io.Reader, size int64) error
	// Get opens the bytes of a name, ErrNotFound where there are none.
	Get(ctx context.Context, name string) (io.ReadCloser, error)
	// Delete forgets a name. One that is not there is forgotten already.
	Delete(ctx context.Context, name string) error
	// Check says whether the store can be written to now.
	Check(ctx context.Context) error
}

// names that a store accepts: nothing climbs out of the folder, nothing is
// hidden, nothing depends on upper and lower case.
var names = regexp.MustCompile(`^[a-z0-9][a-z0-9.-]{0,99}(/[a-z0-9][a-z0-9.-]{0,99}){0,7}$`)

func checkName(name string) error {
	if !names.MatchString(name) {
		return fmt.Errorf("a name of stored bytes is up to eight segments of lower-case letters, digits, '-' and '.', not %q", name)
	}
	return nil
}

// errAnnounced: the sender said another length than it sent.
var errAnnounced = errors.New("the bytes are not as many as were announced")

// exactly passes on just size bytes. A body that was cut short or that runs on
// ends in errAnnounced before its last bytes are passed on, so that it is never
// kept as if it were whole.
type exactly struct {
	r    io.Reader
	left int64
}

func (e *exactly) Read(p []byte) (int, error) {
	if e.left == 0 {
		return 0, io.EOF
	}
	if int64(len(p)) > e.left {
		p = p[:e.left]
	}
	n, err := e.r.Read(p)
	e.left -= int64(n)
	if err == io.EOF && e.left > 0 {
		return n, errAnnounced
	}
	if e.left == 0 {
		var one [1]byte
		if more, end := io.ReadFull(e.r, one[:]); more > 0 {
			return 0, errAnnounced
		} else if end != io.EOF {
			return 0, end
		}
		return n, nil
	}
	return n, err
}
