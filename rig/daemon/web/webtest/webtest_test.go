package webtest

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
)

// The examination finds what it is for.
func TestViolations(t *testing.T) {
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Security-Policy", "default-src 'none'; script-src 'self'")
		w.Header().Set("Content-Type", "text/html")
		_, _ = w.Write([]byte(`<!DOCTYPE html><html><title>x</title><main><h1>x</h1><p style="color:#999;background:#fff">pale</p><input></main><script>1</script></html>`))
	}))
	defer server.Close()
	b := Open(t)
	b.Go(server.URL)
	var ids []string
	for _, v := range b.violations() {
		ids = append(ids, v.ID)
	}
	found := strings.Join(ids, " ")
	for _, want := range []string{"html-has-lang", "label"} {
		if !strings.Contains(found, want) {
			t.Errorf("found %q; want %q among them", found, want)
		}
	}
	if text := strings.Join(b.Complaints(), "\n"); !strings.Contains(text, "Content Security Policy") {
		t.Errorf("complaints are %q; want one of the policy", text)
	}
}
