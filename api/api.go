package api

import (
	"cmp"
	"context"
	"crypto/ed25519"
	"fmt"
	"log/slog"
	"net/http"
	"net/netip"
	"time"

	"ductledger/api/account"
	"ductledger/api/docs"
	"ductledger/api/frame"
	"ductledger/api/pages"
	"ductledger/api/wire"
	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/pictures"
)

// Config is what a service is made of.
type Config struct {
	DB       *storage.DB
	Pictures *pictures.Pictures // nil: none is taken and none given
	Now      func() time.Time   // the one clock; times on the wire are its UTC
	Log      *slog.Logger
	Observe  func(method, pattern string, status int, took time.Duration) // for metrics; nil: none
	// Count, if set, is told of what an operator should know and no answer shows:
	// receipt_ignored.
	Count func(event string)
	// Auth tells who holds a token; nil: the tokens of DB.
	Auth frame.Authenticator
	// Refused and Gauge, if set, tell an operator what is short: the requests that
	// found no room, by class and cause, and how much is in use of work, queue,
	// polls and body_memory.
	Refused func(class, cause string)
	Gauge   func(name string, read func() float64)
	// Stage, if set, is told how long each part of a push took: read, store, answer.
	Stage func(stage string, took time.Duration)
	// Secure says that the service speaks TLS itself.
	Secure bool
	// Origins are those whose scripts may ask; none by default.
	Origins []string
	// Demo says that all is invented, so that a reader of /docs may try each operation.
	Demo bool
	// Unlimited lifts the rates and the shares, for a program that seeds itself.
	Unlimited bool
	// MinimumSchema is the oldest revision of the contract whose apps may still
	// pull; 0 for the one that this program ships with.
	MinimumSchema int
	Limits        frame.Limits   // zero values: the defaults
	Proxies       []netip.Prefix // whose X-Forwarded-For is believed
	// PublicURL is what a link for somebody else begins with, such as
	// https://ducts.example.org; empty: what the request's own began with.
	PublicURL string
	// Key signs the file of a job, as it signs packages; nil: it is not signed.
	Key ed25519.PrivateKey
	// Account lets people sign in on the pages with the account of their agency;
	// nil: nobody.
	Account *account.Provider
	// Stopping ends when the service is to stop: who waits for news is answered.
	Stopping context.Context // nil: never
}

// Server has the handlers of all addresses.
type Server struct {
	db       *storage.DB
	pictures *pictures.Pictures
	now      func() time.Time
	log      *slog.Logger
	contract []byte // as JSON
	checker  *wire.Checker
	newer    map[domain.Kind]newer
	notifier *notifier
	pulls    *pulls
	ready    readiness
	limits   frame.Limits
	docs     *docs.Pages
	count    func(event string)
	stage    func(stage string, took time.Duration)
	pages    *pages.Pages
	key      ed25519.PrivateKey
	schema   int // the oldest revision of the contract that may pull
}

// New makes the handler of the whole API. A mistake in the contract or in the
// table of routes stops it here and not in a request.
func New(cfg Config) (http.Handler, error) {
	_, around, err := newServer(cfg)
	if err != nil {
		return nil, err
	}
	return frame.New(around)
}

// newServer makes the handlers, and what the frame around them is made of.
func newServer(cfg Config) (*Server, frame.Config, error) {
	if cfg.Stopping == nil {
		cfg.Stopping = context.Background()
	}
	if cfg.Auth == nil {
		cfg.Auth = cfg.DB
	}
	c, err := Contract()
	if err != nil {
		return nil, frame.Config{}, err
	}
	checker, err := wire.NewChecker()
	if err != nil {
		return nil, frame.Config{}, fmt.Errorf("checks of records: %w", err)
	}
	newer, err := newers()
	if err != nil {
		return nil, frame.Config{}, err
	}
	reference, err := docs.New(c, cfg.Demo)
	if err != nil {
		return nil, frame.Config{}, err
	}
	s := &Server{docs: reference, db: cfg.DB, pictures: cfg.Pictures, now: cfg.Now, log: cfg.Log, contract: c, checker: checker, newer: newer,
		notifier: &notifier{db: cfg.DB, log: cfg.Log, stopping: cfg.Stopping}, limits: cfg.Limits.OrDefaults(), pulls: &pulls{}, count: cfg.Count, stage: cfg.Stage, key: cfg.Key, schema: cmp.Or(cfg.MinimumSchema, minimumSchema)}
	if s.count == nil {
		s.count = func(string) {}
	}
	if s.stage == nil {
		s.stage = func(string, time.Duration) {}
	}
	// The pages ask the table that their own rows are part of.
	inside := &frame.Inside{Operations: operationDocs(), Now: cfg.Now}
	if s.pages, err = pages.New(pages.Config{DB: cfg.DB, Now: cfg.Now, Ask: inside.Ask, PublicURL: cfg.PublicURL, Account: cfg.Account}); err != nil {
		return nil, frame.Config{}, err
	}
	inside.Routes = s.routes()
	around := frame.Config{Routes: append(inside.Routes, s.pages.Routes()...), People: s.pages, Operations: inside.Operations, Auth: cfg.Auth, Now: cfg.Now, Log: cfg.Log, Observe: cfg.Observe,
		Limits: cfg.Limits, Proxies: cfg.Proxies, Stopping: cfg.Stopping, Refused: cfg.Refused, Gauge: cfg.Gauge, Secure: cfg.Secure, Origins: cfg.Origins}
	if cfg.Unlimited {
		const plenty = 1e6
		l := &around.Limits
		l.TokenRate, l.TokenBurst, l.ProgramRate, l.ProgramBurst, l.UnknownRate, l.UnknownBurst, l.GuessRate, l.GuessBurst = plenty, plenty, plenty, plenty, plenty, plenty, plenty, plenty
		l.TokenShare, l.ProgramShare = 1, 1
	}
	return s, around, nil
}

// StorageLimits are the limits of what may be stored.
func StorageLimits(l frame.Limits) storage.Limits {
	return storage.Limits{HeldItems: l.HeldItems, HeldTokenItems: l.HeldTokenItems, HeldBytes: l.HeldBytes, HeldTokenBytes: l.HeldTokenBytes, JobRecords: l.JobRecords}
}
