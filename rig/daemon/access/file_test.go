package access

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

func TestFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "data", "tokens.json")
	f := NewFile(path)
	if list, err := f.Tokens(t.Context()); err != nil || len(list) != 0 {
		t.Fatalf("without a file: %v, %v", list, err)
	}
	token, secret, err := Issue("ada", Operator, time.Now())
	must(t, err)
	must(t, f.Add(t.Context(), token))
	b, err := os.ReadFile(path)
	must(t, err)
	if strings.Contains(string(b), secret) || !strings.Contains(string(b), `"role": "operator"`) {
		t.Errorf("the file holds %s", b)
	}
	info, err := os.Stat(path)
	must(t, err)
	if info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v; want 0600", info.Mode())
	}
	if err := f.Add(t.Context(), token); err == nil || !strings.Contains(err.Error(), "revoke it first") {
		t.Errorf("a second token of a name: %v", err)
	}
	if err := f.Revoke(t.Context(), "bob"); err == nil || !strings.Contains(err.Error(), "ada") {
		t.Errorf("revoke an unknown one: %v; want the names that there are", err)
	}
	must(t, f.Revoke(t.Context(), "ada"))
	if list, err := f.Tokens(t.Context()); err != nil || len(list) != 0 {
		t.Errorf("after revoking: %v, %v", list, err)
	}
}

func TestFileRefused(t *testing.T) {
	for name, c := range map[string]struct {
		text string
		mode os.FileMode
		want string
	}{
		"readable by others": {`{"tokens":[]}`, 0o644, "chmod 600"},
		"no JSON":            {`tokens`, 0o600, "restore the file"},
		"an unknown role":    {`{"tokens":[{"name":"a","role":"root","sum":""}]}`, 0o600, "expected viewer"},
	} {
		path := filepath.Join(t.TempDir(), "tokens.json")
		must(t, os.WriteFile(path, []byte(c.text), c.mode))
		must(t, os.Chmod(path, c.mode))
		if _, err := NewFile(path).Tokens(t.Context()); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v; want %q in the error", name, err, c.want)
		}
	}
}

// Several processes may add tokens at once; none is lost.
func TestFileTogether(t *testing.T) {
	path := filepath.Join(t.TempDir(), "tokens.json")
	var all sync.WaitGroup
	for i := range 8 {
		all.Go(func() {
			token, _, err := Issue(fmt.Sprintf("n%d", i), Viewer, time.Now())
			if err == nil {
				err = NewFile(path).Add(t.Context(), token)
			}
			if err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if list, err := NewFile(path).Tokens(t.Context()); err != nil || len(list) != 8 {
		t.Errorf("%d tokens, %v; want 8", len(list), err)
	}
}

func TestIssue(t *testing.T) {
	for _, c := range []struct {
		name string
		role Role
		want string
	}{
		{"", Viewer, "whose token"}, {"a b", Viewer, "letters"}, {"local", Viewer, "expected another"}, {"schedule", Viewer, "expected another"},
		{"ada", Nobody, "expected viewer"}, {"ada", Engineer + 1, "expected viewer"},
	} {
		if _, _, err := Issue(c.name, c.role, time.Now()); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("Issue(%q, %v): %v; want %q in the error", c.name, c.role, err, c.want)
		}
	}
	_, one, err := Issue("ada", Viewer, time.Now())
	must(t, err)
	_, two, err := Issue("ada", Viewer, time.Now())
	must(t, err)
	if one == two || len(one) != 43 {
		t.Errorf("tokens %q, %q; want two of 256 bits, 43 characters", one, two)
	}
}
