package pagetest_test

import (
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	"ductledger/api/pages/pagetest"
	"ductledger/domain"
	"ductledger/storage/storagetest"

	"github.com/chromedp/chromedp/kb"
)

// keyboard does steps with a keyboard alone, each "verb label" or "verb label: words":
// what has the label is reached by the tabulator, in sight and with its outline.
//
//	type   writes in the place of what stands there, or a date's digits
//	pick   moves a list to the entry that begins with the words
//	open   opens what is folded
//	jump   follows a link within the page
//	press  follows a link or presses a button, and waits for the page that follows
func keyboard(tab *pagetest.Tab, steps ...string) {
	tab.T.Helper()
	for _, step := range steps {
		verb, rest, _ := strings.Cut(step, " ")
		label, words, _ := strings.Cut(rest, ": ")
		tab.TabTo(label)
		if seen := tab.Eval(inSight); seen != "" {
			tab.T.Errorf("%s: %q has the focus and %s", tab.At(), label, seen)
		}
		switch verb {
		case "type":
			tab.Keys(words)
		case "pick":
			pick(tab, label, words)
		case "open":
			tab.Keys(kb.Enter)
			if tab.Eval("document.activeElement.parentElement.open") != "true" {
				tab.T.Fatalf("%s: %q does not open", tab.At(), label)
			}
		case "jump":
			tab.Keys(kb.Enter)
		case "press":
			tab.Enter()
			if faults := tab.Eval("[...document.querySelectorAll('.faults')].map(e => e.innerText).join()"); faults != "" {
				tab.T.Fatalf("%q: %s", step, faults)
			}
		default:
			tab.T.Fatalf("no such step: %s", step)
		}
	}
}

// inSight says what keeps somebody from seeing where the focus is; empty: nothing does.
const inSight = `(e => { const r = e.getBoundingClientRect(), s = getComputedStyle(e);
	if (r.width < 2 || r.height < 2) return 'has no size';
	if (r.bottom < 0 || r.top > innerHeight || r.right < 0 || r.left > innerWidth) return 'is out of sight';
	return s.outlineStyle === 'none' || parseFloat(s.outlineWidth) < 2 ? 'has no outline' : '';
})(document.activeElement)`

// pick presses the arrow until the list stands on the entry; it ends where the list does.
func pick(tab *pagetest.Tab, label, words string) {
	tab.T.Helper()
	const chosen = "document.activeElement.selectedOptions[0].text"
	tab.Keys(kb.Home)
	for last := ""; ; tab.Keys(kb.ArrowDown) {
		at := tab.Eval(chosen)
		if strings.HasPrefix(at, words) {
			return
		}
		if at == last {
			tab.T.Fatalf("%s: the keyboard does not reach %q of %q", tab.At(), words, label)
		}
		last = at
	}
}

// Every decision that a person makes on the pages is made by keyboard alone, on a phone
// and at a desk, scripts off; the API says that it happened, and who did it.
func TestEveryDecisionByKeyboard(t *testing.T) {
	for _, width := range []int64{pagetest.Phone, pagetest.Desk} {
		t.Run(fmt.Sprint(width), func(t *testing.T) { decideAll(t, width) })
	}
}

func decideAll(t *testing.T, width int64) {
	s := newScene(t)
	returned, decided := s.SentIn, s.job(t)
	s.Do(domain.Staff, "PUT", "/v1/instruments/"+storagetest.ID().String(), object{"instrument": "duct_fan", "serial": "AGENCY-1", "calibrated_on": "2026-01-01", "calibrated_until_on": "2027-12-31"}).Want(201)
	tab := pagetest.Open(t, s.API)
	tab.Width(width, false)
	job := func(id domain.UUID) string { return "/staff/jobs/" + id.String() }
	seed, signedIn := "", ""
	decide := func(name string, role domain.Role, at string, steps []string, action string) {
		t.Helper()
		s.Clock.Move(time.Second) // so that the audit tells this deed from the one before
		if signedIn != name {
			tab.SignIn(role, name)
			signedIn = name
		}
		tab.Go(at)
		keyboard(tab, steps...)
		if action == "" {
			return
		}
		var deeds struct {
			Items []struct {
				Action string    `json:"action"`
				Name   string    `json:"name"`
				At     time.Time `json:"at"`
			} `json:"items"`
		}
		s.Do(domain.Admin, "GET", "/v1/audit?action="+action+"&limit=1", nil).Want(200).Into(&deeds)
		if len(deeds.Items) != 1 || deeds.Items[0].Name != name || !deeds.Items[0].At.Equal(s.Clock.Now()) {
			t.Errorf("%v: of %s the audit knows %+v, not %s at %s", steps, action, deeds.Items, name, s.Clock.Now())
		}
	}
	for _, do := range []struct {
		role   domain.Role
		at     string
		steps  []string
		action string // as the audit has it, of the person
		state  string // of the job that it is about, after it
		job    domain.UUID
		after  func()
	}{
		{domain.Staff, "/staff/today", []string{"jump To the content"}, "", "", returned, func() {
			if got := tab.Eval("document.activeElement.id"); got != "content" {
				t.Errorf("the skip link leads to %q", got)
			}
		}},
		{domain.Staff, job(returned), []string{"type What to do, in a sentence: Set it behind B7.", "press Return to the crew"}, "review_return", "returned", returned, nil},
		{domain.Staff, job(decided), []string{"open Answer a question", "pick Finding: 3", "type The answer: Four are there.", "press Save the answer"}, "review_answer", "sent_in", decided, nil},
		{domain.Staff, job(decided), []string{"open Waive…", "pick Finding: 1", "type Why it is lifted: It was talked through.", "type What was agreed instead: The lock hangs first.", "type Day of the talk with the crew: 10142026", "press Waive it"}, "add_waiver", "sent_in", decided, nil},
		{domain.Staff, job(decided), []string{"open Waive…", "pick Finding: 1", "type Why it is lifted: B7 is closed for good.", "type What was agreed instead: Seen in a year.", "type Day of the talk with the crew: 10142026", "press Waive it"}, "add_waiver", "sent_in", decided, func() {
			tab.Says("The lock hangs first.", "Seen in a year.", "two findings waived")
		}},
		{domain.Staff, job(decided), []string{"press Accept"}, "review_accept", "accepted", decided, nil},
		{domain.Staff, job(decided), []string{"open Open it again", "type Why: A boot came loose.", "press Open it again"}, "review_reopen", "returned", decided, nil},
		{domain.Staff, "/staff/held/" + s.Held, []string{"type position, ft: 40", "press Save it mended"}, "add_opening", "", domain.UUID{}, nil},
		{domain.Staff, "/staff/held/" + s.Conflict, []string{"press Keep what stands, dismiss what came"}, "held_dismissed", "", domain.UUID{}, nil},
		{domain.Staff, "/staff/settings/phones/" + s.World.Device.String(), []string{"press Report it lost"}, "change_device", "", domain.UUID{}, func() {
			if p := s.Do(domain.Field, "GET", "/v1/sync", nil).Want(401).Problem(); p.Code != "device_revoked" {
				t.Errorf("the lost phone: %+v", p)
			}
		}},
		{domain.Staff, "/staff/inspections", []string{"type Month in which the jobs were sent in: October2026", "type Percent of each contractor’s jobs: 100", "press Publish the jobs and their chances"}, "add_inspection_draw", "", domain.UUID{}, func() {
			seed = regexp.MustCompile(`[0-9a-f]{64}`).FindString(tab.Eval("document.querySelector('.code').innerText"))
		}},
		{domain.ContractorRole, "/staff/own/jobs/" + returned.String(), []string{"type What the office should know: We come on Tuesday.", "press Send the reply"}, "review_reply", "returned", returned, nil},
		{domain.Inspector, "/staff/inspections/" + returned.String(), []string{"type Pressure in the duct, Pa: 25", "type Flow through the fan, cfm: 180", "pick Read with: AGENCY-1", "press Save the reading"}, "add_measurement", "returned", returned, nil},
		{domain.Inspector, "/staff/inspections/" + returned.String(), []string{"pick It: failed", "press Save the inspection"}, "add_inspection", "returned", returned, nil},
		{domain.Admin, "/staff/settings/people", []string{"type Name: Vera Invented", "pick Role: inspector", "press Make the link"}, "person_added", "", domain.UUID{}, func() {
			if !strings.Contains(tab.Text(), "/staff/join/dll_") {
				t.Errorf("no link: %s", tab.Text())
			}
			s.Clock.Move(31 * 24 * time.Hour) // into November; the sessions of before have lapsed
			signedIn = ""
		}},
	} {
		decide("Invented "+string(do.role), do.role, do.at, do.steps, do.action)
		if do.state != "" {
			var is struct {
				Record domain.Job `json:"record"`
			}
			if s.Do(domain.Staff, "GET", "/v1/jobs/"+do.job.String(), nil).Want(200).Into(&is); string(is.Record.State) != do.state {
				t.Errorf("%v: the job is %s, not %s", do.steps, is.Record.State, do.state)
			}
		}
		if do.after != nil {
			do.after()
		}
	}
	decide("Invented staff", domain.Staff, "/staff/inspections", []string{"type The seed that was kept: " + seed, "press Draw October 2026"}, "change_inspection_draw")
	const month = "/staff/month?month=2026-10"
	decide("Invented admin", domain.Admin, month, []string{"press Build the package"}, "")
	tab.Until(month, "waits for release")
	decide("Ada Invented", domain.Admin, month, []string{"press Release it to the funder"}, "package_released")
}
