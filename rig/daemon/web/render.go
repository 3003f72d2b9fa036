package web

import (
	"bytes"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"strings"

	"drench/results/store"
	"drench/rig/daemon"
	"drench/rig/daemon/access"
)

//go:embed pages/*.tmpl
var pageFiles embed.FS

//go:embed static
var staticFiles embed.FS

// page is a template with the frame around it.
type page struct{ *template.Template }

// readPages parses every page with the frame that all share.
func readPages() (map[string]page, error) {
	shared, err := template.New("frame.tmpl").Funcs(funcs).ParseFS(pageFiles, "pages/frame.tmpl", "pages/parts.tmpl")
	if err != nil {
		return nil, fmt.Errorf("read the pages' frame: %w", err)
	}
	names, err := fs.Glob(pageFiles, "pages/*.tmpl")
	if err != nil {
		return nil, fmt.Errorf("list the pages: %w", err)
	}
	pages := map[string]page{}
	for _, n := range names {
		name := strings.TrimSuffix(path.Base(n), ".tmpl")
		if name == "frame" || name == "parts" {
			continue
		}
		t, err := shared.Clone()
		if err == nil {
			t, err = t.ParseFS(pageFiles, n)
		}
		if err != nil {
			return nil, fmt.Errorf("read page %s: %w", name, err)
		}
		pages[name] = page{t}
	}
	return pages, nil
}

// frame is what every page shows around its own.
type frame struct {
	Title   string
	Section string // of the navigation
	Who     access.Person
	Logout  bool // there is a session to leave
	Live    daemon.Live
	Bare    bool   // no bench is shown: whoever asks is not let in yet
	Said    string // what an action has done
	Here    string // path of this page
	Body    any
}

// State is what the bench does, in words.
func (f frame) State() state { return wordsOf(f.Live) }

// May tells whether whoever looks has a role; pages leave out forms that
// would be refused.
func (f frame) May(role string) bool {
	r, err := access.ParseRole(role)
	return err == nil && f.Who.May(r)
}

// view is a page to show.
type view struct {
	page, title, section string
	status               int // 0: 200
	body                 any
}

// show writes a page, whole or not at all.
func (s *site) show(w http.ResponseWriter, r *http.Request, v view) error {
	who := access.Who(r.Context())
	f := frame{Title: v.title, Section: v.section, Who: who, Logout: s.Door != nil && who.Name != access.Local,
		Live: s.Bench.Live(), Said: said[r.FormValue("done")], Here: "/", Body: v.body}
	if r.Method == http.MethodGet { // what a form answers has no address to come back to
		f.Here = r.URL.RequestURI()
	}
	return s.write(w, v, f)
}

func (s *site) write(w http.ResponseWriter, v view, f frame) error {
	var b bytes.Buffer
	if err := s.pages[v.page].ExecuteTemplate(&b, "frame.tmpl", f); err != nil {
		return fmt.Errorf("write page %s: %w", v.page, err)
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	if v.status != 0 {
		w.WriteHeader(v.status)
	}
	_, _ = b.WriteTo(w) // whoever asked has gone, if anything
	return nil
}

// said are the words for what an action has done. They are looked up by a
// word in the path, so that no text of a stranger's link is shown.
var said = map[string]string{
	"stopped":   "The bench was told to stop: outputs go safe, the run ends as error.",
	"paused":    "The queue is paused: the present run goes on, no further one is started.",
	"resumed":   "The queue goes on.",
	"cleared":   "The trip is cleared, with your name and note.",
	"queued":    "It is in the queue.",
	"cancelled": "It is taken from the queue.",
	"moved":     "The queue has a new order.",
	"tagged":    "The run has its new tags.",
	"rejudged":  "The run is judged again; earlier judgements stay.",
	"kept":      "It is kept.",
	"deleted":   "It is deleted.",
	"opened":    "The lot is open, and its sample is drawn.",
	"voided":    "The entry no longer counts; it stays in the ledger.",
	"withdrawn": "The lot is withdrawn.",
	"signed":    "Entries are signed with that name now.",
	"started":   "The night is started: its runs are in the queue.",
}

// done sends the browser to a page that says what was done, so that a reload
// does not do it again.
func done(w http.ResponseWriter, r *http.Request, to, what string) error {
	mark := "?"
	if strings.Contains(to, "?") {
		mark = "&"
	}
	http.Redirect(w, r, to+mark+"done="+what, http.StatusSeeOther)
	return nil
}

// roleError says that somebody who is let in may not do this.
type roleError struct {
	who   access.Person
	needs access.Role
}

func (e *roleError) Error() string {
	return fmt.Sprintf("this needs the role %v; you are here as %s, %v", e.needs, e.who.Name, e.who.Role)
}

var errNoPage = fmt.Errorf("%w: there is no such page", daemon.ErrNotFound)

// handle answers errors with a page that says what was wrong.
func (s *site) handle(do func(http.ResponseWriter, *http.Request) error) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		err := do(w, r)
		if err == nil || r.Context().Err() != nil {
			return
		}
		t := troubleOf(err)
		if t.Status == http.StatusInternalServerError {
			s.Log.Error("cannot answer", "path", r.URL.Path, "error", err)
		}
		if err := s.show(w, r, view{page: "trouble", title: t.Heading, status: t.Status, body: t}); err != nil {
			s.Log.Error("cannot say what went wrong", "error", err)
			http.Error(w, t.Heading, http.StatusInternalServerError)
		}
	})
}

// trouble is why something could not be done, for a person.
type trouble struct {
	Status   int
	Heading  string
	Problems []string
}

func troubleOf(err error) trouble {
	var bad *daemon.BadRequest
	var cleared *store.ClearedError
	var large *http.MaxBytesError
	var role *roleError
	switch {
	case errors.As(err, &role):
		return trouble{http.StatusForbidden, "That is not for your role", []string{err.Error()}}
	case errors.As(err, &bad):
		return trouble{http.StatusUnprocessableEntity, "That can’t be done as asked", bad.Problems}
	case errors.As(err, &cleared):
		return trouble{http.StatusConflict, "Somebody was quicker", []string{cleared.Error()}}
	case errors.Is(err, daemon.ErrBusy):
		return trouble{http.StatusConflict, "Not now", []string{err.Error()}}
	case errors.Is(err, daemon.ErrNotFound), errors.Is(err, store.ErrNotFound), errors.Is(err, store.ErrNoTrip):
		return trouble{http.StatusNotFound, "Not found", []string{err.Error()}}
	case errors.As(err, &large):
		return trouble{http.StatusRequestEntityTooLarge, "Too large", []string{fmt.Sprintf("the form has more than %d bytes", large.Limit)}}
	}
	return trouble{http.StatusInternalServerError, "The daemon failed", []string{err.Error()}}
}

// problems are those of a bad request, which a form shows beside itself; ok is
// false for any other error.
func problems(err error) (list []string, ok bool) {
	var bad *daemon.BadRequest
	if errors.As(err, &bad) {
		return bad.Problems, true
	}
	return nil, false
}

// static serves what pages are drawn with. It is the program's own, so a
// browser may keep it, but asks each time whether it is still the same.
func static() http.Handler {
	files := http.FileServerFS(staticFiles)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-cache")
		b, err := fs.ReadFile(staticFiles, strings.TrimPrefix(r.URL.Path, "/"))
		if err != nil {
			http.NotFound(w, r)
			return
		}
		w.Header().Set("ETag", etag(b))
		files.ServeHTTP(w, r)
	})
}
