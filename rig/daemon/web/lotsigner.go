package web

import (
	"net/http"
	"net/url"
	"strings"
	"unicode"

	"drench/rig/daemon"
	"drench/rig/daemon/access"
)

// signerCookie holds the name of who tests, on a machine where nobody logs in.
const signerCookie = "drench-signer"

// longestSigner of a name, in bytes.
const longestSigner = 80

// signer is who signs entries of a ledger: whoever logged in, or without a
// login whoever said who they are.
func signer(r *http.Request) string {
	by := who(r)
	if by != access.Local {
		return by
	}
	if c, err := r.Cookie(signerCookie); err == nil {
		if name, err := url.QueryUnescape(c.Value); err == nil && isName(name) {
			return name
		}
	}
	return by
}

func isName(name string) bool {
	return strings.TrimSpace(name) != "" && len(name) <= longestSigner && !strings.ContainsFunc(name, unicode.IsControl)
}

// sign remembers who tests, in the browser.
func (s *site) sign(w http.ResponseWriter, r *http.Request) error {
	name := strings.TrimSpace(r.FormValue("name"))
	if !isName(name) {
		return &daemon.BadRequest{Problems: []string{"name: expected who tests, on one line"}}
	}
	http.SetCookie(w, &http.Cookie{Name: signerCookie, Value: url.QueryEscape(name), Path: "/lots", MaxAge: 12 * 3600, HttpOnly: true, SameSite: http.SameSiteStrictMode})
	return done(w, r, back(r), "signed")
}
