package web

import (
	"net/http"
	"strings"

	"drench/rig/daemon/access"
)

// loginBody asks for a token.
type loginBody struct {
	Then    string // path to go on to
	Problem string
}

func (s *site) loginPage(w http.ResponseWriter, r *http.Request) {
	s.askToken(w, 0, loginBody{Then: access.LocalPath(r.FormValue("then"))})
}

func (s *site) askToken(w http.ResponseWriter, status int, b loginBody) {
	if err := s.write(w, view{page: "login", status: status, body: b}, frame{Title: "Log in", Bare: true, Body: b}); err != nil {
		s.Log.Error("cannot ask for a token", "error", err)
		http.Error(w, "the daemon failed; its log says why", http.StatusInternalServerError)
	}
}

func (s *site) login(w http.ResponseWriter, r *http.Request) {
	b := loginBody{Then: access.LocalPath(r.FormValue("then"))}
	if s.Door == nil {
		http.Redirect(w, r, b.Then, http.StatusSeeOther)
		return
	}
	if err := s.Door.Enter(w, r, strings.TrimSpace(r.PostFormValue("token"))); err != nil {
		b.Problem = err.Error()
		s.askToken(w, http.StatusUnauthorized, b)
		return
	}
	http.Redirect(w, r, b.Then, http.StatusSeeOther)
}

func (s *site) logout(w http.ResponseWriter, r *http.Request) {
	if s.Door != nil {
		s.Door.Leave(w, r)
	}
	http.Redirect(w, r, LoginPath, http.StatusSeeOther)
}

// Refuse answers with a page whoever the gate turns away, for access.Options.
func Refuse(w http.ResponseWriter, r *http.Request, status int, text string) {
	pages, err := readPages()
	if err != nil {
		http.Error(w, text, status)
		return
	}
	s := &site{pages: pages}
	t := trouble{Status: status, Heading: http.StatusText(status), Problems: []string{text}}
	if err := s.write(w, view{page: "trouble", status: status}, frame{Title: t.Heading, Bare: true, Body: t}); err != nil {
		http.Error(w, text, status)
	}
}
