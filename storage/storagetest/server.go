package storagetest

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"sync"
	"sync/atomic"

	"github.com/jackc/pgx/v5"

	"ductledger/migrations"
	"ductledger/storage/cluster"
)

// maxConnections of a server of our own: tests run in parallel, each with a
// pool.
const maxConnections = "max_connections=200"

// server is a Postgres with one migrated template.
type server struct {
	once     sync.Once
	err      error
	cluster  *cluster.Cluster
	template string
	made     atomic.Int64 // databases so far, for their names
	end      func() error // of a container, nil else
}

// process is the test program's one server.
var process server

// start is called by every test and works once.
func (s *server) start(ctx context.Context) error {
	s.once.Do(func() {
		if s.err = s.open(ctx, os.Getenv("TEST_DATABASE_URL")); s.err == nil {
			s.err = s.migrate(ctx)
		}
	})
	return s.err
}

// open takes the first Postgres there is: address, programs, container, archive.
func (s *server) open(ctx context.Context, address string) error {
	options := cluster.Options{
		DatabaseURL: address, DatabaseVariable: "TEST_DATABASE_URL",
		Database: "ductledger_test", Fast: true, Parameters: []string{maxConnections}, NoContainer: true,
		Archive: os.Getenv("POSTGRES_ARCHIVE"), NoDownload: true,
		Say: func(line string) { fmt.Fprintln(os.Stderr, "storagetest:", line) },
	}
	c, err := cluster.Start(ctx, options)
	if errors.Is(err, cluster.ErrNone) {
		var failed error
		if options.DatabaseURL, s.end, failed = container(ctx); failed != nil {
			options.NoDownload = os.Getenv("DUCTLEDGER_NO_DOWNLOAD") != ""
		}
		if c, err = cluster.Start(ctx, options); errors.Is(err, cluster.ErrNone) && failed != nil {
			err = fmt.Errorf("%w; nor a container: %w", err, failed)
		}
	}
	s.cluster = c
	return err
}

// migrate makes the template. Its name tells the schema's files apart, so that
// a template seen on a server says what it is.
func (s *server) migrate(ctx context.Context) error {
	digest, err := digestOf(migrations.Files())
	if err != nil {
		return err
	}
	s.template = s.cluster.Database() + "_template_" + digest
	if err := s.exec(ctx, "CREATE DATABASE "+quoted(s.template)); err != nil {
		return err
	}
	return migrations.Up(ctx, s.cluster.URL(s.template))
}

// clone makes one more database from the template.
func (s *server) clone(ctx context.Context) (name string, err error) {
	name = fmt.Sprintf("%s_%d", s.cluster.Database(), s.made.Add(1))
	return name, s.exec(ctx, "CREATE DATABASE "+quoted(name)+" TEMPLATE "+quoted(s.template))
}

func (s *server) drop(ctx context.Context, name string) error {
	return s.exec(ctx, "DROP DATABASE IF EXISTS "+quoted(name)+" WITH (FORCE)")
}

// exec runs one statement on the run's own database, on a connection of its
// own, so that tests do not wait for each other.
func (s *server) exec(ctx context.Context, statement string) error {
	conn, err := pgx.Connect(ctx, s.cluster.URL(""))
	if err != nil {
		return err
	}
	_, err = conn.Exec(ctx, statement)
	return errors.Join(err, conn.Close(ctx))
}

func (s *server) stop() error {
	var errs []error
	if s.cluster != nil {
		errs = append(errs, s.cluster.Stop())
	}
	if s.end != nil {
		errs = append(errs, s.end())
	}
	return errors.Join(errs...)
}

// digestOf is the beginning of SHA-256 over names and contents.
func digestOf(files fs.FS) (string, error) {
	names, err := fs.Glob(files, "*.sql") // sorted
	if err != nil {
		return "", err
	}
	sum := sha256.New()
	for _, name := range names {
		body, err := fs.ReadFile(files, name)
		if err != nil {
			return "", err
		}
		fmt.Fprintf(sum, "%s %d\n", name, len(body))
		sum.Write(body)
	}
	return hex.EncodeToString(sum.Sum(nil)[:4]), nil
}

func quoted(name string) string { return pgx.Identifier{name}.Sanitize() }
