package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// What the browser tests need outside: Chromium (Debian package), and axe-core (npm) for the accessibility rules. Where
// GAUSSLINE_REQUIRE_CHROMIUM is set, missing is failing.
const (
	needBrowser = "GAUSSLINE_REQUIRE_CHROMIUM"
	axeFile     = "GAUSSLINE_AXE"   // path of axe.min.js; default below
	shotsDir    = "GAUSSLINE_SHOTS" // where pictures are kept for a person to look at; "" nowhere
	defaultAxe  = "/tmp/axe/node_modules/axe-core/axe.min.js"
)

// pageTime bounds all that one visitor does.
const pageTime = 2 * time.Minute

// chromium is one headless browser; each visitor has cookies of their own.
type chromium struct {
	t   *testing.T
	ctx context.Context
	url string
	axe string // the script; "" the rules are not tried
}

func newChromium(t *testing.T, url string) *chromium {
	t.Helper()
	missing := func(text string) bool {
		if os.Getenv(needBrowser) != "" {
			t.Fatal(text)
		}
		return true
	}
	path, err := exec.LookPath("chromium")
	if err != nil && missing("no chromium on the path: apt-get install -y chromium") {
		t.Skip("no chromium on the path: apt-get install -y chromium; " + needBrowser + "=1 makes this a failure")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, // tests may run as root
		chromedp.Flag("ignore-certificate-errors", true), chromedp.WindowSize(1280, 900))
	alloc, stop := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(stop)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(cancel)
	b := &chromium{t: t, ctx: ctx, url: url}
	if _, err := chromedp.Run(ctx, chromedp.Navigate("about:blank")); err != nil { // the first run owns the browser, so it has no time limit
		t.Fatal(err)
	}
	file := os.Getenv(axeFile)
	if file == "" {
		file = defaultAxe
	}
	if script, err := os.ReadFile(file); err == nil {
		b.axe = string(script)
	} else if missing("no axe-core: npm install axe-core, and " + axeFile + " names axe.min.js") {
		t.Logf("no axe-core at %s: accessibility rules not tried", file)
	}
	return b
}

// visitor is one person at the browser.
type visitor struct {
	*chromium
	t   *testing.T
	ctx context.Context
}

// visitor logs in under the name of a role; "" nobody.
func (c *chromium) visitor(t *testing.T, role string) *visitor {
	t.Helper()
	tab, cancel := chromedp.NewContext(c.ctx, chromedp.WithNewBrowserContext())
	t.Cleanup(cancel)
	v := &visitor{c, t, tab}
	v.run(chromedp.Navigate("about:blank")) // the first run owns the tab
	v.ctx, cancel = context.WithTimeout(tab, pageTime)
	t.Cleanup(cancel)
	if role != "" {
		v.run(chromedp.Navigate(c.url+"/login"), chromedp.SendKeys("#name", role), chromedp.SendKeys("#password", phrase),
			chromedp.Submit("#name"), chromedp.WaitVisible("nav"))
	}
	return v
}

// step is something done in the browser that gives nothing back.
type step = chromedp.Action[chromedp.Void]

func (v *visitor) run(steps ...step) {
	v.t.Helper()
	for _, s := range steps {
		seen(v, s)
	}
}

// seen does something in the browser and gives its value.
func seen[T any](v *visitor, a chromedp.Action[T]) T {
	v.t.Helper()
	x, err := chromedp.Run(v.ctx, a)
	if err != nil {
		v.t.Fatal(err)
	}
	return x
}

func (v *visitor) open(path string) {
	v.t.Helper()
	v.run(chromedp.Navigate(v.url + path)) // ends when the page is loaded
	if !seen(v, chromedp.Evaluate[bool](`document.querySelector("h1")?.offsetWidth > 0`)) {
		v.t.Fatalf("%s shows nothing", path)
	}
}

func (v *visitor) text() string { v.t.Helper(); return seen(v, chromedp.Text("body")) }

// press goes on by key: a click goes to a point of the page, which may still move while it is laid out.
func (v *visitor) press(selector, then string) {
	v.t.Helper()
	v.run(chromedp.Focus(selector), chromedp.KeyEvent("\r"), chromedp.WaitVisible(then))
}

// keep writes a file for a person to look at.
func (v *visitor) keep(name string, b []byte) {
	v.t.Helper()
	if dir := os.Getenv(shotsDir); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			v.t.Fatal(err)
		}
	}
}

func (v *visitor) shot(name string) {
	v.t.Helper()
	if os.Getenv(shotsDir) != "" {
		v.keep(name+".png", seen(v, chromedp.FullScreenshot(100)))
	}
}

// rules runs the WCAG 2.2 A and AA rules of axe-core on the page. It is put in over the debugging protocol: the page's
// own policy lets no script in.
func (v *visitor) rules(name string) {
	v.t.Helper()
	if v.axe == "" {
		return
	}
	const run = `axe.run(document, {runOnly: ["wcag2a","wcag2aa","wcag21a","wcag21aa","wcag22aa","best-practice"]}).then(r => JSON.stringify(r.violations.map(v => ({id: v.id, help: v.help, nodes: v.nodes.map(n => n.html.slice(0, 200))}))))`
	v.run(chromedp.Evaluate[chromedp.Void](v.axe))
	out := seen(v, chromedp.Evaluate[string](run, chromedp.EvalAwaitPromise))
	var found []struct {
		ID, Help string
		Nodes    []string
	}
	if err := json.Unmarshal([]byte(out), &found); err != nil {
		v.t.Fatal(err)
	}
	for _, f := range found {
		v.t.Errorf("%s: axe %s: %s\n  %s", name, f.ID, f.Help, strings.Join(f.Nodes, "\n  "))
	}
}

// look opens a page, runs the rules, and checks that nothing is wider than the window, on a desk and on a tablet.
func (v *visitor) look(name, path string) {
	v.t.Helper()
	v.open(path)
	v.rules(name)
	v.shot(name)
	v.run(chromedp.EmulateViewport(820, 1180))
	if over := seen(v, chromedp.Evaluate[int](`document.documentElement.scrollWidth - document.documentElement.clientWidth`)); over > 0 {
		v.t.Errorf("%s: %d pixels wider than a tablet", name, over)
	}
	v.shot(name + "-tablet")
	v.run(chromedp.EmulateViewport(1280, 900))
}

// print makes a PDF of the page that is open, of A4, and wants it to have from least to most pages with each of the words
// on every one of them, as Poppler's pdftotext reads them.
func (v *visitor) print(name string, least, most int, onEach ...string) {
	v.t.Helper()
	pdf := seen(v, chromedp.PrintToPDF(chromedp.PDFPreferCSSPageSize(), chromedp.PDFPaper(chromedp.PaperA4)))
	v.keep(name+".pdf", pdf)
	cmd := exec.Command("pdftotext", "-raw", "-", "-")
	cmd.Stdin = bytes.NewReader(pdf)
	out, err := cmd.Output()
	if errors.Is(err, exec.ErrNotFound) && os.Getenv(needBrowser) == "" {
		v.t.Skip("no pdftotext (Debian: apt-get install poppler-utils)")
	}
	pages := strings.Split(strings.TrimSuffix(string(out), "\f"), "\f") // a form feed ends each
	if err != nil || len(pages) < least || len(pages) > most {
		v.t.Errorf("%s: %v, %d bytes, %d pages, want %d to %d", name, err, len(pdf), len(pages), least, most)
	}
	for i, text := range pages {
		text = strings.Join(strings.Fields(text), " ")
		for _, word := range append(onEach, fmt.Sprintf("page %d of %d", i+1, len(pages))) {
			if !strings.Contains(text, word) {
				v.t.Errorf("%s, page %d of %d: %q is not on it:\n%s", name, i+1, len(pages), word, text)
			}
		}
	}
}
