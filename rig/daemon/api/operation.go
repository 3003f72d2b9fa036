package api

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"reflect"
	"slices"
	"strings"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"drench/rig/daemon/access"
)

// Root is the path that all of the API is below.
const Root = "/api/v1"

const jsonType = "application/json"

// operation is a row of the table that all else comes from: the mux, the
// document, and the list in the documentation. The types come from the
// handler itself, so they can't be others.
type operation struct {
	method, path, id string
	group            group
	role             access.Role
	summary          string
	request, answer  reflect.Type
	media            string // of the answer; "": there is none
	status           int
	creates          bool // 201 instead, where it made something new
	lines            bool // the answer is a line or a message for each; answer is the type of one
	// serve reads the request and answers it.
	serve func(operation, *api, http.ResponseWriter, *http.Request, *jsonschema.Schema) error
}

// group is what operations are about.
type group string

// call is a request on its way to its answer.
type call struct {
	*http.Request
	w   http.ResponseWriter
	api *api
	by  string // who asks
	// created is set by whoever made something new.
	created bool
}

// nothing is the type of no request and of no answer.
type nothing struct{}

// versioned is an answer with an entity tag (RFC 9110, 8.8.3).
type versioned interface{ version() string }

// op is an operation that answers with JSON, or with nothing.
func op[Q, A any](method, path, id string, role access.Role, summary string, f func(*call, Q) (A, error)) operation {
	o := operation{method: method, path: Root + path, id: id, role: role, summary: summary,
		request: reflect.TypeFor[Q](), answer: reflect.TypeFor[A](), media: jsonType, status: http.StatusOK}
	if o.answer == reflect.TypeFor[nothing]() {
		o.media, o.status = "", http.StatusNoContent
	}
	o.serve = func(o operation, a *api, w http.ResponseWriter, r *http.Request, body *jsonschema.Schema) error {
		var q Q
		if err := read(w, r, reflect.ValueOf(&q).Elem(), body); err != nil {
			return err
		}
		c := &call{Request: r, w: w, api: a, by: access.Who(r.Context()).Name}
		answer, err := f(c, q)
		if err != nil {
			return err
		}
		status := o.status
		if c.created {
			status = http.StatusCreated
		}
		return c.write(status, answer)
	}
	return o
}

// write answers with JSON.
func (c *call) write(status int, answer any) error {
	if v, ok := answer.(versioned); ok {
		c.w.Header().Set("ETag", v.version())
		if c.Method == http.MethodGet && slices.Contains(tags(c.Header.Get("If-None-Match")), v.version()) {
			c.w.WriteHeader(http.StatusNotModified)
			return nil
		}
	}
	if _, none := answer.(nothing); none {
		c.w.WriteHeader(status)
		return nil
	}
	b, err := json.Marshal(answer)
	if err != nil {
		return fmt.Errorf("write the answer as JSON: %w", err)
	}
	c.w.Header().Set("Content-Type", jsonType)
	c.w.WriteHeader(status)
	_, _ = c.w.Write(append(b, '\n')) // whoever asked has gone, if anything
	return nil
}

// raw is an operation that writes its answer itself, of a media type; A is
// the type of the answer, string where it is text.
func raw[Q, A any](path, id string, role access.Role, media, summary string, f func(*call, Q, io.Writer) error) operation {
	o := operation{method: http.MethodGet, path: Root + path, id: id, role: role, summary: summary,
		request: reflect.TypeFor[Q](), answer: reflect.TypeFor[A](), media: media, status: http.StatusOK}
	o.serve = func(o operation, a *api, w http.ResponseWriter, r *http.Request, body *jsonschema.Schema) error {
		var q Q
		if err := read(w, r, reflect.ValueOf(&q).Elem(), body); err != nil {
			return err
		}
		out := &started{ResponseWriter: w, media: media}
		err := f(&call{Request: r, w: w, api: a, by: access.Who(r.Context()).Name}, q, out)
		switch {
		case err == nil && !out.yes:
			_, err = out.Write(nil) // an answer without a byte has a media type too
		case err != nil && out.yes:
			return &brokenOff{err}
		}
		return err
	}
	return o
}

// eachLine says that the answer has one A a line or message.
func (o operation) eachLine() operation { o.lines = true; return o }

// creating says that the answer is 201.
func (o operation) creating() operation { o.status = http.StatusCreated; return o }

// maybeCreated says that the answer is 201 where something new was made.
func (o operation) maybeCreated() operation { o.creates = true; return o }

// started knows whether an answer has begun, after which it can't become a
// problem any more.
type started struct {
	http.ResponseWriter
	media string
	yes   bool
}

func (s *started) Write(b []byte) (int, error) {
	if !s.yes {
		s.yes = true
		s.Header().Set("Content-Type", s.media)
	}
	return s.ResponseWriter.Write(b)
}

// Unwrap lets http.ResponseController flush.
func (s *started) Unwrap() http.ResponseWriter { return s.ResponseWriter }

// brokenOff is an answer that failed half-way.
type brokenOff struct{ error }

func (e *brokenOff) Unwrap() error { return e.error }

// handler answers an operation's requests.
func (a *api) handler(o operation, body *jsonschema.Schema) http.Handler {
	return access.Require(o.role, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "no-store")
		w.Header().Set("X-Content-Type-Options", "nosniff")
		err := o.serve(o, a, w, r, body)
		if broken, ok := err.(*brokenOff); ok {
			if r.Context().Err() == nil {
				a.log.WarnContext(r.Context(), "api answer broken off", "path", r.URL.Path, "err", broken.error)
			}
			// net/http's way to close the connection, so that half an answer
			// is not taken for a whole one.
			panic(http.ErrAbortHandler)
		}
		if err != nil {
			a.fail(w, r, err)
		}
	}))
}

// mux routes the table's operations. A path with another method is answered
// with those it has, any other path with a problem as well.
func (a *api) mux(table []operation) (*http.ServeMux, error) {
	m := http.NewServeMux()
	bodies, err := bodySchemas(table)
	if err != nil {
		return nil, err
	}
	methods := map[string][]string{}
	for _, o := range table {
		m.Handle(o.method+" "+o.path, a.handler(o, bodies[o.id]))
		methods[o.path] = append(methods[o.path], o.method)
		if o.method == http.MethodGet {
			methods[o.path] = append(methods[o.path], http.MethodHead)
		}
	}
	for path, list := range methods {
		slices.Sort(list)
		m.Handle(path, access.Require(access.ToLook, a.refuseMethod(strings.Join(list, ", "))))
	}
	m.Handle(Root+"/", access.Require(access.ToLook, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		a.fail(w, r, notFound("there is no "+r.URL.Path, "see "+Root+"/openapi.json"))
	})))
	return m, nil
}

func (a *api) refuseMethod(allow string) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		a.fail(w, r, &failure{class: wrongMethod, where: "method", what: "it is " + r.Method, want: allow, allow: allow})
	})
}
