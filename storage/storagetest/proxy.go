package storagetest

import (
	"net/url"
	"testing"

	"ductledger/storage"
	"ductledger/storage/proxy"
)

// OpenBehind is Open with a proxy before the database.
func OpenBehind(t testing.TB, options ...func(*storage.Options)) (*storage.DB, *Clock, *proxy.Proxy) {
	t.Helper()
	direct := URL(t)
	u, err := url.Parse(direct)
	if err != nil {
		t.Fatal(err)
	}
	p, err := proxy.Listen(u.Host)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Close) // after the database was closed
	u.Host = p.Address()
	own := func(o *storage.Options) { o.Patience = 0 } // as in a service: here it may hang
	db, clock := openAt(t, u.String(), direct, append([]func(*storage.Options){own}, options...)...)
	return db, clock, p
}
