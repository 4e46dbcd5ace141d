// Package pagetest opens the pages in a real browser, for tests: headless
// Chromium with scripts off, at the widths of a phone and a desk, signed in as
// somebody of a role, with axe-core to look for what keeps people out.
//
// The browser is found on the machine (chromium, or CHROMIUM); a machine without
// one skips these tests and says so, but not where CI is set: there they fail.
package pagetest

import (
	"context"
	"crypto/rand"
	_ "embed"
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/api/frame"
	"ductledger/api/pages"
	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/people"
	"ductledger/storage/storagetest"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// axe-core 4.14.1, MPL-2.0; its license stands beside it.
//
//go:embed testdata/axe.min.js
var axe string

// The widths at which every page is looked at, in CSS pixels.
const (
	Phone = 360
	Desk  = 1280
)

// Shots is where pictures are kept, if anywhere: set DUCTLEDGER_SHOTS to a folder.
var Shots = os.Getenv("DUCTLEDGER_SHOTS")

// browser is one for all tests of a process; tests are told apart by contexts
// of its own, each with its own cookies.
var browser struct {
	once sync.Once
	ctx  context.Context
	end  func()
	err  error
}

func start() {
	name := os.Getenv("CHROMIUM")
	for _, candidate := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(candidate); name == "" && err == nil {
			name = path
		}
	}
	if name == "" {
		browser.err = fmt.Errorf("no chromium on this machine")
		return
	}
	profile, err := os.MkdirTemp("", "ductledger-pagetest-*")
	if err != nil {
		browser.err = err
		return
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(name), chromedp.UserDataDir(profile), chromedp.NoSandbox)
	allocator, endAllocator := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, endBrowser := chromedp.NewContext(allocator)
	if err := chromedp.Do(ctx); err != nil {
		browser.err = fmt.Errorf("chromium does not start: %w", err)
	}
	browser.ctx, browser.end = ctx, func() { endBrowser(); endAllocator(); _ = os.RemoveAll(profile) }
}

// Main runs a package's tests as storagetest.Main does and ends the browser
// before goroutines are counted.
func Main(m *testing.M) {
	storagetest.MainWith(m, func() {
		if browser.end != nil {
			browser.end()
		}
	})
}

// patience ends a test whose browser stands still. A machine may do much else
// meanwhile: nothing is judged by how long it takes.
const patience = 10 * time.Minute

// A Tab is one browser of one person.
type Tab struct {
	T   testing.TB
	API *apitest.API
	ctx context.Context
}

// Open opens a tab with nobody signed in.
func Open(t testing.TB, a *apitest.API) *Tab {
	t.Helper()
	browser.once.Do(start)
	if browser.err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal(browser.err)
		}
		t.Skip(browser.err)
	}
	ctx, end := chromedp.NewContext(browser.ctx, chromedp.WithNewBrowserContext())
	limited, endTime := context.WithTimeout(ctx, patience)
	t.Cleanup(func() { endTime(); end() })
	tab := &Tab{T: t, API: a, ctx: limited}
	tab.Scripts(false)
	tab.Width(Desk, false)
	return tab
}

// As opens a tab with a person of the role signed in.
func As(t testing.TB, a *apitest.API, role domain.Role) *Tab {
	t.Helper()
	tab := Open(t, a)
	tab.SignIn(role, "Invented "+string(role))
	return tab
}

// Password is everybody's in these tests.
const Password = "four unrelated words here"

// SignIn signs the person of a name in, who is made where there is none.
func (tab *Tab) SignIn(role domain.Role, name string) {
	tab.T.Helper()
	session := Session(tab.T, tab.API, role, name)
	at, err := url.Parse(tab.API.URL)
	if err != nil {
		tab.T.Fatal(err)
	}
	call(tab, network.SetCookie, network.SetCookieParams{Name: "ductledger", Value: session, Domain: at.Hostname(), Path: "/", HTTPOnly: new(true)})
}

// Session is the cookie of a new session of the person of a name.
func Session(t testing.TB, a *apitest.API, role domain.Role, name string) string {
	t.Helper()
	ctx, program := context.Background(), a.World.Program
	caller := domain.Caller{Program: program, Role: domain.Admin}
	list, err := people.List(ctx, a.DB, caller, "", 500)
	if err != nil {
		t.Fatal(err)
	}
	var who people.Person
	for _, p := range list {
		if storage.NameKey(p.Name) == storage.NameKey(name) {
			who = p
		}
	}
	if who.ID.IsZero() {
		firm := domain.UUID{}
		if role == domain.ContractorRole {
			firm = a.World.Contractor
		}
		if who, err = people.Add(ctx, a.DB, caller, name, role, firm); err != nil {
			t.Fatal(err)
		}
	}
	secret := func(prefix string) (string, [32]byte) {
		text, digest, err := frame.NewSecret(prefix, program, rand.Reader)
		if err != nil {
			t.Fatal(err)
		}
		return text, digest
	}
	_, link := secret(frame.LinkPrefix)
	session, digest := secret(frame.SessionPrefix)
	if _, err := people.Link(ctx, a.DB, caller, who.ID, people.ChoosePassword, link, people.LostTime); err != nil {
		t.Fatal(err)
	}
	if err := people.Enter(ctx, a.DB, program, link, Password, digest, nil); err != nil {
		t.Fatal(err)
	}
	return session
}

// FormToken is what the forms of a session carry.
func FormToken(session string) string { return pages.FormTokenOf(session) }

// call sends one command to the browser.
func call[P, R any](tab *Tab, command cdp.Command[P, R], params P) R {
	tab.T.Helper()
	r, err := chromedp.Run(tab.ctx, func(ctx context.Context, t *chromedp.Target) (R, error) { return cdp.Call(ctx, t, command, params) })
	if err != nil {
		tab.T.Fatal(err)
	}
	return r
}

// Scripts lets the page's own scripts run, or not.
func (tab *Tab) Scripts(run bool) {
	tab.T.Helper()
	call(tab, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: !run})
}

func (tab *Tab) do(steps ...chromedp.Action[chromedp.Void]) {
	tab.T.Helper()
	if err := chromedp.Do(tab.ctx, steps...); err != nil {
		tab.T.Fatal(err)
	}
}

// Width is how wide the window is, in the light or in the dark.
func (tab *Tab) Width(pixels int64, dark bool) {
	tab.T.Helper()
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	tab.do(chromedp.EmulateViewport(pixels, 900))
	call(tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
}

// Go opens a path and waits for the page.
func (tab *Tab) Go(path string) {
	tab.T.Helper()
	tab.do(chromedp.Navigate(tab.API.URL+path), chromedp.WaitReady(chromedp.CSS("main")))
}

// Until opens a path again and again until the page says the words, as long as
// the tab's time lasts.
func (tab *Tab) Until(path, words string) {
	tab.T.Helper()
	for tab.ctx.Err() == nil {
		if tab.Go(path); strings.Contains(tab.Text(), words) {
			return
		}
		tab.do(chromedp.Sleep(50 * time.Millisecond))
	}
	tab.T.Fatalf("%s never says %q", path, words)
}

// At is the path where the tab is.
func (tab *Tab) At() string {
	tab.T.Helper()
	return strings.TrimPrefix(tab.Eval("document.location.toString()"), tab.API.URL)
}

// Text is what the page says.
func (tab *Tab) Text() string { return tab.Eval("document.querySelector('main').innerText") }

// Eval is the value of an expression, as text. It is the test that asks: the
// page's own scripts stay off.
func (tab *Tab) Eval(expression string) string {
	tab.T.Helper()
	value, err := chromedp.Run(tab.ctx, chromedp.Evaluate[string]("String("+expression+")"))
	if err != nil {
		tab.T.Fatal(err)
	}
	return value
}

// Says fails the test where the page does not say all of the words.
func (tab *Tab) Says(words ...string) {
	tab.T.Helper()
	text := tab.Text()
	for _, w := range words {
		if !strings.Contains(text, w) {
			tab.T.Errorf("%s does not say %q:\n%s", tab.At(), w, text)
		}
	}
}

// Type writes into the field that a label names, with the keyboard.
func (tab *Tab) Type(id, text string) {
	tab.T.Helper()
	field := chromedp.CSS("#" + id)
	tab.Eval("document.getElementById(" + strconv.Quote(id) + ").value = ''")
	tab.do(chromedp.Focus(field), chromedp.SendKeys(field, text))
}

// Choose puts a list on the entry that begins with the words, as its keyboard does.
func (tab *Tab) Choose(id, words string) {
	tab.T.Helper()
	if chosen := tab.Eval("(o => o && (o.selected = true))([...document.getElementById(" + strconv.Quote(id) + ").options].find(o => o.text.startsWith(" + strconv.Quote(words) + ")))"); chosen != "true" {
		tab.T.Fatalf("%s: %s has no %q", tab.At(), id, words)
	}
}

// Keys presses keys where the focus is.
func (tab *Tab) Keys(keys string) {
	tab.T.Helper()
	tab.do(chromedp.KeyEvent(keys))
}

// TabTo presses the tabulator until the focus is on what has the words, and
// fails the test where it never is. Then Enter follows a link or presses a button.
func (tab *Tab) TabTo(words string) {
	tab.T.Helper()
	const most = 200
	for range most {
		tab.do(chromedp.KeyEvent(kb.Tab))
		if tab.Eval("(e => [e.innerText || e.value, e.labels && e.labels[0] && e.labels[0].innerText].some(t => (t || '').trim() === "+strconv.Quote(words)+"))(document.activeElement)") == "true" {
			return
		}
	}
	tab.T.Fatalf("%s: the keyboard does not reach %q", tab.At(), words)
}

// Enter presses what has the focus and waits for the page that follows.
func (tab *Tab) Enter() {
	tab.T.Helper()
	before := tab.Eval("performance.timeOrigin")
	tab.do(chromedp.KeyEvent(kb.Enter))
	for tab.ctx.Err() == nil { // until the tab's own time is over
		tab.do(chromedp.Sleep(20 * time.Millisecond))
		after, err := chromedp.Run(tab.ctx, chromedp.Evaluate[string]("document.readyState === 'complete' ? String(performance.timeOrigin) : ''"))
		if err == nil && after != "" && after != before {
			return
		}
	}
	tab.T.Fatalf("%s: nothing followed", tab.At())
}

// A violation is what axe-core found.
type violation struct {
	ID, Impact, Help string
	Nodes            []struct {
		HTML   string `json:"html"`
		Target []any  `json:"target"`
	}
}

// Check looks at the page as it stands: axe-core finds nothing serious, no
// content is wider than the window, there is one h1 and a title.
func (tab *Tab) Check() {
	tab.T.Helper()
	at := tab.At()
	if wide := tab.Eval("document.documentElement.scrollWidth - document.documentElement.clientWidth"); wide != "0" {
		tab.T.Errorf("%s is %s px wider than the window: %s", at, wide, tab.Eval("[...document.querySelectorAll('body *')].filter(e => e.getBoundingClientRect().right > document.documentElement.clientWidth + 1 && !e.closest('.scroll')).slice(0, 3).map(e => e.outerHTML.slice(0, 120)).join(' | ')"))
	}
	if look := tab.Eval("getComputedStyle(document.querySelector('.bar')).display"); look != "flex" {
		tab.T.Errorf("%s came without its stylesheet", at)
	}
	if n := tab.Eval("document.querySelectorAll('h1').length"); n != "1" {
		tab.T.Errorf("%s has %s h1", at, n)
	}
	if n := tab.Eval("document.querySelectorAll('script, [onclick], [style]').length"); n != "0" {
		tab.T.Errorf("%s has %s scripts or styles of its own, which its policy forbids", at, n)
	}
	if size := tab.Eval("performance.getEntriesByType('navigation')[0].decodedBodySize"); len(size) > 6 || len(size) == 6 && size > "100000" {
		tab.T.Errorf("%s is %s bytes, at most 100,000", at, size)
	}
	tab.Scripts(true)
	text, err := chromedp.Run(tab.ctx, chromedp.Evaluate[string](axe+";axe.run(document, {resultTypes: ['violations']}).then(r => JSON.stringify(r.violations))", chromedp.EvalAwaitPromise))
	tab.Scripts(false)
	if err != nil {
		tab.T.Fatalf("%s: axe-core: %v", at, err)
	}
	var found []violation
	if err := json.Unmarshal([]byte(text), &found); err != nil {
		tab.T.Fatalf("%s: %v", at, err)
	}
	for _, v := range found {
		if v.Impact != "serious" && v.Impact != "critical" {
			tab.T.Logf("%s: %s (%s)", at, v.Help, v.Impact)
			continue
		}
		tab.T.Errorf("%s: %s: %s (%s)", at, v.ID, v.Help, v.Impact)
		for i, n := range v.Nodes {
			if i == 5 {
				break
			}
			tab.T.Errorf("    %v %.200s", n.Target, n.HTML)
		}
	}
}

// Look checks a path on a phone in the light and at a desk in the dark, and
// keeps pictures of all four where they are asked for.
func (tab *Tab) Look(path, name string) {
	tab.T.Helper()
	for _, width := range []int64{Phone, Desk} {
		for _, dark := range []bool{false, true} {
			tested := dark == (width == Desk) // both widths, and both schemes, once each
			if !tested && Shots == "" {
				continue
			}
			tab.Width(width, dark)
			tab.Go(path)
			if tested {
				tab.Check()
			}
			tab.Shot(fmt.Sprintf("%s-%d-%s", name, width, map[bool]string{false: "light", true: "dark"}[dark]))
		}
	}
	tab.Width(Desk, false)
}

// Picture is what a window of a size shows of the page as it stands.
func (tab *Tab) Picture(width, height int64) []byte {
	tab.T.Helper()
	tab.do(chromedp.EmulateViewport(width, height))
	picture, err := chromedp.Run(tab.ctx, chromedp.CaptureScreenshot())
	if err != nil {
		tab.T.Fatal(err)
	}
	return picture
}

// Shot keeps a picture of the whole page in Shots.
func (tab *Tab) Shot(name string) {
	tab.T.Helper()
	if Shots == "" {
		return
	}
	picture, err := chromedp.Run(tab.ctx, chromedp.FullScreenshot(100))
	if err != nil {
		tab.T.Fatal(err)
	}
	if err := os.MkdirAll(Shots, 0o755); err != nil {
		tab.T.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(Shots, name+".png"), picture, 0o644); err != nil {
		tab.T.Fatal(err)
	}
}
