package main

import (
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/subtle"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"

	"ductledger/api"
	"ductledger/api/frame"
	"ductledger/api/sheet"
	"ductledger/domain"
	"ductledger/storage"
	monthdb "ductledger/storage/month"
)

type exportCommand struct {
	databaseSettings
	Month    string `from:"-" required:"" placeholder:"2026-10" help:"The month, where the program works."`
	Out      string `from:"-" required:"" placeholder:"FILE" help:"Where the package goes; it appears there when it is whole."`
	Server   string `from:"DUCTLEDGER_URL" placeholder:"URL" help:"The service that builds it."`
	Token    string `from:"DUCTLEDGER_STAFF_TOKEN" placeholder:"TOKEN" help:"A token of the role staff or admin."`
	Program  string `from:"-" placeholder:"CODE" help:"Build on the database, without a service: the code of the program."`
	Fund     string `from:"-" placeholder:"FUND" help:"The fund whose package it is, where the program has several."`
	Position int64  `from:"-" help:"Ledger position at which the history is cut; 0 is where the month ended."`
	Key      string `from:"-" placeholder:"FILE" help:"With --program: sign with this Ed25519 private key (PKCS #8, PEM)."`
}

func (exportCommand) Help() string {
	return "The package is built at the last position that was recorded before the month ended, unless a later one is named; an unfinished month takes the newest. Building again at one position gives the same revision and the same bytes.\n\n" +
		"Example:\n  ductledger export --month 2026-10 --out october.zip\n  DATABASE_URL=postgres://… ductledger export --program NORTH --month 2026-10 --out october.zip"
}

func (c *exportCommand) Run(in *invocation) error {
	refuse := func(format string, args ...any) error { return &exitError{exitRefused, fmt.Errorf(format, args...)} }
	switch {
	case c.Position < 0:
		return refuse("--position %d: a position is 1 or more", c.Position)
	case c.Program == "" && c.Key != "":
		return refuse("--key signs what is built here, with --program; a service signs with its own key")
	case c.Program == "" && c.Server == "":
		return refuse("name a service with --server and --token, or a program with --program and DATABASE_URL")
	case c.Program == "" && c.Token == "":
		return refuse("no token is given: set DUCTLEDGER_STAFF_TOKEN or give --token")
	}
	if about, err := os.Lstat(c.Out); err == nil && !about.Mode().IsRegular() {
		return refuse("--out %s is no file: the package would take its place", c.Out)
	}
	show := newShow(in.stderr)
	var p builtPackage
	fetch := func() (err error) { p, err = c.fetch(in.ctx, show); return err }
	run := fetch
	if c.Program != "" {
		run = func() error { return c.inProcess(in, fetch) }
	}
	if err := run(); err != nil {
		return err
	}
	fmt.Fprintf(in.stdout, "%s: revision %d, %s, position %d, %d bytes, sha256 %s\n", c.Out, p.Revision, p.State, p.Position, p.BytesCount, p.SHA256)
	return nil
}

// The operator at the machine is no person with a token: a package that it
// asked for is released only after somebody with a name has asked for it again.
type operatorAuth struct {
	digest [32]byte
	caller domain.Caller
}

func (o *operatorAuth) Authenticate(_ context.Context, digest [32]byte, program domain.UUID) (domain.Caller, error) {
	if subtle.ConstantTimeCompare(digest[:], o.digest[:]) != 1 || program != o.caller.Program {
		return domain.Caller{}, domain.Errorf(domain.Unauthorized, "the token is not known")
	}
	return o.caller, nil
}

// inProcess starts a service on the database for as long as use needs it, with
// a token that this command alone knows.
func (c *exportCommand) inProcess(in *invocation, use func() error) (err error) {
	o := monthdb.Options{BuildID: api.BuildID(), Summary: sheet.Write, Program: storage.ProgramID(c.Program)}
	if c.Key != "" {
		if o.Key, err = privateKeyIn(c.Key); err != nil {
			return &exitError{exitRefused, fmt.Errorf("--key: %w", err)}
		}
	}
	log := newLog(in.stderr, slog.LevelError+1) // what fails is the command's own answer
	db, err := c.open(in, storage.Options{Connections: 4, Log: log})
	if err != nil {
		return err
	}
	defer db.Close()
	auth := &operatorAuth{caller: operator(storage.ProgramID(c.Program))}
	if c.Token, auth.digest, err = frame.NewToken(auth.caller.Program, rand.Reader); err != nil {
		return err
	}
	handler, err := api.New(api.Config{DB: db, Auth: auth, Now: in.now, Log: log})
	if err != nil {
		return err
	}
	listener, err := new(net.ListenConfig).Listen(in.ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	c.Server = "http://" + listener.Addr().String()
	served := make(chan error, 1)
	end := inBackground(in.ctx,
		func(ctx context.Context) { served <- frame.Serve(ctx, handler, listener, log, frame.Limits{}) },
		func(ctx context.Context) { monthdb.BuildAsked(ctx, db, o) })
	err = use()
	end()
	return errors.Join(err, <-served)
}

// whole lets write fill a file beside the one that is named and puts it in its
// place when it is complete and on the disk; else nothing is left.
func whole(name string, write func(io.Writer) error) (err error) {
	file, err := os.CreateTemp(filepath.Dir(name), "."+filepath.Base(name)+"-*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.Remove(file.Name()))
		}
	}()
	err = write(file)
	if err == nil {
		err = file.Chmod(0o644)
	}
	if err == nil {
		err = file.Sync()
	}
	if err = errors.Join(err, file.Close()); err != nil {
		return err
	}
	return os.Rename(file.Name(), name)
}

func privateKeyIn(name string) (ed25519.PrivateKey, error) {
	text, err := secretIn(name)
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(text)
	if block == nil {
		return nil, errors.New("the file is not PEM; openssl genpkey -algorithm ed25519 makes such a key")
	}
	key, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, errors.New("the file holds no private key in the form of PKCS #8")
	}
	private, ok := key.(ed25519.PrivateKey)
	if !ok {
		return nil, errors.New("the key is not of Ed25519")
	}
	return private, nil
}
