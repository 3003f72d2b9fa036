package web

import (
	"fmt"
	"net/http"
	"path"
	"regexp"
	"strconv"
	"strings"

	"drench/rig/daemon"
	"drench/rig/daemon/access"
)

// filesPage lists what is kept.
type filesPage struct{ Groups []fileGroup }

type fileGroup struct {
	Heading, About string
	Files          []daemon.File
}

var fileKinds = []struct{ ext, heading, about string }{
	{".star", "Scripts", "What a scenario does, in Starlark."},
	{".limits", "Limits", "What a run is judged by, a limit a line."},
	{".yaml", "Profiles", "What the maker of a device claims, and how to read what it prints."},
}

func (s *site) files(w http.ResponseWriter, r *http.Request) error {
	files, err := s.Bench.Files(r.Context())
	if err != nil {
		return err
	}
	var p filesPage
	for _, k := range fileKinds {
		g := fileGroup{Heading: k.heading, About: k.about}
		for _, f := range files {
			if path.Ext(f.Name) == k.ext {
				g.Files = append(g.Files, f)
			}
		}
		p.Groups = append(p.Groups, g)
	}
	return s.show(w, r, view{page: "files", title: "Scripts, limits and profiles", section: "files", body: p})
}

// filePage is one file, shown or edited.
type filePage struct {
	daemon.File
	New      bool
	Found    []found // problems
	Checked  bool    // Found is about the text as shown
	Runnable string  // scenario to run, "" for other files
}

// found is a problem with its place in the text.
type found struct {
	Text string
	Line int // 0: none
	Col  int
}

// placed is how drench check writes a place: file:line:col: what.
var placed = regexp.MustCompile(`^[^:\s]+:(\d+)(?::(\d+))?: `)

func findings(problems []string) []found {
	list := make([]found, len(problems))
	for i, p := range problems {
		list[i].Text = p
		if m := placed.FindStringSubmatch(p); m != nil {
			list[i].Line, _ = strconv.Atoi(m[1]) // digits; too many are no place
			list[i].Col, _ = strconv.Atoi(m[2])
		}
	}
	return list
}

func (s *site) newFile(w http.ResponseWriter, r *http.Request) error {
	p := filePage{New: true}
	if from := r.FormValue("from"); access.PlainName(from) {
		f, err := s.Bench.File(r.Context(), from)
		if err != nil {
			return err
		}
		p.Text = f.Text
	}
	return s.show(w, r, view{page: "file", title: "A new file", section: "files", body: p})
}

func (s *site) file(w http.ResponseWriter, r *http.Request) error {
	n, err := name(r)
	if err != nil {
		return err
	}
	f, err := s.Bench.File(r.Context(), n)
	if err != nil {
		return err
	}
	return s.showFile(w, r, 0, filePage{File: f, Found: findings(f.Problems), Checked: true})
}

func (s *site) showFile(w http.ResponseWriter, r *http.Request, status int, p filePage) error {
	if path.Ext(p.Name) == ".star" && !p.New {
		p.Runnable = scenarioName(p.File)
	}
	return s.show(w, r, view{page: "file", title: p.Name, section: "files", status: status, body: p})
}

// typed is the file as the form has it, with the line ends of a text file.
func typed(r *http.Request) (daemon.File, []string) {
	f := daemon.File{Name: strings.TrimSpace(r.PostFormValue("name")), Text: strings.ReplaceAll(r.PostFormValue("text"), "\r\n", "\n"), Hash: r.PostFormValue("hash")}
	if !access.PlainName(f.Name) {
		return f, []string{fmt.Sprintf("name: %q; expected letters, digits and . _ - between them, such as splash.star", f.Name)}
	}
	return f, nil
}

func (s *site) checkFile(w http.ResponseWriter, r *http.Request) error {
	f, wrong := typed(r)
	p := filePage{File: f, New: f.Hash == ""}
	if len(wrong) == 0 {
		checked, err := s.Bench.CheckFile(r.Context(), f.Name, f.Text)
		more, ok := problems(err)
		if err != nil && !ok {
			return err
		}
		wrong, p.Checked = append(checked.Problems, more...), true
	}
	p.Found = findings(wrong)
	if r.Header.Get("Accept") == "text/x-part" {
		return s.part(w, "found", p)
	}
	return s.showFile(w, r, 0, p)
}

// part writes a piece of a page, for a script to put in its place.
func (s *site) part(w http.ResponseWriter, name string, data any) error {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	if err := s.pages["file"].ExecuteTemplate(w, name, data); err != nil {
		return fmt.Errorf("write a part of a page: %w", err)
	}
	return nil
}

// putFile keeps a file, unless somebody else has changed it since the form
// was fetched.
func (s *site) putFile(w http.ResponseWriter, r *http.Request) error {
	f, wrong := typed(r)
	p := filePage{File: f, New: f.Hash == ""}
	if len(wrong) == 0 {
		now, err := s.Bench.File(r.Context(), f.Name)
		switch {
		case err == nil && p.New:
			wrong = []string{fmt.Sprintf("name: there is a %s already; expected a name that is free, or edit that one", f.Name)}
		case err == nil && now.Hash != f.Hash:
			wrong = []string{fmt.Sprintf("%s was changed meanwhile by %s; yours is below and not kept: compare, and save again to overwrite", f.Name, now.By)}
			p.Hash = now.Hash
		}
	}
	if len(wrong) == 0 {
		_, err := s.Bench.PutFile(r.Context(), who(r), f.Name, f.Text)
		if err == nil {
			return done(w, r, "/files/of/"+f.Name, "kept")
		}
		var ok bool
		if wrong, ok = problems(err); !ok {
			return err
		}
		p.Checked = true
	}
	p.Found = findings(wrong)
	return s.showFile(w, r, http.StatusUnprocessableEntity, p)
}

func (s *site) deleteFile(w http.ResponseWriter, r *http.Request) error {
	n, err := name(r)
	if err != nil {
		return err
	}
	if err := s.Bench.DeleteFile(r.Context(), who(r), n); err != nil {
		return err
	}
	return done(w, r, "/files", "deleted")
}

// previewPage is what a script does, and the file that it stands in.
type previewPage struct {
	daemon.Preview
	File string
}

func (s *site) preview(w http.ResponseWriter, r *http.Request) error {
	n, err := name(r)
	if err != nil {
		return err
	}
	p, err := s.Bench.Preview(r.Context(), n)
	if err != nil {
		return err
	}
	return s.show(w, r, view{page: "preview", title: "Preview of " + n, section: "files", body: previewPage{p, n}})
}
