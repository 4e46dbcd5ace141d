package main

import (
	"context"
	"crypto/rand"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/storage/people"
	"ductledger/storage/storagetest"
)

// A provider of OpenID Connect written by others, in the form of its own example:
// two users, three clients.
const oidcServer = "github.com/zitadel/oidc/v3/example/server@v3.52.0"

// agency is the provider's process.
type agency struct {
	address, port string
	cmd           *exec.Cmd
}

func (a *agency) start(t *testing.T, back string) {
	t.Helper()
	a.cmd = exec.Command(storagetest.Tool(t, oidcServer))
	a.cmd.Env = append(os.Environ(), "PORT="+a.port, "REDIRECT_URI="+back)
	if err := a.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(a.stop)
	for range 6000 {
		if answer, err := http.Get(a.address + ".well-known/openid-configuration"); err == nil {
			_ = answer.Body.Close()
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Fatal("the provider does not answer")
}

func (a *agency) stop() {
	_ = a.cmd.Process.Kill()
	_ = a.cmd.Wait()
}

// surfer is a browser that runs no scripts.
type surfer struct {
	*testing.T
	http.Client
	base string
}

type seen struct {
	status        int
	text, address string
	refresh       string // where the page leads by itself
}

func surf(t *testing.T, base string) *surfer {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	return &surfer{t, http.Client{Jar: jar}, base}
}

func (b *surfer) look(answer *http.Response, err error) seen {
	b.Helper()
	if err != nil {
		b.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		b.Fatal(err)
	}
	_, refresh, _ := strings.Cut(answer.Header.Get("Refresh"), "url=")
	return seen{answer.StatusCode, string(text), answer.Request.URL.String(), refresh}
}

func (b *surfer) get(address string) seen {
	b.Helper()
	if strings.HasPrefix(address, "/") {
		address = b.base + address
	}
	return b.look(b.Get(address))
}

// leave opens a page of ours and presses the button for the agency's account.
func (b *surfer) leave(page string, form url.Values) seen {
	b.Helper()
	at := b.get(page)
	token := regexp.MustCompile(`name="form" value="([^"]+)"`).FindStringSubmatch(at.text)
	if token == nil || !strings.Contains(at.text, "your county account") {
		b.Fatalf("%s: no form, or no button for the county account: %d %s", page, at.status, at.text)
	}
	form.Set("form", token[1])
	return b.look(b.PostForm(b.base+"/staff/account", form))
}

// there signs a user of the provider in and comes back.
func (b *surfer) there(at seen, user string) seen {
	b.Helper()
	if at.status != 200 || at.refresh == "" {
		b.Fatalf("the page leads nowhere: %d %s", at.status, at.text)
	}
	login := b.get(at.refresh)
	id := regexp.MustCompile(`name="id" value="([^"]+)"`).FindStringSubmatch(login.text)
	if id == nil {
		b.Fatalf("no form at the provider: %d %s %s", login.status, login.address, login.text)
	}
	to, err := url.Parse(login.address)
	if err != nil {
		b.Fatal(err)
	}
	return b.look(b.PostForm(to.Scheme+"://"+to.Host+"/login/username", url.Values{"id": {id[1]}, "username": {user}, "password": {"verysecure"}}))
}

func (b *surfer) says(what string, at seen, status int, words ...string) {
	b.Helper()
	if at.status != status {
		b.Errorf("%s: %d, want %d: %s", what, at.status, status, at.text)
	}
	for _, w := range words {
		if !strings.Contains(at.text, w) {
			b.Errorf("%s: the page lacks %q: %s", what, w, at.text)
		}
	}
}

// An invited person chooses the account of their agency by the link and signs in
// by it from then on. Whom nobody invited comes in by no account; what was
// altered on the way, or is somebody else's, is refused in plain words.
func TestSignInByTheAgencysAccount(t *testing.T) {
	where := storagetest.FreeAddress(t)
	_, port, _ := strings.Cut(where, ":")
	provider := &agency{address: "http://localhost:" + port + "/", port: port}
	secret := filepath.Join(t.TempDir(), "client-secret")
	if err := os.WriteFile(secret, []byte("secret\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	s := startService(t, storagetest.URL(t), 1, "--oidc-issuer", provider.address, "--oidc-client-id", "web", "--oidc-client-secret", secret,
		"--oidc-name", "county account", "--limit", "guess_burst_count=1000")
	w := s.programs[0]
	program, err := s.db.Program(t.Context(), w.Program)
	if err != nil {
		t.Fatal(err)
	}
	invite := func(name string) (link string, id domain.UUID) {
		t.Helper()
		ctx := context.Background()
		p, err := people.Add(ctx, s.db, w.Admin, name, domain.Staff, domain.UUID{})
		if err != nil {
			t.Fatal(err)
		}
		text, digest, err := frame.NewSecret(frame.LinkPrefix, w.Program, rand.Reader)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := people.Link(ctx, s.db, w.Admin, p.ID, people.ChoosePassword, digest, people.InvitationTime); err != nil {
			t.Fatal(err)
		}
		return text, p.ID
	}
	const first, second = "test-user@localhost", "test-user2"
	sign := url.Values{"program": {program.Code}}
	page := "/staff/sign-in?program=" + program.Code

	// A provider that is away keeps nobody from anything but itself.
	b := surf(t, s.url)
	b.says("away", b.leave(page, sign), 503, "does not answer")
	provider.start(t, s.url+"/staff/account/return")
	b.says("no such program", b.leave(page, url.Values{"program": {"NOWHERE"}}), 422, "there is no program NOWHERE")

	vera, veraID := invite("Vera Invented")
	b = surf(t, s.url)
	b.says("by the link", b.there(b.leave("/staff/join/"+vera, url.Values{"link": {vera}}), first), 200)
	b.says("by the link", b.get("/staff/me"), 200, "Vera Invented")
	if p, err := people.Get(t.Context(), s.db, w.Admin, veraID); err != nil || p.State != people.Active {
		t.Errorf("she is %s, %v", p.State, err)
	}
	b = surf(t, s.url)
	b.says("the link again", b.get("/staff/join/"+vera), 404)
	b.says("again", b.there(b.leave(page, sign), first), 200)
	b.says("again", b.get("/staff/me"), 200, "Vera Invented")

	// Another account, and hers by another's link.
	before, err := people.List(t.Context(), s.db, w.Admin, "", 100)
	if err != nil {
		t.Fatal(err)
	}
	b = surf(t, s.url)
	b.says("nobody's account", b.there(b.leave(page, sign), second), 401, "nobody&#39;s in this program", "An admin makes a link")
	if after, err := people.List(t.Context(), s.db, w.Admin, "", 100); err != nil || len(after) != len(before) {
		t.Errorf("%d people, before %d, %v", len(after), len(before), err)
	}
	will, _ := invite("Will Invented")
	b = surf(t, s.url)
	b.says("another's account", b.there(b.leave("/staff/join/"+will, url.Values{"link": {will}}), first), 409, "belongs to another person")
	b = surf(t, s.url)
	b.says("his own", b.there(b.leave("/staff/join/"+will, url.Values{"link": {will}}), second), 200)
	b.says("his own", b.get("/staff/me"), 200, "Will Invented")

	// What is altered on the way: state, nonce, PKCE, code; what the provider refuses.
	back := func(query string) string { return s.url + "/staff/account/return?" + query }
	b.says("without a beginning", surf(t, s.url).get(back("code=x&state=y")), 400, "not begun in this browser")
	for _, c := range []struct {
		name, parameter, want string
		status                int
	}{
		{"another state", "state", "not begun in this browser", 400},
		{"another nonce", "nonce", "could not be verified", 401},
		{"another challenge", "code_challenge", "could not be verified", 401},
	} {
		b := surf(t, s.url)
		at := b.leave(page, sign)
		to, err := url.Parse(at.refresh)
		if err != nil {
			t.Fatal(err)
		}
		query := to.Query()
		if query.Get(c.parameter) == "" || query.Get("code_challenge_method") != "S256" {
			t.Errorf("%s: it is asked for by %s", c.name, at.refresh)
		}
		query.Set(c.parameter, strings.Repeat("A", 43))
		to.RawQuery = query.Encode()
		at.refresh = to.String()
		b.says(c.name, b.there(at, first), c.status, c.want)
		b.says(c.name, b.get("/staff/me"), 200, "Your name") // still the form for signing in
	}
	b = surf(t, s.url)
	state := func() string {
		t.Helper()
		to, err := url.Parse(b.leave(page, sign).refresh)
		if err != nil {
			t.Fatal(err)
		}
		return to.Query().Get("state")
	}
	b.says("refused there", b.get(back("error=access_denied&state="+state())), 401, "did not let you in")
	b.says("an invented code", b.get(back("code=invented&state="+state())), 401, "could not be verified")
	provider.stop()
	b.says("away meanwhile", b.get(back("code=invented&state="+state())), 503, "does not answer")

	// A new link for a password takes the account away.
	text, digest, err := frame.NewSecret(frame.LinkPrefix, w.Program, rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := people.Link(t.Context(), s.db, w.Admin, veraID, people.ChoosePassword, digest, people.LostTime); err != nil {
		t.Fatal(err)
	}
	_, session, err := frame.NewSecret(frame.SessionPrefix, w.Program, rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	if err := people.Enter(t.Context(), s.db, w.Program, digest, "four unrelated words here", session, nil); err != nil {
		t.Fatal(err, text)
	}
	provider.start(t, s.url+"/staff/account/return")
	b = surf(t, s.url)
	b.says("after a password was chosen", b.there(b.leave(page, sign), first), 401, "nobody&#39;s in this program")
}

// Without a provider there is no button and no door; half a provider, or a secret that
// others can read, ends the start.
func TestNoProviderIsSet(t *testing.T) {
	s := startService(t, storagetest.URL(t), 1)
	b := surf(t, s.url)
	if at := b.get("/staff/sign-in"); at.status != 200 || strings.Contains(at.text, "/staff/account") {
		t.Errorf("%d %s", at.status, at.text)
	}
	b.says("no door", b.get("/staff/account/return?code=x&state=y"), 404)
	open := filepath.Join(t.TempDir(), "client-secret")
	if err := os.WriteFile(open, []byte("secret"), 0o644); err != nil { //nolint:gosec // it is to be refused
		t.Fatal(err)
	}
	for want, args := range map[string][]string{
		"are set together":     {"--oidc-issuer", "https://login.agency.example"},
		"readable by others":   {"--oidc-issuer", "https://login.agency.example", "--oidc-client-id", "x", "--oidc-client-secret", open},
		"begins with https://": {"--oidc-issuer", "http://login.agency.example", "--oidc-client-id", "x", "--oidc-client-secret", closedCopy(t)},
	} {
		if got := runWith(t, []string{"DATABASE_URL=postgres://u@127.0.0.1:1/none"}, append([]string{"serve"}, args...)...); got.code != exitRefused || !strings.Contains(got.stderr, want) {
			t.Errorf("%v: exit %d %s, want %q", args, got.code, got.stderr, want)
		}
	}
}

func closedCopy(t *testing.T) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "client-secret")
	if err := os.WriteFile(name, []byte(fmt.Sprintln("secret")), 0o600); err != nil {
		t.Fatal(err)
	}
	return name
}
