package main

import (
	"context"
	"crypto/ed25519"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"sync"
	"syscall"
	"time"

	"ductledger/api"
	"ductledger/api/account"
	"ductledger/api/frame"
	"ductledger/api/sheet"
	"ductledger/migrations"
	"ductledger/storage"
	monthdb "ductledger/storage/month"
	"ductledger/storage/pictures"
)

// serveSettings are the flags of the service.
type serveSettings struct {
	databaseSettings
	publicSettings
	Listen         string     `default:"127.0.0.1:8080" placeholder:"ADDRESS" help:"Where the API listens."`
	MetricsListen  string     `default:"127.0.0.1:9090" placeholder:"ADDRESS" help:"Where metrics are read; - for nowhere."`
	Connections    int        `default:"16" help:"Connections to the database, at most."`
	LogLevel       slog.Level `default:"INFO" help:"DEBUG, INFO, WARN or ERROR."`
	TLSCertificate string     `name:"tls-certificate" placeholder:"FILE" help:"Speak TLS with this certificate (PEM, with those between it and the root); read again when it changes."`
	TLSKey         string     `name:"tls-key" placeholder:"FILE" help:"The certificate's private key (PEM), readable by its owner only."`
	TrustedProxy   []string   `placeholder:"ADDRESS" help:"Addresses or networks of proxies whose X-Forwarded-For tells where a request comes from."`
	AllowOrigin    []string   `placeholder:"ORIGIN" help:"Origins whose scripts may ask in a browser, such as https://app.agency.example; they bring a token, never a cookie."`
	OIDCIssuer     string     `name:"oidc-issuer" placeholder:"URL" help:"Let people sign in with the account of their agency, by OpenID Connect: the provider's issuer. Register /staff/account/return there, behind --public-url."`
	OIDCClientID   string     `name:"oidc-client-id" placeholder:"ID" help:"What this service is called there."`
	OIDCSecret     string     `name:"oidc-client-secret" placeholder:"FILE" help:"The client's secret, in a file readable by its owner only."`
	OIDCName       string     `name:"oidc-name" default:"agency account" placeholder:"NAME" help:"What people call that account: Sign in with your …"`
	pictureSettings
	Limit map[string]float64 `placeholder:"NAME=VALUE" help:"Set a limit otherwise; ductledger doctor lists all with their reasons."`
}

// limits are those of the service: the defaults, those that follow from other
// settings, and what was set by name.
func (s *serveSettings) limits() (frame.Limits, error) {
	set := map[string]float64{"work_count": float64(max(1, s.Connections-2))}
	maps.Copy(set, s.Limit)
	return frame.LimitsOf(set)
}

// proxies reads the trusted proxies.
func (s *serveSettings) proxies() (list []netip.Prefix, err error) {
	for _, text := range s.TrustedProxy {
		prefix, err := netip.ParsePrefix(text)
		if address, single := netip.ParseAddr(text); single == nil {
			prefix, err = address.Prefix(address.BitLen())
		}
		if err != nil {
			return nil, fmt.Errorf("--trusted-proxy %s: an address, or a network such as 10.0.0.0/8, is expected", text)
		}
		list = append(list, prefix)
	}
	return list, nil
}

// origins checks that each is written as a browser names it.
func (s *serveSettings) origins() ([]string, error) {
	for _, text := range s.AllowOrigin {
		origin, err := url.Parse(text)
		if err != nil || origin.Scheme != "https" && origin.Scheme != "http" || origin.Scheme+"://"+origin.Host != text || origin.Host == "" {
			return nil, fmt.Errorf("--allow-origin %s: scheme and host are expected, as in https://app.agency.example", text)
		}
	}
	return s.AllowOrigin, nil
}

// account is the agency's provider; nil where none is set.
func (s *serveSettings) account(log *slog.Logger) (*account.Provider, error) {
	if s.OIDCIssuer == "" && s.OIDCClientID == "" && s.OIDCSecret == "" {
		return nil, nil
	}
	if s.OIDCIssuer == "" || s.OIDCClientID == "" || s.OIDCSecret == "" {
		return nil, errors.New("--oidc-issuer, --oidc-client-id and --oidc-client-secret are set together")
	}
	secret, err := secretIn(s.OIDCSecret)
	if err != nil {
		return nil, fmt.Errorf("--oidc-client-secret: %w", err)
	}
	provider, err := account.Open(account.Settings{Issuer: s.OIDCIssuer, ClientID: s.OIDCClientID, ClientSecret: strings.TrimSpace(string(secret)), Name: s.OIDCName}, log)
	if err != nil {
		return nil, fmt.Errorf("--oidc-issuer: %w", err)
	}
	return provider, nil
}

type serveCommand struct {
	serveSettings
	PackageKey string `placeholder:"FILE" help:"Sign packages with this Ed25519 private key (PKCS #8, PEM); without, they say that they are not signed."`
	Migrate    bool   `help:"Bring the schema up to date first."`
}

func (serveCommand) Help() string {
	return "SIGTERM ends it gracefully: requests under way are answered. The log is JSON on standard error.\n\nExample:\n  DATABASE_URL=postgres://…@db/ductledger ductledger serve --listen 0.0.0.0:8080"
}

// gcPercent lets the heap grow further than Go's default of 100 before it is
// collected: little is live and each push is soon forgotten, so collecting took a
// quarter of a push. The limit of memory holds all the same; GOGC says it otherwise.
const gcPercent = 300

func (c *serveCommand) Run(in *invocation) error {
	signal.Ignore(syscall.SIGPIPE) // who read the log may have gone
	lines := newLogQueue(in.stderr, logMost)
	defer lines.end()
	log := newLog(lines, c.LogLevel)
	if c.Connections < 1 || c.Connections > 1000 {
		return &exitError{exitRefused, fmt.Errorf("--connections %d: 1 to 1000 are expected", c.Connections)}
	}
	lim, err := c.limits()
	if err != nil {
		return &exitError{exitRefused, err}
	}
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(lim.Memory)
	}
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(gcPercent)
	}
	proxies, err := c.proxies()
	if err != nil {
		return &exitError{exitRefused, err}
	}
	origins, err := c.origins()
	if err != nil {
		return &exitError{exitRefused, err}
	}
	secure, err := c.security(in.now, log)
	if err != nil {
		return &exitError{exitRefused, err}
	}
	agency, err := c.account(log)
	if err != nil {
		return &exitError{exitRefused, err}
	}
	if c.Migrate {
		address, err := c.address()
		if err != nil {
			return err
		}
		if err := migrations.Up(in.ctx, address); err != nil {
			return err
		}
	}
	db, err := c.open(in, storage.Options{Connections: c.Connections, Log: log, Limits: api.StorageLimits(lim)})
	if err != nil {
		return err
	}
	defer db.Close()
	if err := db.CheckDatabase(in.ctx); err != nil {
		if errors.Is(err, storage.ErrOtherDatabase) {
			err = fmt.Errorf("%w; say what happened with: ductledger history failover, or ductledger history restored", err)
		}
		return err
	}
	var key ed25519.PrivateKey
	if c.PackageKey != "" {
		if key, err = privateKeyIn(c.PackageKey); err != nil {
			return &exitError{exitRefused, fmt.Errorf("--package-key: %w", err)}
		}
	}
	place, closePlace, err := c.place(log)
	if err != nil {
		return &exitError{exitRefused, err}
	}
	defer closePlace()
	var taken *pictures.Pictures
	if place != nil {
		taken = pictures.New(db, place, log)
	}
	counts := newMetrics()
	handler, err := api.New(api.Config{DB: db, Pictures: taken, Now: in.now, Log: log, Observe: counts.observe, Count: counts.count, Refused: counts.refuse,
		Gauge: counts.gauge, Stage: counts.stage, Limits: lim, Proxies: proxies, Stopping: in.ctx, Secure: secure != nil, Origins: origins, PublicURL: c.PublicURL, Key: key, Account: agency})
	if err != nil {
		return err
	}
	counts.limits(lim)
	counts.database(db)
	counts.log(lines)
	sites := []site{{c.Listen, handler, secure}}
	if c.MetricsListen != "-" {
		sites = append(sites, site{c.MetricsListen, counts.handler(), nil})
	}
	end := inBackground(in.ctx, func(ctx context.Context) { lookAgain(ctx, db, log) },
		func(ctx context.Context) { tidyPictures(ctx, taken, log) },
		func(ctx context.Context) { counts.watchPrograms(ctx, db, in.now, log) },
		func(ctx context.Context) {
			monthdb.BuildAsked(ctx, db, monthdb.Options{BuildID: api.BuildID(), Key: key, Summary: sheet.Write})
		})
	defer end()
	return serveSites(in.ctx, log, lim, sites)
}

// inBackground lets loops run until ctx ends or end is called, which waits for
// them.
func inBackground(ctx context.Context, loops ...func(context.Context)) (end func()) {
	ctx, cancel := context.WithCancel(ctx)
	var running sync.WaitGroup
	for _, loop := range loops {
		running.Go(func() { loop(ctx) })
	}
	return func() { cancel(); running.Wait() }
}

// lookAgainInterval is how often items that wait for a record are looked at again.
const lookAgainInterval = 30 * time.Second

func lookAgain(ctx context.Context, db *storage.DB, log *slog.Logger) {
	tick := time.NewTicker(lookAgainInterval)
	defer tick.Stop()
	for {
		if looked, err := db.LookAgain(ctx); err != nil && ctx.Err() == nil {
			log.Warn("held items that wait could not all be looked at", "error", err.Error())
		} else if looked != (storage.LookedAgain{}) {
			log.Info("held items that waited were looked at", "records_there", looked.Looked, "opened", looked.Opened)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// A site is one address with what answers there.
type site struct {
	address string
	handler http.Handler
	secure  *tls.Config // nil: no TLS
}

// serveSites serves all until ctx ends or one of them fails.
func serveSites(ctx context.Context, log *slog.Logger, lim frame.Limits, sites []site) error {
	listeners := make([]net.Listener, 0, len(sites))
	for _, s := range sites {
		ln, err := new(net.ListenConfig).Listen(ctx, "tcp", s.address)
		if err != nil {
			for _, open := range listeners {
				_ = open.Close() // it never served
			}
			return err
		}
		log.Info("listening", "address", ln.Addr().String())
		if s.secure != nil {
			ln = tls.NewListener(ln, s.secure)
		}
		listeners = append(listeners, ln)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	errs := make([]error, len(sites))
	var wait sync.WaitGroup
	for i, s := range sites {
		wait.Go(func() {
			defer cancel()
			errs[i] = frame.Serve(ctx, s.handler, listeners[i], log, lim)
		})
	}
	wait.Wait()
	return errors.Join(errs...)
}
