package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"ductledger/storage/storagetest"
)

// selfSigned writes a certificate for 127.0.0.1 and its key.
func selfSigned(t *testing.T, folder string, serial int64) (certificate, key string, pool *x509.CertPool) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: "invented"}, NotBefore: time.Now().Add(-time.Hour),
		NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	certificate, key = filepath.Join(folder, "certificate.pem"), filepath.Join(folder, "key.pem")
	for name, block := range map[string]*pem.Block{certificate: {Type: "CERTIFICATE", Bytes: der}, key: {Type: "PRIVATE KEY", Bytes: secret}} {
		if err := os.WriteFile(name, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	parsed, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool = x509.NewCertPool()
	pool.AddCert(parsed)
	return certificate, key, pool
}

// With certificate files the service speaks TLS 1.2 and newer by itself, says
// so to browsers, and answers nothing without TLS.
func TestServeSpeaksTLS(t *testing.T) {
	certificate, key, pool := selfSigned(t, t.TempDir(), 1)
	s := startService(t, storagetest.URL(t), 0, "--tls-certificate", certificate, "--tls-key", key)
	address := s.url[len("http://"):]
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}}}
	defer client.CloseIdleConnections()
	for range 2 {
		got, err := client.Get("https://" + address + "/livez")
		if err != nil {
			t.Fatal(err)
		}
		got.Body.Close()
		if got.StatusCode != 200 || got.Header.Get("Strict-Transport-Security") != "max-age=31536000" {
			t.Errorf("%d %v", got.StatusCode, got.Header)
		}
	}
	if got, err := http.Get("http://" + address + "/livez"); err == nil {
		t.Errorf("without TLS: %d", got.StatusCode)
		got.Body.Close()
	}
	old := &tls.Config{RootCAs: pool, MaxVersion: tls.VersionTLS11}
	if c, err := tls.Dial("tcp", address, old); err == nil {
		t.Error("TLS 1.1 was taken")
		c.Close()
	}
}

// A renewed certificate is used without a new start, a broken file is not, and
// a key that others can read stops the start.
func TestCertificateFiles(t *testing.T) {
	folder := t.TempDir()
	certificate, key, _ := selfSigned(t, folder, 1)
	now := time.Now()
	files := &certificateFiles{certificate: certificate, key: key, now: func() time.Time { return now }, log: slog.New(slog.DiscardHandler)}
	if _, err := secureWith(files); err != nil {
		t.Fatal(err)
	}
	serial := func() int64 {
		pair, err := files.get(nil)
		if err != nil {
			t.Fatal(err)
		}
		parsed, err := x509.ParseCertificate(pair.Certificate[0])
		if err != nil {
			t.Fatal(err)
		}
		return parsed.SerialNumber.Int64()
	}
	later := func() { // the files' own times may be too coarse to differ
		for _, name := range []string{certificate, key} {
			now = now.Add(certificateInterval)
			if err := os.Chtimes(name, now, now); err != nil {
				t.Fatal(err)
			}
		}
	}
	selfSigned(t, folder, 2)
	later()
	if got := serial(); got != 2 {
		t.Errorf("after the renewal number %d is used", got)
	}
	if err := os.WriteFile(certificate, []byte("half"), 0o600); err != nil {
		t.Fatal(err)
	}
	later()
	if got := serial(); got != 2 {
		t.Errorf("with a broken file number %d is used", got)
	}
	if err := os.Chmod(key, 0o640); err != nil {
		t.Fatal(err)
	}
	if _, err := secureWith(&certificateFiles{certificate: certificate, key: key, now: time.Now}); err == nil {
		t.Error("a key that others can read was taken")
	}
	if _, err := (&serveSettings{TLSCertificate: certificate}).security(time.Now, nil); err == nil {
		t.Error("a certificate without a key was taken")
	}
}
