package api

import (
	"cmp"
	"fmt"
	"log/slog"
	"net/http"
	"time"

	"ductledger/api/wire"
	"ductledger/domain"
	"ductledger/storage"
)

// Config is what a service is made of.
type Config struct {
	DB      *storage.DB
	Now     func() time.Time // the one clock; times on the wire are its UTC
	Log     *slog.Logger
	Observe func(method, pattern string, status int, took time.Duration) // for metrics; nil: none
	// Unlimited lifts the rates, for a program that seeds itself.
	Unlimited bool
	// MinimumSchema is the oldest revision of the contract whose apps may still
	// pull; 0 for the one that this program ships with.
	MinimumSchema int
}

// Server has the handlers of all addresses.
type Server struct {
	db       *storage.DB
	now      func() time.Time
	log      *slog.Logger
	contract *contract
	checker  *wire.Checker
	freeText map[domain.Kind]freeText
	newer    map[domain.Kind]newer
	news     *news
	pulls    *pulls
	docs     *docs
	schema   int // the oldest revision of the contract that may pull
}

// New makes the handler of the whole API. A mistake in the contract or in the
// table of routes stops it here and not in a request.
func New(cfg Config) (http.Handler, error) {
	_, frame, err := newServer(cfg)
	if err != nil {
		return nil, err
	}
	return newFrame(frame)
}

// newServer makes the handlers, and what the frame around them is made of.
func newServer(cfg Config) (*Server, frameConfig, error) {
	c, err := ownContract()
	if err != nil {
		return nil, frameConfig{}, err
	}
	checker, err := wire.NewChecker()
	if err != nil {
		return nil, frameConfig{}, fmt.Errorf("checks of records: %w", err)
	}
	pages, err := newDocs(c)
	if err != nil {
		return nil, frameConfig{}, err
	}
	s := &Server{docs: pages, db: cfg.DB, now: cfg.Now, log: cfg.Log, contract: c, checker: checker, freeText: freeTexts(c), newer: newers(c),
		news: &news{db: cfg.DB, log: cfg.Log}, pulls: &pulls{}, schema: cmp.Or(cfg.MinimumSchema, minimumSchema)}
	frame := frameConfig{Routes: s.routes(), Contract: c, Auth: cfg.DB, Now: cfg.Now, Log: cfg.Log, Observe: cfg.Observe}
	if cfg.Unlimited {
		const plenty = 1e6
		frame.Limits = limits{TokenRate: plenty, TokenBurst: plenty, ProgramRate: plenty, ProgramBurst: plenty}
	}
	return s, frame, nil
}
