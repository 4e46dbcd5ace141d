package main

import (
	"crypto/tls"
	"errors"
	"log/slog"
	"os"
	"sync"
	"time"
)

// certificateInterval is how often the files are looked at: whoever renews a
// certificate need not start the service again.
const certificateInterval = time.Minute

// certificateFiles give the certificate that stands in them.
type certificateFiles struct {
	certificate, key string
	now              func() time.Time
	log              *slog.Logger

	mu     sync.Mutex
	pair   *tls.Certificate
	from   [2]time.Time // when the files were changed
	looked time.Time
}

// secureWith is the server's side of TLS with the certificate in two files.
func secureWith(files *certificateFiles) (*tls.Config, error) {
	if err := files.load(); err != nil {
		return nil, err
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: files.get}, nil
}

func (f *certificateFiles) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.now().Sub(f.looked).Abs() >= certificateInterval {
		if err := f.load(); err != nil { // half written, or wrong: the one before goes on
			f.log.Error("the certificate could not be read again", "error", err.Error())
		}
	}
	return f.pair, nil
}

func (f *certificateFiles) load() error {
	f.looked = f.now()
	var from [2]time.Time
	for i, name := range []string{f.certificate, f.key} {
		about, err := os.Stat(name)
		if err != nil {
			return err
		}
		from[i] = about.ModTime()
		if name != f.key {
			continue
		}
		if err := ownersOnly(name, about); err != nil {
			return err
		}
	}
	if f.pair != nil && from == f.from {
		return nil
	}
	pair, err := tls.LoadX509KeyPair(f.certificate, f.key)
	if err != nil {
		return err
	}
	f.pair, f.from = &pair, from
	return nil
}

// security is nil where the service speaks no TLS itself.
func (s *serveSettings) security(now func() time.Time, log *slog.Logger) (*tls.Config, error) {
	switch {
	case s.TLSCertificate == "" && s.TLSKey == "":
		return nil, nil
	case s.TLSCertificate == "" || s.TLSKey == "":
		return nil, errors.New("--tls-certificate and --tls-key are given both or not at all")
	}
	return secureWith(&certificateFiles{certificate: s.TLSCertificate, key: s.TLSKey, now: now, log: log})
}
