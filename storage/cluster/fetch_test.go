package cluster

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/ulikunitz/xz"
)

// entry is one of a tar archive.
type entry struct {
	name, link string // link: it is a symbolic one
	body       string
}

// pack makes a .tgz.
func pack(t *testing.T, list ...entry) []byte {
	t.Helper()
	var packed bytes.Buffer
	zipped, _ := gzip.NewWriterLevel(&packed, gzip.BestSpeed)
	writeTar(t, zipped, list)
	if err := zipped.Close(); err != nil {
		t.Fatal(err)
	}
	return packed.Bytes()
}

func writeTar(t *testing.T, w io.Writer, list []entry) {
	t.Helper()
	archive := tar.NewWriter(w)
	for _, e := range list {
		header := tar.Header{Name: e.name, Mode: 0o755, Size: int64(len(e.body)), Typeflag: tar.TypeReg}
		if e.link != "" {
			header.Typeflag, header.Linkname, header.Size = tar.TypeSymlink, e.link, 0
		}
		if err := archive.WriteHeader(&header); err != nil {
			t.Fatal(err)
		}
		if e.link == "" {
			if _, err := io.WriteString(archive, e.body); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := archive.Close(); err != nil {
		t.Fatal(err)
	}
}

// machinesOwn packs the Postgres of this machine at the places where it lies,
// so that its programs find their other files as they do there.
var machinesOwn = sync.OnceValues(func() ([]entry, error) {
	programs, looked := findPrograms(context.Background(), Options{})
	if programs == nil {
		return nil, errors.New("no Postgres to pack: looked for " + looked)
	}
	list := []entry{}
	add := func(path string) error {
		body, err := os.ReadFile(path)
		list = append(list, entry{name: strings.TrimPrefix(path, "/"), body: string(body)})
		return err
	}
	errs := []error{add(programs.initdb), add(programs.postgres)}
	for _, what := range []string{"--pkglibdir", "--sharedir"} {
		out, err := exec.Command(filepath.Join(filepath.Dir(programs.postgres), "pg_config"), what).Output()
		if err != nil {
			return nil, err
		}
		errs = append(errs, filepath.WalkDir(strings.TrimSpace(string(out)), func(path string, d fs.DirEntry, err error) error {
			switch {
			case err != nil:
				return err
			case d.IsDir() && (d.Name() == "bitcode" || d.Name() == "pgxs" || d.Name() == "man"):
				return fs.SkipDir // not needed to serve, and large
			case !d.Type().IsRegular():
				return nil
			}
			return add(path)
		}))
	}
	return list, errors.Join(errs...)
})

// fakePostgres is one that only says its version.
func fakePostgres() []entry {
	script := "#!/bin/sh\necho 'postgres (PostgreSQL) 17.9'\n"
	return []entry{{name: "any/bin/postgres", body: script}, {name: "any/bin/initdb", body: script}}
}

func digestOf(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// repositoryOf serves one archive and counts how often it is asked for.
func repositoryOf(t *testing.T, archive []byte) (address string, asked *atomic.Int64, end func()) {
	t.Helper()
	asked = new(atomic.Int64)
	served := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked.Add(1)
		http.ServeContent(w, r, "postgres.tgz", time.Time{}, bytes.NewReader(archive))
	}))
	t.Cleanup(served.Close)
	return served.URL + "/postgres.tgz#sha256=" + digestOf(archive), asked, served.Close
}

// archiveOptions leave only the last way.
func archiveOptions(t *testing.T, cache, archive string) Options {
	t.Helper()
	return Options{temp: tempFolder(t), cache: cache, path: "/nowhere", places: []string{}, NoContainer: true, Fast: true, Archive: archive,
		Say: func(line string) { t.Log(line) }}
}

// Two runs at once fetch one archive and both serve from it; a third one needs
// no network.
func TestFetchedOnceAndFoundAgainOffline(t *testing.T) {
	t.Parallel()
	list, err := machinesOwn()
	if err != nil {
		t.Fatal(err)
	}
	address, asked, end := repositoryOf(t, pack(t, list...))
	cache := tempFolder(t)
	start := func() (string, error) {
		c, err := Start(t.Context(), archiveOptions(t, cache, address))
		if err != nil {
			return "", err
		}
		conn, err := connect(t.Context(), c.server.admin)
		if err != nil {
			return "", errors.Join(err, c.Stop())
		}
		var answer string
		err = conn.QueryRow(t.Context(), "SHOW server_encoding").Scan(&answer)
		return answer, errors.Join(err, conn.Close(t.Context()), c.Stop())
	}
	var both sync.WaitGroup
	for range 2 {
		both.Go(func() {
			if answer, err := start(); err != nil || answer != "UTF8" {
				t.Errorf("it answers %q, %v", answer, err)
			}
		})
	}
	both.Wait()
	if n := asked.Load(); n != 1 {
		t.Errorf("the archive was asked for %d times", n)
	}
	end()
	if answer, err := start(); err != nil || answer != "UTF8" {
		t.Errorf("without the repository it answers %q, %v", answer, err)
	}
	o := archiveOptions(t, cache, address)
	o.NoDownload = true
	if text := Look(t.Context(), o); !strings.Contains(text, "fetched before") {
		t.Errorf("looked at: %s", text)
	}
	names := entries(t, filepath.Join(cache, "ductledger", "postgres"))
	if len(names) != 2 || !strings.HasSuffix(names[1], ".lock") {
		t.Errorf("the cache holds %v", names)
	}
}

func TestWhatIsNotTheArchiveIsRefused(t *testing.T) {
	t.Parallel()
	good := pack(t, fakePostgres()...)
	digest := "#sha256=" + digestOf(good)
	for _, c := range []struct {
		name   string
		answer http.HandlerFunc
		// "": served by answer; a new folder
		archive, cache string
		want           string
	}{
		{name: "another content", want: "and was thrown away", answer: func(w http.ResponseWriter, _ *http.Request) {
			_, _ = w.Write(append([]byte("x"), good...))
		}},
		{name: "cut", want: "the transfer was cut after", answer: func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Length", fmt.Sprint(len(good)))
			_, _ = w.Write(good[:len(good)/2])
			_ = http.NewResponseController(w).Flush()
			panic(http.ErrAbortHandler)
		}},
		{name: "a proxy's page", want: "the answer is a page", answer: func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "text/html; charset=utf-8")
			_, _ = w.Write([]byte("<html>Sign in</html>"))
		}},
		{name: "not there", want: "the answer is 404 Not Found", answer: http.NotFound},
		{name: "silence", want: "no answer within 4s", answer: func(_ http.ResponseWriter, r *http.Request) { <-r.Context().Done() }},
		{name: "no network", want: "connection refused", archive: "http://127.0.0.1:1/postgres.tgz" + digest},
		{name: "no folder", want: "cannot make the cache folder", cache: os.Args[0], // a file
			answer: func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write(good) }},
		{name: "an old Postgres", want: "it is version 14, and 15 or newer is needed", archive: serveOnce(t, pack(t,
			entry{name: "bin/postgres", body: "#!/bin/sh\necho 'postgres (PostgreSQL) 14.2'\n"}, entry{name: "bin/initdb", body: "#!/bin/sh\n"}))},
		{name: "no Postgres", want: "it holds no initdb", archive: serveOnce(t, pack(t, entry{name: "readme", body: "nothing"}))},
		{name: "out of the folder", want: "cannot unpack", archive: serveOnce(t, pack(t, entry{name: "../../outside", body: "x"}))},
		{name: "out by a link", want: "cannot unpack", archive: serveOnce(t, pack(t,
			entry{name: "bin", link: "/tmp"}, entry{name: "bin/initdb", body: "x"}))},
		{name: "no archive", want: "neither a .tgz, a .txz nor a .jar", archive: serveOnce(t, []byte("something else"))},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			cache, address := c.cache, c.archive
			if cache == "" {
				cache = tempFolder(t)
			}
			if address == "" {
				served := httptest.NewServer(c.answer)
				defer served.Close()
				address = served.URL + "/postgres.tgz" + digest
			}
			_, err := Start(t.Context(), archiveOptions(t, cache, address))
			if !errors.Is(err, ErrNone) || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "apt-get install postgresql") {
				t.Fatalf("error %v does not say %q", err, c.want)
			}
			if strings.Contains(err.Error(), "\n") {
				t.Errorf("more than one line: %q", err)
			}
			if c.archive == "" && c.cache == "" {
				if names := entries(t, filepath.Join(cache, "ductledger", "postgres")); len(names) != 1 {
					t.Errorf("the cache holds %v", names) // the lock alone
				}
			}
		})
	}
}

// serveOnce is the address of an archive with its true digest.
func serveOnce(t *testing.T, archive []byte) string {
	t.Helper()
	address, _, _ := repositoryOf(t, archive)
	return address
}

// What a killed run left half unpacked is not taken for the whole.
func TestHalfUnpackedIsFetchedAgain(t *testing.T) {
	t.Parallel()
	archive := pack(t, fakePostgres()...)
	address, asked, _ := repositoryOf(t, archive)
	cache := tempFolder(t)
	half := filepath.Join(cache, "ductledger", "postgres", digestOf(archive)+".part", "files", "any", "bin")
	if err := os.MkdirAll(half, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(half, "initdb"), nil, 0o755); err != nil {
		t.Fatal(err)
	}
	p, err := fetchPrograms(t.Context(), withDefaults(archiveOptions(t, cache, address)))
	if err != nil || p.major != 17 || asked.Load() != 1 {
		t.Errorf("found %+v, %v, asked %d times", p, err, asked.Load())
	}
	// Nor is what somebody else could have written.
	folder := filepath.Join(cache, "ductledger", "postgres", digestOf(archive))
	if err := os.Chmod(folder, 0o777); err != nil {
		t.Fatal(err)
	}
	if _, err := fetchPrograms(t.Context(), withDefaults(archiveOptions(t, cache, address))); err == nil || !strings.Contains(err.Error(), "others may write in it") {
		t.Errorf("a folder for everybody: %v", err)
	}
}

func TestNoDownload(t *testing.T) {
	t.Parallel()
	address, asked, _ := repositoryOf(t, pack(t, fakePostgres()...))
	o := archiveOptions(t, tempFolder(t), address)
	o.NoDownload = true
	_, err := Start(t.Context(), o)
	if !errors.Is(err, ErrNone) || !strings.Contains(err.Error(), "may not be downloaded") || asked.Load() != 0 {
		t.Errorf("error %v, asked %d times", err, asked.Load())
	}
	if text := Look(t.Context(), o); !strings.Contains(text, "may not be downloaded") {
		t.Errorf("looked at: %s", text)
	}
	o.NoDownload = false
	if text := Look(t.Context(), o); !strings.Contains(text, "would be fetched from http://127.0.0.1:") || asked.Load() != 0 {
		t.Errorf("looked at: %s, asked %d times", text, asked.Load())
	}
}

// The forms that an archive may have; the .jar is that of the known ones.
func TestForms(t *testing.T) {
	t.Parallel()
	list := append(fakePostgres(), entry{name: "any/lib/libpq.so", link: "libpq.so.5"})
	var txz, jar bytes.Buffer
	squeezed, err := xz.NewWriter(&txz)
	if err != nil {
		t.Fatal(err)
	}
	writeTar(t, squeezed, list)
	if err := squeezed.Close(); err != nil {
		t.Fatal(err)
	}
	zipped := zip.NewWriter(&jar)
	for name, body := range map[string][]byte{"META-INF/MANIFEST.MF": []byte("Manifest-Version: 1.0\n"), "postgres-linux-x86_64.txz": txz.Bytes()} {
		w, err := zipped.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(body); err != nil {
			t.Fatal(err)
		}
	}
	if err := zipped.Close(); err != nil {
		t.Fatal(err)
	}
	for form, packed := range map[string][]byte{"tgz": pack(t, list...), "txz": txz.Bytes(), "jar": jar.Bytes()} {
		file, folder := filepath.Join(t.TempDir(), "archive"), filepath.Join(tempFolder(t), "files")
		if err := os.WriteFile(file, packed, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := unpack(file, folder); err != nil {
			t.Errorf("%s: %v", form, err)
			continue
		}
		p, err := programsBelow(t.Context(), folder)
		if err != nil || p.major != 17 {
			t.Errorf("%s: %+v, %v", form, p, err)
		}
		if link, err := os.Readlink(filepath.Join(folder, "any/lib/libpq.so")); err != nil || link != "libpq.so.5" {
			t.Errorf("%s: the link is %q, %v", form, link, err)
		}
	}
}

func TestKnownArchives(t *testing.T) {
	t.Parallel()
	for platform, b := range builds {
		if sum, err := hex.DecodeString(b.sha256); err != nil || len(sum) != sha256.Size {
			t.Errorf("%s: %q is no SHA-256", platform, b.sha256)
		}
		if !strings.HasPrefix(b.version, "17.") && !strings.HasPrefix(b.version, "18.") {
			t.Errorf("%s: version %s", platform, b.version)
		}
	}
	a, err := archiveFor(Options{})
	if _, known := builds[runtime.GOOS+"/"+runtime.GOARCH]; known && (err != nil || !strings.HasSuffix(a.address, ".jar")) {
		t.Errorf("this machine's archive is %+v, %v", a, err)
	}
	for _, text := range []string{"postgres.tgz", "https://host/postgres.tgz", "https://host/postgres.tgz#sha256=12", "ftp://host/x#sha256=" + digestOf(nil)} {
		if _, err := Start(t.Context(), Options{Archive: text}); err == nil || !strings.Contains(err.Error(), "POSTGRES_ARCHIVE is not of the form") {
			t.Errorf("%s: %v", text, err)
		}
	}
}
