package cluster

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
)

const (
	minMajor       = 15               // the oldest Postgres taken; the schema is tried on it
	defaultImage   = "postgres:17"    // the container's image where none is named
	readyTimeout   = 60 * time.Second // a container's first start on a slow disk takes some 20 s
	readyPoll      = 10 * time.Millisecond
	dropTimeout    = 20 * time.Second
	folderPattern  = "ductledger-*" // of a run's folder, in the folder for temporary files
	maintenance    = "postgres"     // the database that initdb and the image make
	superuser      = "postgres"
	secretBytes    = 16 // 128 bits of a password
	databaseBytes  = 6  // 48 bits in the name of a run's own database
	createAttempts = 3
)

// ErrNone is in the chain of Start's error when there is no Postgres to be
// had: no address, no programs, no container engine, no archive.
var ErrNone = errors.New("no Postgres found")

// Options say which Postgres is wanted. The zero value takes programs of this
// machine, else a container.
type Options struct {
	// DatabaseURL is an address that was given ("" for none). Its user must be
	// allowed to create databases.
	DatabaseURL string
	// DatabaseVariable is the name of the setting that DatabaseURL came from,
	// for messages; DATABASE_URL by default.
	DatabaseVariable string
	// Application marks the addresses that the cluster hands out, by their
	// application_name. A DatabaseURL that carries the same mark was handed out
	// by an earlier run, is gone by now, and counts as none.
	Application string
	// Database is the name that the run's own database begins with; a random
	// part follows. "" makes none, and URL("") is then the server's own.
	Database string
	// Fast gives up durability for speed: fsync, full_page_writes and
	// synchronous_commit off. For tests only.
	Fast bool
	// Parameters are further "name=value" of the server's command line, in a
	// private cluster or a container.
	Parameters []string
	// Keep is a folder in which the private cluster stays after Stop, to be
	// started again by the next run that names it. "" keeps nothing.
	Keep string
	// Image is the container's image; postgres:17 by default.
	Image string
	// NoContainer leaves the third way out.
	NoContainer bool
	// Archive is an archive to fetch instead of the one for this machine,
	// "https://host/name#sha256=digest": from a mirror, or for a machine that has none.
	Archive string
	// NoDownload fetches nothing; what an earlier run fetched still serves.
	NoDownload bool
	// Progress is told how many bytes will be fetched, -1 where that is not
	// known, and gets the bytes as they come.
	Progress func(size int64) io.WriteCloser
	// Say is told, a line at a time, what was chosen and what was cleared.
	Say func(line string)

	path           string   // instead of PATH, in tests
	places         []string // instead of the usual folders, in tests
	temp           string   // instead of os.TempDir, in tests
	cache          string   // instead of the user's cache folder, in tests
	outlivesParent bool     // the server gets no signal when we die, in tests
}

// server is one of the four ways, started.
type server struct {
	admin  *url.URL // the maintenance database, with the password
	origin string   // for people
	pid    int      // of a private cluster's postmaster, else 0
	shared bool     // others use it too: our databases must be dropped
	stop   func() error
}

// Cluster is a Postgres of this run.
type Cluster struct {
	server   server
	options  Options
	database string
	keeper   *pgx.Conn // open as long as we live, so that nobody takes our database for an orphan
	once     sync.Once
	stopErr  error
}

// Start gets a Postgres and returns once it answers. ctx ends the wait, not
// the cluster: that is Stop's.
func Start(ctx context.Context, o Options) (*Cluster, error) {
	o = withDefaults(o)
	if o.Archive != "" { // said at once, also where it will not be needed
		if _, err := archiveAt(o.Archive); err != nil {
			return nil, err
		}
	}
	s, err := choose(ctx, o)
	if err != nil {
		return nil, err
	}
	c := &Cluster{server: *s, options: o}
	if err := c.prepare(ctx); err != nil {
		return nil, errors.Join(err, c.Stop())
	}
	o.Say("Postgres: " + s.origin)
	return c, nil
}

func withDefaults(o Options) Options {
	if o.DatabaseVariable == "" {
		o.DatabaseVariable = "DATABASE_URL"
	}
	if o.Image == "" {
		o.Image = defaultImage
	}
	if o.Say == nil {
		o.Say = func(string) {}
	}
	if o.Progress == nil {
		o.Progress = func(int64) io.WriteCloser { return unseen{io.Discard} }
	}
	return o
}

// choose takes the first way that is there. One that is there and fails is an
// error: falling through would hide it.
func choose(ctx context.Context, o Options) (*server, error) {
	var looked []string
	switch {
	case o.DatabaseURL == "":
		looked = append(looked, o.DatabaseVariable+" (not set)")
	case o.Application != "" && applicationOf(o.DatabaseURL) == o.Application:
		o.Say(o.DatabaseVariable + " names the database of an earlier run and is ignored")
		looked = append(looked, o.DatabaseVariable+" (of an earlier run)")
	default:
		return given(o)
	}

	clearOrphans(ctx, o)
	programs, found := findPrograms(ctx, o)
	if programs != nil {
		return private(ctx, o, *programs)
	}
	looked = append(looked, found)

	if !o.NoContainer {
		reason := engineMissing(ctx)
		if reason == "" {
			return container(ctx, o)
		}
		looked = append(looked, "a container engine ("+reason+")")
	}
	programs, err := fetchPrograms(ctx, o)
	if err == nil {
		return private(ctx, o, *programs)
	}
	looked = append(looked, "an archive ("+err.Error()+")")
	return nil, fmt.Errorf("%w: looked for %s; install Postgres %d or newer "+
		"(apt-get install postgresql, brew install postgresql@17), or set %s",
		ErrNone, strings.Join(looked, ", "), minMajor, o.DatabaseVariable)
}

// Look says, for people, which Postgres Start would take, without an address
// that was given. It starts and fetches nothing.
func Look(ctx context.Context, o Options) string {
	programs, _ := findPrograms(ctx, o)
	if programs != nil {
		return fmt.Sprintf("version %d, %s", programs.major, programs.postgres)
	}
	if !o.NoContainer && engineMissing(ctx) == "" {
		return "none on this machine; a container of " + o.Image
	}
	a, err := archiveFor(o)
	if err != nil {
		return "none on this machine, no container engine, no archive: " + err.Error()
	}
	folder, err := fetched(o, a)
	if err != nil {
		return err.Error()
	}
	if _, err := os.Stat(folder); err == nil {
		programs, err := programsBelow(ctx, folder)
		if err != nil {
			return fmt.Sprintf("what was unpacked in %s does not run here: %v", folder, err)
		}
		return fmt.Sprintf("version %d, fetched before, %s", programs.major, programs.postgres)
	}
	if o.NoDownload {
		return "none on this machine, no container engine, and " + a.what + " may not be downloaded"
	}
	return fmt.Sprintf("none on this machine; %s would be fetched from %s to %s", a.what, a.shown(), folder)
}

// prepare waits for the first answer and makes the run's own database.
func (c *Cluster) prepare(ctx context.Context) error {
	conn, err := connect(ctx, c.server.admin)
	if err != nil {
		return fmt.Errorf("cannot connect to Postgres at %s: %w", c.server.admin.Redacted(), err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	var number int
	if err := conn.QueryRow(ctx, "SELECT current_setting('server_version_num')::int").Scan(&number); err != nil {
		return fmt.Errorf("cannot read the version of Postgres: %w", err)
	}
	if number/10000 < minMajor {
		return fmt.Errorf("the Postgres at %s is version %d; %d or newer is needed", c.server.admin.Redacted(), number/10000, minMajor)
	}
	if c.options.Database == "" {
		return nil
	}
	return c.createDatabase(ctx, conn)
}

// URL is the address of a database on this cluster, with the password. "" is
// the run's own database, or the server's where Options asked for none.
func (c *Cluster) URL(database string) string {
	u := *c.server.admin
	if database == "" {
		database = c.database
	}
	if database != "" {
		u.Path = "/" + database
	}
	if c.options.Application != "" {
		q := u.Query()
		q.Set("application_name", c.options.Application)
		u.RawQuery = q.Encode()
	}
	return u.String()
}

// Database is the name of the run's own database, "" where Options asked for
// none. Names of further databases begin with it and an underscore: then they
// are dropped with it.
func (c *Cluster) Database() string { return c.database }

// PID is the process of a private cluster's postmaster, 0 for the other ways.
func (c *Cluster) PID() int { return c.server.pid }

// Stop drops the run's databases on a server that was given, ends a server
// that was started, and removes its folder. A second call does nothing.
func (c *Cluster) Stop() error {
	c.once.Do(func() {
		ctx, cancel := context.WithTimeout(context.Background(), dropTimeout)
		defer cancel()
		var errs []error
		if c.keeper != nil {
			_ = c.keeper.Close(ctx) // the server may be gone already
		}
		if c.server.shared && c.database != "" && c.options.Keep == "" {
			errs = append(errs, c.dropDatabases(ctx))
		}
		if c.server.stop != nil {
			errs = append(errs, c.server.stop())
		}
		c.stopErr = errors.Join(errs...)
	})
	return c.stopErr
}

func connect(ctx context.Context, u *url.URL) (*pgx.Conn, error) {
	return pgx.Connect(ctx, u.String())
}

// random is n bytes of randomness in hexadecimal.
func random(n int) string {
	b := make([]byte, n)
	_, _ = rand.Read(b) // never fails: it ends the program instead
	return hex.EncodeToString(b)
}
