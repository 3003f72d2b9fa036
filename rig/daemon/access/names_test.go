package access

import (
	"net/url"
	"path/filepath"
	"strings"
	"testing"
)

func TestPlainName(t *testing.T) {
	for s, want := range map[string]bool{
		"splash.star": true, "sensor-b.yaml": true, "A_1": true, strings.Repeat("x", 64): true,
		"": false, ".": false, "..": false, ".hidden": false, "-flag": false, "a/b": false, `a\b`: false, "a b": false,
		"a\x00": false, "ä": false, "a%2fb": false, "C:x": false, strings.Repeat("x", 65): false,
	} {
		if got := PlainName(s); got != want {
			t.Errorf("PlainName(%q) = %v; want %v", s, got, want)
		}
	}
}

func FuzzPlainName(f *testing.F) {
	for _, s := range []string{"splash.star", "..", "a/../b", "\x00", "a..b"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if !PlainName(s) {
			return
		}
		if at := filepath.Join("/data", s); filepath.Dir(at) != "/data" || filepath.Base(at) != s {
			t.Errorf("%q leaves its folder: %s", s, at)
		}
		if url.PathEscape(s) != s {
			t.Errorf("%q is not itself in a path", s)
		}
	})
}

func TestLocalPath(t *testing.T) {
	for s, want := range map[string]string{
		"/": "/", "/runs?dut=a&tag=b%3Dc": "/runs?dut=a&tag=b%3Dc", "/runs/7#limits": "/runs/7#limits",
		"": "/", "runs": "/", "//evil.example": "/", "///evil.example": "/", `/\evil.example`: "/", "/\t/evil.example": "/",
		"https://evil.example/": "/", "javascript:alert(1)": "/", "/%2F/evil.example": "/", "\n/": "/", "/a\r\nSet-Cookie: x": "/",
	} {
		if got := LocalPath(s); got != want {
			t.Errorf("LocalPath(%q) = %q; want %q", s, got, want)
		}
	}
}

func FuzzLocalPath(f *testing.F) {
	for _, s := range []string{"/runs/7?x=1#y", "//evil.example", `/\evil`, "/%5c/evil", "/\n/evil", "http:/x"} {
		f.Add(s)
	}
	base, err := url.Parse("https://here.example/login")
	if err != nil {
		f.Fatal(err)
	}
	// A browser drops tabs and line breaks and reads \ as / (WHATWG URL
	// Standard, 4.4, basic URL parser).
	asBrowser := strings.NewReplacer("\t", "", "\n", "", "\r", "", `\`, "/")
	f.Fuzz(func(t *testing.T, s string) {
		to, err := base.Parse(asBrowser.Replace(LocalPath(s)))
		if err != nil || to.Host != "here.example" || to.Scheme != "https" {
			t.Errorf("%q leads to %v, %v", s, to, err)
		}
	})
}
