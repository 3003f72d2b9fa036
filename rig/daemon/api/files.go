package api

import (
	"io"
	"net/http"

	"drench/rig/daemon"
	"drench/rig/daemon/access"
)

const files group = "files"

func fileOperations() []operation {
	return []operation{
		op(http.MethodGet, "/files", "listFiles", access.ToLook, "Scripts, limits and profiles that are kept, without their texts", listFiles),
		op(http.MethodGet, "/files/{name}", "getFile", access.ToLook, "One file, with its text and all that is wrong with it", getFile),
		raw[named, string]("/files/{name}/text", "getFileText", access.ToLook, "text/plain; charset=utf-8", "A file's text as it is", getFileText),
		op(http.MethodPut, "/files/{name}", "putFile", access.ToEdit, "Make or change a file; a change needs If-Match", putFile).maybeCreated(),
		op(http.MethodDelete, "/files/{name}", "deleteFile", access.ToEdit, "Delete a file; needs If-Match", deleteFile),
		op(http.MethodPost, "/files/{name}/check", "checkFile", access.ToLook, "Check a text without keeping it; a script is rehearsed on the virtual bench", checkFile),
		op(http.MethodGet, "/files/{name}/preview", "previewFile", access.ToLook, "Rehearse a script, or a stock scenario, on the virtual bench, and draw what it does", previewFile),
	}
}

// file is a file as its own answer.
type file struct{ daemon.File }

func (f file) version() string { return `"` + f.Hash + `"` }

type fileList struct {
	Files []daemon.File `json:"files"`
}

func listFiles(c *call, _ nothing) (fileList, error) {
	all, err := c.api.daemon.Files(c.Context())
	list := fileList{filled(all)}
	for i := range list.Files {
		list.Files[i].Text = ""
	}
	return list, err
}

func getFile(c *call, q named) (file, error) {
	f, err := c.api.daemon.File(c.Context(), q.Name)
	return file{f}, err
}

func getFileText(c *call, q named, w io.Writer) error {
	f, err := getFile(c, q)
	if err != nil {
		return err
	}
	c.w.Header().Set("ETag", f.version())
	_, err = io.WriteString(w, f.Text)
	return err
}

func putFile(c *call, q struct {
	named
	ifMatch
	Body string `body:"text/plain"`
}) (file, error) {
	c.api.edit.Lock()
	defer c.api.edit.Unlock()
	now, err := getFile(c, q.named)
	existed, err := q.allows(now.version(), err)
	if err != nil {
		return file{}, err
	}
	kept, err := c.api.daemon.PutFile(c.Context(), c.by, q.Name, q.Body)
	c.created = !existed
	return file{kept}, err
}

func deleteFile(c *call, q struct {
	named
	ifMatch
}) (nothing, error) {
	c.api.edit.Lock()
	defer c.api.edit.Unlock()
	now, err := getFile(c, q.named)
	if err != nil {
		return nothing{}, err
	}
	if _, err := q.allows(now.version(), nil); err != nil {
		return nothing{}, err
	}
	return nothing{}, c.api.daemon.DeleteFile(c.Context(), c.by, q.Name)
}

func checkFile(c *call, q struct {
	named
	Body string `body:"text/plain"`
}) (daemon.File, error) {
	return c.api.daemon.CheckFile(c.Context(), q.Name, q.Body)
}

func previewFile(c *call, q named) (daemon.Preview, error) {
	return c.api.daemon.Preview(c.Context(), q.Name)
}
