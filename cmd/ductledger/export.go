package main

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"ductledger/api"
	"ductledger/api/frame"
	"ductledger/api/sheet"
	"ductledger/domain"
	"ductledger/storage"
	monthdb "ductledger/storage/month"

	"github.com/go-json-experiment/json"
)

type exportCommand struct {
	databaseSettings
	Month    string `from:"-" placeholder:"2026-10" help:"The month, where the program works; last month without."`
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
	if c.Month == "" {
		now := in.now().UTC()
		c.Month = time.Date(now.Year(), now.Month(), 0, 0, 0, 0, 0, time.UTC).Format("2006-01")
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

// builtPackage is what the service says of a package.
type builtPackage struct {
	Revision   int    `json:"revision"`
	State      string `json:"state"`
	Name       string `json:"name"`
	Position   int64  `json:"position"`
	BytesCount int64  `json:"bytes_count"`
	SHA256     string `json:"sha256"`
	Build      struct {
		Stage   string  `json:"stage"`
		Done    int64   `json:"rows_done_count"`
		Total   int64   `json:"rows_total_count"`
		Failure problem `json:"failure"`
	} `json:"build"`
}

// How long the service may take, a little more than it allows itself.
const (
	askTime      = 20 * time.Second
	downloadTime = 11 * time.Minute
)

// How often a build is asked after, and for how many times in a row the
// service may be away meanwhile: another instance takes the build over.
const (
	awaitPause = 500 * time.Millisecond
	awaitTries = 120
)

// fetch lets the service build the package and fetches its file.
func (c *exportCommand) fetch(ctx context.Context, show *show) (p builtPackage, err error) {
	if p, err = c.build(ctx, show); err != nil {
		return p, err
	}
	show.say(fmt.Sprintf("fetching revision %d, %d bytes", p.Revision, p.BytesCount))
	base, err := c.packages()
	if err != nil {
		return p, err
	}
	file := base.JoinPath(p.Name, "file")
	return p, whole(c.Out, func(w io.Writer) error {
		return c.ask(ctx, downloadTime, "GET", file, nil, func(r io.Reader) error {
			sum := sha256.New()
			if _, err := io.Copy(io.MultiWriter(w, sum), r); err != nil {
				return err
			}
			if got := hex.EncodeToString(sum.Sum(nil)); got != p.SHA256 {
				return fmt.Errorf("the file that came has sha256 %s, the service announced %s", got, p.SHA256)
			}
			return nil
		})
	})
}

// packages is the address of the month's packages.
func (c *exportCommand) packages() (*url.URL, error) {
	base, err := url.Parse(c.Server)
	if err != nil || base.Host == "" {
		return nil, &exitError{exitRefused, fmt.Errorf("--server %q is not an address such as http://127.0.0.1:8080", c.Server)}
	}
	return base.JoinPath("v1", "months", c.Month, "packages"), nil
}

// build asks for a package and waits until it stands.
func (c *exportCommand) build(ctx context.Context, show *show) (p builtPackage, err error) {
	packages, err := c.packages()
	if err != nil {
		return p, err
	}
	body, err := json.Marshal(struct {
		FundSource string `json:"fund_source,omitzero"`
		Position   int64  `json:"position,omitzero"`
	}{c.Fund, c.Position})
	if err != nil {
		return p, err
	}
	show.say("building " + c.Month)
	err = c.ask(ctx, askTime, "POST", packages, body, func(r io.Reader) error { return json.UnmarshalRead(r, &p) })
	if err != nil {
		return p, err
	}
	return c.await(ctx, packages.JoinPath(p.Name), p, &buildShow{show: show})
}

// await asks after a build until it stands.
func (c *exportCommand) await(ctx context.Context, revision *url.URL, p builtPackage, show *buildShow) (builtPackage, error) {
	away := 0
	for p.State == "building" {
		show.report(p.Build.Stage, p.Build.Done, p.Build.Total)
		select {
		case <-ctx.Done():
			return p, ctx.Err()
		case <-time.After(awaitPause):
		}
		var now builtPackage
		err := c.ask(ctx, askTime, "GET", revision, nil, func(r io.Reader) error { return json.UnmarshalRead(r, &now) })
		var refused *refusal
		if err != nil && (errors.As(err, &refused) || away == awaitTries || ctx.Err() != nil) {
			return p, err
		}
		if err != nil {
			away++
			continue
		}
		p, away = now, 0
	}
	if p.State == "failed" {
		return p, errors.New(p.Build.Failure.text())
	}
	return p, nil
}

// ask sends one request and lets use read the answer, or gives the problem
// that the service names.
func (c *exportCommand) ask(ctx context.Context, limit time.Duration, method string, to *url.URL, body []byte, use func(io.Reader) error) error {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, method, to.String(), bytes.NewReader(body))
	if err != nil {
		return err
	}
	request.Header.Set("Authorization", "Bearer "+c.Token)
	if body != nil {
		request.Header.Set("Content-Type", "application/json")
	}
	client := http.Client{Transport: &http.Transport{Proxy: http.ProxyFromEnvironment, DisableKeepAlives: true}}
	response, err := client.Do(request)
	if err != nil {
		return err
	}
	defer response.Body.Close()
	if response.StatusCode < 300 {
		return use(response.Body)
	}
	return problemIn(response)
}

// problem is what the service says of what it did not do.
type problem struct {
	Code   string `json:"code"`
	Detail string `json:"detail"`
	Errors []struct {
		Pointer string `json:"pointer"`
		Detail  string `json:"detail"`
	} `json:"errors"`
}

func (p *problem) text() string {
	parts := []string{p.Code + ": " + p.Detail}
	for _, e := range p.Errors {
		parts = append(parts, strings.TrimPrefix(strings.TrimPrefix(e.Pointer, "/")+": "+e.Detail, ": "))
	}
	return strings.Join(parts, "; ")
}

// A refusal is an answer that will be the same the next time.
type refusal struct{ text string }

func (r *refusal) Error() string { return r.text }

func problemIn(response *http.Response) error {
	const most = 64 << 10 // bytes of a problem
	var p problem
	text, err := io.ReadAll(io.LimitReader(response.Body, most))
	if err != nil {
		return err
	}
	said := "the service answered " + response.Status
	if json.Unmarshal(text, &p) == nil && p.Detail != "" {
		said = p.text()
	}
	if response.StatusCode < 500 && response.StatusCode != http.StatusTooManyRequests {
		return &refusal{said}
	}
	return errors.New(said)
}

// buildShow says how far a build is: each stage, and within one every second.
type buildShow struct {
	show  *show
	stage string
	said  time.Time
}

func (b *buildShow) report(stage string, done, total int64) {
	if stage == b.stage && time.Since(b.said) < time.Second {
		return
	}
	b.stage, b.said = stage, time.Now()
	switch {
	case total > 0:
		b.show.say(fmt.Sprintf("%s: %d of %d", stage, done, total))
	case done > 0:
		b.show.say(fmt.Sprintf("%s: %d", stage, done))
	default:
		b.show.say(stage)
	}
}
