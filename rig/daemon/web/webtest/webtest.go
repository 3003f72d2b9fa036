// Package webtest lets tests look at pages in a headless Chromium: as people
// see them, and as a screen reader would.
package webtest

import (
	"context"
	_ "embed"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// axeCore looks for what keeps people out; see testdata/axe/README.md.
//
//go:embed testdata/axe/axe.min.js
var axeCore string

// patience is how long a page may take until something is so.
const patience = 30 * time.Second

// Browser is a tab of a headless Chromium. A step that fails ends the test.
type Browser struct {
	t   *testing.T
	ctx context.Context

	mu         sync.Mutex
	complaints []string
}

// Open opens a browser, or skips the test without Chromium; with
// DRENCH_REQUIRE=all it fails then.
func Open(t *testing.T) *Browser {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("DRENCH_REQUIRE") == "all" {
			t.Fatal("chromium is not installed, and DRENCH_REQUIRE=all")
		}
		t.Skip("chromium is not installed")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.NoFirstRun, chromedp.Flag("disable-background-networking", true))
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	b := &Browser{t: t, ctx: ctx}
	// The browser lives as long as the context of this first step.
	if err := chromedp.Do(ctx, chromedp.Navigate("about:blank")); err != nil {
		t.Fatalf("open chromium: %v", err)
	}
	go b.listen()
	return b
}

// listen gathers what the browser says is wrong: exceptions, and what the
// content security policy forbids. That an answer has a status of 4xx is for
// the test to say.
func (b *Browser) listen() {
	for m, err := range chromedp.Console(b.ctx) {
		if err != nil {
			return
		}
		if (m.IsException() || m.Type == "error") && !strings.Contains(m.Text, "status of 4") {
			b.mu.Lock()
			b.complaints = append(b.complaints, m.String())
			b.mu.Unlock()
		}
	}
}

// Complaints are what the browser said is wrong so far.
func (b *Browser) Complaints() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]string{}, b.complaints...)
}

func (b *Browser) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		b.t.Fatal(err)
	}
}

// Go opens an address.
func (b *Browser) Go(url string) { b.t.Helper(); b.do(chromedp.Navigate(url)) }

// Click clicks the first that a CSS selector finds.
func (b *Browser) Click(sel string) { b.t.Helper(); b.do(chromedp.Click(chromedp.CSS(sel))) }

// Type types text into a field.
func (b *Browser) Type(sel, text string) {
	b.t.Helper()
	b.do(chromedp.SendKeys(chromedp.CSS(sel), text))
}

// Set gives a field a value, and tells the page so.
func (b *Browser) Set(sel, value string) {
	b.t.Helper()
	Value[bool](b, fmt.Sprintf(`(() => { const n = document.querySelector(%q); n.value = %q; return n.dispatchEvent(new Event("input", {bubbles: true})); })()`, sel, value))
}

// See waits until what a selector finds is to be seen.
func (b *Browser) See(sel string) { b.t.Helper(); b.do(chromedp.WaitVisible(chromedp.CSS(sel))) }

// Value evaluates an expression of the page's script language. It is not
// bound by the page's policy.
func Value[T any](b *Browser, expression string) T {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// Wait waits until an expression is true, across reloads.
func (b *Browser) Wait(expression string) {
	b.t.Helper()
	for end := time.Now().Add(patience); ; time.Sleep(50 * time.Millisecond) {
		is, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool]("Boolean("+expression+")"))
		if err == nil && is {
			return
		}
		if time.Now().After(end) {
			b.t.Fatalf("it never became so: %s (%v); the page says: %.2000s", expression, err, Value[string](b, "document.body.innerText"))
		}
	}
}

// Look is how somebody looks at a page.
type Look struct {
	Name   string
	Scheme string // light or dark
	Width  int64
}

// Looks are a desk and a phone, in light and dark.
func Looks() []Look {
	return []Look{{"light", "light", 1280}, {"dark", "dark", 1280}, {"phone", "light", 390}, {"phone-dark", "dark", 390}}
}

// Look changes how the browser looks at pages.
func (b *Browser) Look(l Look) {
	b.t.Helper()
	_, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: l.Scheme}}})
	if err != nil {
		b.t.Fatal(err)
	}
	b.do(chromedp.EmulateViewport(l.Width, 900))
}

// WithoutScripts stops the pages' scripts, as if there were none.
func (b *Browser) WithoutScripts() {
	b.t.Helper()
	if _, err := chromedp.Call(b.ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true}); err != nil {
		b.t.Fatal(err)
	}
}

// Examine reports all that keeps people out of the page as it is: what axe
// finds by WCAG 2.2 AA and good practice, a page that is wider than its
// screen, and targets smaller than 44 px, which a wet thumb misses (links
// within text are as high as the text). where names the page in messages.
func (b *Browser) Examine(where string) {
	b.t.Helper()
	for _, v := range b.violations() {
		b.t.Errorf("%s: %v", where, v)
	}
	if wide := Value[float64](b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); wide > 0 {
		b.t.Errorf("%s is %v px wider than the screen", where, wide)
	}
	const small = `[...document.querySelectorAll("button, .button, select, input:not([type=hidden]):not([type=checkbox]), textarea, summary, nav a, .tick label")]
		.filter((n) => n.offsetParent && (n.offsetHeight < 44 || n.offsetWidth < 44)).map((n) => n.outerHTML.slice(0, 90))`
	for _, n := range Value[[]string](b, small) {
		b.t.Errorf("%s: smaller than 44 px: %s", where, n)
	}
}

// violation is a finding of axe.
type violation struct {
	ID, Help string
	Nodes    []struct{ HTML, FailureSummary string }
}

func (v violation) String() string {
	text := v.ID + ": " + v.Help
	for _, n := range v.Nodes {
		text += "\n  " + n.HTML + "\n    " + strings.ReplaceAll(n.FailureSummary, "\n", "\n    ")
	}
	return text
}

func (b *Browser) violations() []violation {
	b.t.Helper()
	b.do(chromedp.Evaluate[chromedp.Void](axeCore))
	text := Value[string](b, `axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"], iframes: false})
		.then((r) => JSON.stringify(r.violations))`)
	var found []violation
	if err := json.Unmarshal([]byte(text), &found); err != nil {
		b.t.Fatal(err)
	}
	return found
}

// Picture keeps a picture of the whole page in the folder that
// DRENCH_SCREENSHOTS names, if it names one.
func (b *Browser) Picture(name string) {
	b.t.Helper()
	folder := os.Getenv("DRENCH_SCREENSHOTS")
	if folder == "" {
		return
	}
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	picture, err := chromedp.Run(ctx, func(ctx context.Context, _ *chromedp.Target) ([]byte, error) {
		r, err := chromedp.Call(ctx, page.CaptureScreenshot, page.CaptureScreenshotParams{})
		if err != nil {
			return nil, fmt.Errorf("take a picture: %w", err)
		}
		return r.Data, nil
	})
	if err == nil {
		name = strings.NewReplacer("/", "_", "?", "_", "&", "_").Replace(name)
		err = os.WriteFile(filepath.Join(folder, name+".png"), picture, 0o600)
	}
	if err != nil {
		b.t.Fatal(err)
	}
}
