package frame

import (
	"crypto/sha256"
	"net"
	"net/http"
	"net/netip"
	"strings"

	"ductledger/domain"
)

// clientAddress is where a request comes from: the connection's other end, or,
// where that is a proxy that the operator named, the last address in
// X-Forwarded-For that is not one of them. Anybody can write what stands
// before it.
func clientAddress(r *http.Request, trusted []netip.Prefix) netip.Addr {
	address := peer(r)
	hops := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	for i := len(hops) - 1; i >= 0 && within(address, trusted); i-- {
		hop, err := netip.ParseAddr(strings.TrimSpace(hops[i]))
		if err != nil {
			break
		}
		address = hop.Unmap()
	}
	return address
}

// peer is the connection's other end.
func peer(r *http.Request) netip.Addr {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return netip.Addr{}
	}
	address, _ := netip.ParseAddr(host)
	return address.Unmap()
}

// fromProxy tells whether a proxy that the operator named sent the request.
func fromProxy(r *http.Request, trusted []netip.Prefix) bool { return within(peer(r), trusted) }

func within(address netip.Addr, prefixes []netip.Prefix) bool {
	for _, p := range prefixes {
		if p.Contains(address) {
			return true
		}
	}
	return false
}

// addressKey is the same for all addresses that one customer of a network has:
// one of IPv4, 2^64 of IPv6.
func addressKey(address netip.Addr) domain.UUID {
	if address.Is6() {
		if prefix, err := address.WithZone("").Prefix(64); err == nil {
			address = prefix.Addr()
		}
	}
	sum := sha256.Sum256([]byte("address " + address.String()))
	return domain.UUID(sum[:16])
}
