package access

import (
	"fmt"
	"net"
	"net/netip"
	"strings"
)

// Policy says how whoever comes to an address is known.
type Policy struct {
	Login bool // only tokens are let in
	TLS   bool
}

// Way is how a daemon is to be reached.
type Way struct {
	Address  string // host:port to listen on; no host stands for every address of the machine
	TLS      bool   // with a certificate
	Insecure bool   // the operator says that clear text is good enough there
	Login    bool   // ask for tokens on loopback too: for a machine with other users, or a proxy before it
	Tokens   int    // how many there are
}

// Listen decides whether a daemon may listen as asked, and how it then knows
// people. On loopback nothing is asked for. Elsewhere there must be tokens,
// and TLS that keeps them secret on their way, or Insecure.
func Listen(w Way) (Policy, error) {
	host, _, err := net.SplitHostPort(w.Address)
	if err != nil {
		return Policy{}, fmt.Errorf("listen on %s: %w; expected HOST:PORT such as localhost:8480", quoted(w.Address), err)
	}
	away := !isLoopback(host)
	p := Policy{Login: away || w.Login, TLS: w.TLS}
	switch {
	case p.Login && w.Tokens == 0:
		return Policy{}, fmt.Errorf("listen on %s: nobody has a token, so nobody could be let in; make one first: drench serve token add NAME --role operator", w.Address)
	case away && !w.TLS && !w.Insecure:
		return Policy{}, fmt.Errorf("listen on %s: tokens would cross the network in clear text; "+
			"expected a certificate and its key for TLS, or --insecure where something else keeps the way secret (a VPN, a proxy with TLS)", w.Address)
	}
	return p, nil
}

// isLoopback tells whether only this machine reaches a host. Of names only
// localhost counts (RFC 6761, 6.3, and names under it): any other may be
// given another address at any time.
func isLoopback(host string) bool {
	host = strings.ToLower(strings.TrimSuffix(host, "."))
	if host == "localhost" || strings.HasSuffix(host, ".localhost") {
		return true
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.Unmap().IsLoopback()
}
