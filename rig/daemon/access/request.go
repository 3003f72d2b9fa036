package access

import (
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Content is the content security policy of every page: its own files and
// nothing else. A page that needs another sets the header anew.
const Content = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; " +
	"form-action 'self'; frame-src 'self'; frame-ancestors 'none'; base-uri 'none'"

func setHeaders(h http.Header, tls bool) {
	h.Set("Content-Security-Policy", Content)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=(), payment=(), usb=()")
	h.Set("Cache-Control", "no-store")
	if tls {
		h.Set("Strict-Transport-Security", "max-age=31536000")
	}
}

// hostIsOurs keeps out pages of other sites whose name has been pointed at
// this machine (DNS rebinding): a browser takes them for this site, and where
// no login is asked for nothing else tells them apart. Where one is, the
// session belongs to the true name, and the other one has none.
func (g *Gate) hostIsOurs(host string) bool {
	if g.Policy.Login {
		return true
	}
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	name = strings.TrimSuffix(strings.TrimPrefix(name, "["), "]")
	return isLoopback(name) || slices.ContainsFunc(g.Hosts, func(h string) bool { return strings.EqualFold(h, name) })
}

// peer is the address that failures are counted by: an IPv4 address, or the
// half of an IPv6 address that names a network, as each of its machines has
// the other half to itself.
func peer(remote string) netip.Prefix {
	ap, err := netip.ParseAddrPort(remote)
	if err != nil {
		return netip.Prefix{} // of all without an address together
	}
	a := ap.Addr().Unmap().WithZone("")
	bits := 64
	if a.Is4() {
		bits = 32
	}
	p, _ := a.Prefix(bits) // it is within the address's length
	return p
}

// longestName of tokens, scripts, nights.
const longestName = 64

// PlainName tells whether a name is one that can stand in a path and be a
// file's name: letters, digits, and . _ - between them, at most 64 bytes.
// It begins with a letter or a digit, so it is never "..", hidden or a flag.
func PlainName(s string) bool {
	if s == "" || len(s) > longestName {
		return false
	}
	for i := range len(s) {
		c := s[i]
		switch {
		case 'a' <= c && c <= 'z', 'A' <= c && c <= 'Z', '0' <= c && c <= '9':
		case i > 0 && (c == '.' || c == '_' || c == '-'):
		default:
			return false
		}
	}
	return true
}

// LocalPath returns s if it is a path on this site, with its query, and "/"
// if it is anything that a browser would take for another site.
func LocalPath(s string) string {
	u, err := url.Parse(s)
	switch {
	case err != nil, u.Scheme != "", u.Host != "", u.User != nil, u.Opaque != "":
		return "/"
	case !strings.HasPrefix(s, "/"), strings.HasPrefix(s, "//"):
		return "/"
	case strings.ContainsFunc(s, func(r rune) bool { return r == '\\' || r <= ' ' || r == 0x7f || r == utf8.RuneError }):
		return "/" // browsers read \ as / and drop tabs and line breaks
	case strings.HasPrefix(u.Path, "//"):
		return "/"
	}
	return s
}

// quoted puts outside text into a message, cut to a length that one reads.
func quoted(s string) string {
	const most = 80
	if len(s) > most {
		s = s[:most] + "…"
	}
	return strconv.Quote(s)
}
