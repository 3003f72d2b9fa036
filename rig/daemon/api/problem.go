package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"drench/results/store"
	"drench/rig/daemon"
)

// Problem is an answer that is none: RFC 9457's problem details, with what
// drench says of every mistake besides.
type Problem struct {
	Type     string   `json:"type"` // where this kind of problem is explained
	Title    string   `json:"title"`
	Status   int      `json:"status"`
	Detail   string   `json:"detail"`
	Instance string   `json:"instance,omitempty"` // the path that was asked for
	Where    string   `json:"where,omitempty"`    // such as "body /trials" or "query limit"
	What     string   `json:"what,omitempty"`
	Expected string   `json:"expected,omitempty"`
	Mend     string   `json:"mend,omitempty"`
	Problems []string `json:"problems,omitempty"` // all of them, where there are several
}

// class is what a problem is about.
type class struct {
	Slug   string `json:"kind"`
	Status int    `json:"status"`
	Title  string `json:"title"`
	About  string `json:"about"`
}

const problemsPath = Root + "/problems/"

// Kinds of problem.
var (
	malformed    = class{"malformed", http.StatusBadRequest, "The request is malformed", "A parameter, header or body can't be read as what it is said to be: see where, what and expected. Send it again corrected."}
	unknown      = class{"unknown", http.StatusUnauthorized, "Nobody is known to ask", "The daemon asks for a token and got none, or a wrong one. Send it as: Authorization: Bearer TOKEN."}
	forbidden    = class{"forbidden", http.StatusForbidden, "The role does not allow it", "The token's role is too low for this operation; the list of operations names the role that each needs."}
	missing      = class{"missing", http.StatusNotFound, "There is no such thing", "What the path names does not exist. The list beside it has what there is."}
	wrongMethod  = class{"wrong-method", http.StatusMethodNotAllowed, "The method does not suit", "The path is right, the method is not: the header Allow has those that suit."}
	notNow       = class{"not-now", http.StatusConflict, "The state does not allow it now", "The request is right, but not in the present state: see detail. Try again once that has changed."}
	changed      = class{"changed", http.StatusPreconditionFailed, "It has changed meanwhile", "If-Match names another version than the one that is kept: somebody else has changed it. Get it again, put your change into that, and send it with its ETag."}
	tooLarge     = class{"too-large", http.StatusRequestEntityTooLarge, "The body is too large", "No body may have more than 1 MiB."}
	wrongType    = class{"wrong-type", http.StatusUnsupportedMediaType, "The content type does not suit", "The header Content-Type must name what the operation takes: application/json, or text/plain for files."}
	refused      = class{"refused", http.StatusUnprocessableEntity, "It is well-formed but wrong", "What was sent can be read, but can't be run or kept as it is: problems has all that is wrong, as drench check says it."}
	needsVersion = class{"needs-version", http.StatusPreconditionRequired, "It must be said which version is meant", "It exists: send If-Match with the ETag of the version that you have seen, so that nobody's change is lost."}
	misdirected  = class{"misdirected", http.StatusMisdirectedRequest, "The daemon is not called that", "The header Host names another machine. Ask for the daemon by a name it has."}
	tooMany      = class{"too-many", http.StatusTooManyRequests, "Too many wrong tokens", "Wait a while before the next try."}
	fault        = class{"fault", http.StatusInternalServerError, "The daemon failed", "Something broke in the daemon or its disk; detail and the daemon's log say what."}
)

// classes lists them all, for the explanations.
var classes = []class{malformed, unknown, forbidden, missing, wrongMethod, notNow, changed, tooLarge, wrongType, refused, needsVersion, misdirected, tooMany, fault}

// failure is a problem on its way to its answer.
type failure struct {
	class
	where, what, want, mend string
	problems                []string
	cause                   error
	allow                   string // of a wrong method
}

// Error says where, what, what was expected and the mend.
func (f *failure) Error() string {
	text := f.what
	if f.where != "" {
		text = f.where + ": " + text
	}
	for _, more := range []struct{ lead, text string }{{"; expected ", f.want}, {"; ", f.mend}} {
		if more.text != "" {
			text += more.lead + more.text
		}
	}
	return text
}

func (f *failure) Unwrap() error { return f.cause }

func notFound(what, mend string) error { return &failure{class: missing, what: what, mend: mend} }

// asFailure finds out what kind of problem an error is.
func asFailure(err error) *failure {
	var own *failure
	var bad *daemon.BadRequest
	var cleared *store.ClearedError
	var large *http.MaxBytesError
	is := func(target error) bool { return errors.Is(err, target) }
	switch {
	case errors.As(err, &own):
		return own
	case errors.As(err, &bad):
		return &failure{class: refused, what: strings.Join(bad.Problems, "\n"), problems: bad.Problems, cause: err}
	case errors.As(err, &cleared), is(daemon.ErrBusy):
		return &failure{class: notNow, what: err.Error(), cause: err}
	case is(daemon.ErrNotFound), is(store.ErrNotFound), is(store.ErrNoTrip):
		return &failure{class: missing, what: err.Error(), cause: err}
	case errors.As(err, &large):
		return &failure{class: tooLarge, where: "body", what: fmt.Sprintf("it has more than %d bytes", large.Limit), mend: "send less", cause: err}
	default:
		return &failure{class: fault, what: err.Error(), cause: err}
	}
}

// problem is the answer that a failure gives.
func (f *failure) problem(r *http.Request) Problem {
	return Problem{Type: problemsPath + f.class.Slug, Title: f.class.Title, Status: f.class.Status, Detail: f.Error(), Instance: r.URL.EscapedPath(),
		Where: f.where, What: f.what, Expected: f.want, Mend: f.mend, Problems: f.problems}
}

// fail answers with a problem. Faults of the daemon go into its log too.
func (a *api) fail(w http.ResponseWriter, r *http.Request, err error) {
	f := asFailure(err)
	if f.class.Status >= http.StatusInternalServerError && !errors.Is(err, context.Canceled) {
		a.log.ErrorContext(r.Context(), "api request failed", "method", r.Method, "path", r.URL.Path, "err", err)
	}
	if f.allow != "" {
		w.Header().Set("Allow", f.allow)
	}
	writeProblem(w, f.problem(r))
}

func writeProblem(w http.ResponseWriter, p Problem) {
	h := w.Header()
	h.Set("Content-Type", "application/problem+json")
	h.Set("Cache-Control", "no-store")
	h.Del("ETag")
	h.Del("Content-Disposition")
	w.WriteHeader(p.Status)
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	_ = e.Encode(p) // whoever asked has gone, if anything
}

// Refuse answers a request that was turned away before it came here, in the
// form of all other problems: it suits access.Options.
func Refuse(w http.ResponseWriter, r *http.Request, status int, text string) {
	f := &failure{class: fault, what: text}
	for _, k := range classes {
		if k.Status == status {
			f.class = k
		}
	}
	p := f.problem(r)
	p.Status = status
	writeProblem(w, p)
}
