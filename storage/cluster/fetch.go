package cluster

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"mime"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"syscall"
	"time"
)

const (
	answerTimeout = 4 * time.Second  // of the repository; with an engine's 5 s the user waits less than 10 s
	stallTimeout  = 20 * time.Second // without a byte
	lockPoll      = 100 * time.Millisecond
	maxArchive    = 500 << 20 // bytes; the known archives have 8 to 25 MB
)

// cacheFolder is where fetched programs lie, shared by all runs of a user. Root
// runs the server as somebody else, who cannot enter root's home: its cache is
// the machine's.
func cacheFolder(o Options) (string, error) {
	base := o.cache
	switch {
	case base != "":
	case os.Geteuid() == 0 && os.Getenv("XDG_CACHE_HOME") == "":
		base = "/var/cache"
		if runtime.GOOS == "darwin" {
			base = "/Library/Caches"
		}
	default:
		var err error
		if base, err = os.UserCacheDir(); err != nil {
			return "", fmt.Errorf("no cache folder: %w", err)
		}
	}
	return filepath.Join(base, "ductledger", "postgres"), nil
}

// fetched is where an archive is, or will be, unpacked.
func fetched(o Options, a archive) (string, error) {
	cache, err := cacheFolder(o)
	if err != nil {
		return "", err
	}
	return filepath.Join(cache, a.sha256), nil
}

// fetchPrograms is the way by an archive: it is fetched and unpacked once, and
// found again by every later run, also without a network.
func fetchPrograms(ctx context.Context, o Options) (*programs, error) {
	a, err := archiveFor(o)
	if err != nil {
		return nil, err
	}
	folder, err := fetched(o, a)
	if err != nil {
		return nil, err
	}
	if _, err := os.Stat(folder); err != nil {
		if o.NoDownload {
			return nil, fmt.Errorf("%s may not be downloaded", a.what)
		}
		if err := fetchOnce(ctx, o, a, folder); err != nil {
			return nil, err
		}
	}
	p, err := programsBelow(ctx, folder)
	if err != nil {
		return nil, fmt.Errorf("what was unpacked in %s does not run here: %w", folder, err)
	}
	return p, nil
}

// programsBelow finds the programs in an unpacked archive, wherever in it they
// lie, and tries them as the user that will run them.
func programsBelow(ctx context.Context, folder string) (*programs, error) {
	if err := trusted(folder); err != nil {
		return nil, err
	}
	var found string
	err := filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.Name() == "initdb" && !d.IsDir() {
			found = filepath.Dir(path)
			return fs.SkipAll
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	if found == "" {
		return nil, errors.New("it holds no initdb")
	}
	p, err := programsIn(ctx, found)
	if err != nil {
		return nil, err
	}
	if p.major < minMajor {
		return nil, fmt.Errorf("it is version %d, and %d or newer is needed", p.major, minMajor)
	}
	a, err := serverAccount()
	if err != nil {
		return nil, err
	}
	if out, err := command(a, "/", p.postgres, "--version").CombinedOutput(); err != nil {
		return nil, fmt.Errorf("tried as user %s: %s %w", a.name, lastLine(string(out)), err)
	}
	return p, nil
}

// trusted refuses a folder that somebody else could have filled.
func trusted(folder string) error {
	f, err := os.Open(folder)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	if err := ownedByUs(f); err != nil {
		return err
	}
	info, err := f.Stat()
	if err == nil && info.Mode().Perm()&0o022 != 0 {
		err = errors.New("others may write in it")
	}
	return err
}

// fetchOnce fetches under a lock, so that of two runs one fetches and the other
// waits. What is half done stands under another name and is removed: by this
// run when it fails, by the next one when this one is killed.
func fetchOnce(ctx context.Context, o Options, a archive, folder string) error {
	cache := filepath.Dir(folder)
	if err := os.MkdirAll(cache, 0o755); err != nil {
		return fmt.Errorf("cannot make the cache folder: %w", err)
	}
	if os.Geteuid() == 0 { // whatever the umask, the server's user must get through
		for _, made := range []string{filepath.Dir(cache), cache} {
			if err := os.Chmod(made, 0o755); err != nil {
				return err
			}
		}
	}
	lock, err := os.OpenFile(folder+".lock", os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return fmt.Errorf("cannot write in the cache folder: %w", err)
	}
	defer func() { _ = lock.Close() }() // which unlocks
	if err := waitForLock(ctx, o, lock, a); err != nil {
		return err
	}
	if _, err := os.Stat(folder); err == nil {
		return nil // another run fetched it meanwhile
	}
	part := folder + ".part"
	if err := os.RemoveAll(part); err != nil {
		return fmt.Errorf("cannot clear what a killed run left: %w", err)
	}
	if err := os.Mkdir(part, 0o755); err != nil {
		return fmt.Errorf("cannot write in the cache folder: %w", err)
	}
	defer func() { _ = os.RemoveAll(part) }() // gone already where all went well
	packed, unpacked := filepath.Join(part, "archive"), filepath.Join(part, "files")
	if err := download(ctx, o, a, packed, folder); err != nil {
		return fmt.Errorf("cannot fetch %s: %w", a.shown(), err)
	}
	if err := unpack(packed, unpacked); err != nil {
		return fmt.Errorf("cannot unpack %s: %w", a.shown(), err)
	}
	// All of it is on the disk before it gets the name that later runs trust.
	syscall.Sync()
	return os.Rename(unpacked, folder)
}

func waitForLock(ctx context.Context, o Options, lock *os.File, a archive) error {
	for told := false; ; told = true {
		err := syscall.Flock(int(lock.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			return err
		}
		if !told {
			o.Say("another run is fetching " + a.what + "; waiting for it")
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(lockPoll):
		}
	}
}

// download writes the archive to a file and refuses what has another digest.
func download(ctx context.Context, o Options, a archive, file, folder string) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	patience := time.AfterFunc(answerTimeout, func() {
		cancel(fmt.Errorf("no answer within %s", answerTimeout))
	})
	defer patience.Stop()
	because := func(err error) error {
		if cause := context.Cause(ctx); cause != nil {
			return cause
		}
		return err
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, a.address, http.NoBody)
	if err != nil {
		return err
	}
	transport := http.DefaultTransport.(*http.Transport).Clone() // with the user's proxy
	defer transport.CloseIdleConnections()
	response, err := (&http.Client{Transport: transport}).Do(request)
	if errors.Is(err, io.EOF) {
		return errors.New("the connection was closed without an answer")
	}
	if err != nil {
		return because(errors.Unwrap(err)) // the address is named once
	}
	defer func() { _ = response.Body.Close() }()
	if response.StatusCode != http.StatusOK {
		return errors.New("the answer is " + response.Status)
	}
	if kind, _, _ := mime.ParseMediaType(response.Header.Get("Content-Type")); kind == "text/html" {
		return errors.New("the answer is a page, perhaps of a proxy that wants a sign-in")
	}
	o.Say(fmt.Sprintf("fetching %s (%s) from %s to %s", a.what, sizeText(response.ContentLength), a.shown(), folder))
	out, err := os.OpenFile(file, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer func() { _ = out.Close() }()
	shown := o.Progress(response.ContentLength)
	defer shown.Close()
	sum := sha256.New()
	body := &patient{from: io.LimitReader(response.Body, maxArchive), timer: patience, cancel: cancel}
	count, err := io.Copy(io.MultiWriter(out, sum, shown), body)
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF):
		return fmt.Errorf("the transfer was cut after %s of %s", sizeText(count), sizeText(response.ContentLength))
	case err != nil:
		return because(err)
	}
	if got := hex.EncodeToString(sum.Sum(nil)); got != a.sha256 {
		return fmt.Errorf("what came has the SHA-256 %s, not %s, and was thrown away", got, a.sha256)
	}
	return out.Close()
}

// patient gives up on a transfer that stands still.
type patient struct {
	from   io.Reader
	timer  *time.Timer
	cancel context.CancelCauseFunc
}

func (p *patient) Read(b []byte) (int, error) {
	p.timer.Stop()
	p.timer = time.AfterFunc(stallTimeout, func() {
		p.cancel(fmt.Errorf("nothing came for %s", stallTimeout))
	})
	n, err := p.from.Read(b)
	p.timer.Stop()
	return n, err
}

// unseen is a progress that nobody looks at.
type unseen struct{ io.Writer }

func (unseen) Close() error { return nil }
