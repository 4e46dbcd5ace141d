package pagetest_test

import (
	"strings"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/api/pages"
	"ductledger/api/pages/pagetest"
	"ductledger/domain"
	"ductledger/domain/rules"
	"ductledger/storage/storagetest"

	"github.com/chromedp/chromedp/kb"
)

// What a program is made of, entered on a phone by the keyboard alone, with
// script in every text: a contractor, its crew, a paper, an instrument, a phone.
// Each is changed, retired or taken back where that is offered.
func TestSettingsByKeyboard(t *testing.T) {
	a := apitest.Serve(t)
	tab := pagetest.As(t, a, domain.Admin)
	tab.Width(pagetest.Phone, false)
	press := func(button string) {
		t.Helper()
		tab.TabTo(button)
		tab.Enter()
		if faults := tab.Eval("document.querySelectorAll('.faults').length"); faults != "0" {
			t.Fatalf("%s: %s", button, tab.Text())
		}
	}
	fill := func(label, text string) {
		t.Helper()
		tab.TabTo(label)
		tab.Keys(text)
	}
	// A date's field takes the digits of month, day and year.
	const firm = "Birch & <b>Sons</b>"
	tab.Go("/staff/settings/contractors")
	fill("Name", firm)
	fill("First day", "10012026")
	press("Add it")
	tab.Says(firm, "1 October 2026")
	tab.TabTo("Change " + firm + "…")
	tab.Enter()
	tab.Check()
	fill("Last day", "12312026")
	press("Save")
	tab.Says("31 December 2026")

	tab.Go("/staff/settings/papers")
	fill("Name", script)
	tab.Choose("firm", firm)
	press("Add the member")
	tab.Says(script)
	tab.Choose("holder_id", script)
	tab.Choose("credential", "duct sealing")
	fill("Its number", script)
	fill("First day", "10012026")
	fill("Last day", "10312026")
	press("Add the paper")
	tab.Says(script, "31 October 2026", "lapses soon")
	tab.Check()
	tab.TabTo("Change…")
	tab.Enter()
	tab.TabTo("Take it back…")
	tab.Keys(kb.Enter) // opens the details, follows nothing
	fill("Why this paper was entered by mistake", script)
	press("Take it back")
	if text := tab.Text(); strings.Contains(text, "lapses soon") {
		t.Errorf("what was taken back still stands: %s", text)
	}

	tab.Go("/staff/settings/instruments")
	fill("Number on its plate", script)
	fill("Calibrated on", "10012026")
	fill("Covers until", "10152026")
	press("Add it")
	tab.Says(script, "15 October 2026", "lapses soon")
	tab.TabTo("Change " + script + "…")
	tab.Enter()
	fill("Calibrated on", "10012026")
	fill("Covers until", "10012027")
	press("Save it for " + script)
	tab.Says("1 October 2027", "good")

	tab.Go("/staff/settings/phones")
	fill("What it is called", script)
	press("Add it")
	tab.Says(script)
	tab.Check()

	tab.Go("/staff/settings/people")
	fill("Name", script)
	press("Make the link")
	tab.Go("/staff/settings/people")
	tab.Says(script)
	tab.Go("/staff/settings/audit")
	tab.Says("Invented admin", "contractor")
	tab.Check()
	if title := tab.Eval("document.title"); title == "x" {
		t.Error("a text was run as a script")
	}
}

// Prices are changed as a difference, with what it would have paid; until they
// are in force they can be taken back.
func TestPricesAreADifference(t *testing.T) {
	s := newScene(t)
	s.Clock.Move(31 * 24 * time.Hour) // in November
	tab := pagetest.As(t, s.API, domain.Admin)
	tab.Go("/staff/settings/rules")
	tab.Says("“with prices” is in force since 5 October 2026.")
	tab.TabTo("What the new rules are called")
	tab.Keys("a dollar more")
	tab.TabTo("In force from")
	tab.Keys("12012026")
	tab.TabTo("each cfm at 25 Pa removed, state fund")
	tab.Type("price_0", "6.005")
	tab.TabTo("Record them and see what differs")
	tab.Enter()
	tab.Says("an amount is dollars and cents")
	tab.Type("price_0", "6")
	tab.TabTo("What each rule asks, and how much it weighs")
	tab.Keys(kb.Enter) // refused once, it stands open: this closes it
	tab.TabTo("Record them and see what differs")
	tab.Enter()
	var preview struct {
		Totals struct {
			Before int64 `json:"before_payable_cents"`
			After  int64 `json:"after_payable_cents"`
		} `json:"totals"`
	}
	at := tab.At()
	set := at[strings.LastIndex(at, "/")+1:]
	s.Do(domain.Admin, "GET", "/v1/rule-sets/"+set+"/preview?from=2026-10-01&before=2026-11-01", nil).Want(200).Into(&preview)
	if preview.Totals.Before == 0 || preview.Totals.After*5 != preview.Totals.Before*6 {
		t.Errorf("a dollar more on five: %+v", preview.Totals)
	}
	tab.Says("one thing stands otherwise")
	if text := tab.Text(); strings.Contains(text, "payable would go") {
		t.Errorf("jobs are judged again that nobody asked for: %s", text)
	}
	tab.TabTo("Look")
	tab.Enter()
	at = tab.At()
	tab.Look(at, "rule-set")
	tab.Go(at)
	tab.Says("one thing stands otherwise", "price of each cfm at 25 Pa removed, state fund", "$5", "$6",
		"What is payable would go from "+pages.Money(preview.Totals.Before)+" to "+pages.Money(preview.Totals.After))
	tab.TabTo("Take it back…")
	tab.Keys(kb.Enter)
	tab.TabTo("Why a dollar more was entered by mistake")
	tab.Keys("it was a try")
	tab.TabTo("Take it back")
	tab.Enter()
	tab.Go("/staff/settings/rules")
	if text := tab.Text(); strings.Contains(text, "a dollar more") {
		t.Errorf("what was taken back still stands: %s", text)
	}
}

// A rule asks for more from a day on: the preview says which jobs would have come
// out otherwise, and what stands as before is not touched.
func TestRulesAreADifference(t *testing.T) {
	s := newScene(t)
	s.Clock.Move(31 * 24 * time.Hour)
	tab := pagetest.As(t, s.API, domain.Admin)
	tab.Width(pagetest.Phone, false)
	tab.Go("/staff/settings/rules")
	tab.TabTo("What the new rules are called")
	tab.Keys("a stricter collar")
	tab.TabTo("In force from")
	tab.Keys("12012026")
	tab.TabTo("What each rule asks, and how much it weighs")
	tab.Keys(kb.Enter)
	tab.Check()
	tab.Choose("w-crossover_collar_screws", "must be fixed")
	tab.TabTo("Record them and see what differs")
	tab.Enter()
	at := tab.At()
	tab.TabTo("Look")
	tab.Enter()
	tab.Says("one thing stands otherwise", "The collar is screwed through its folded tabs", "asks the reviewer", "must be fixed", "Of 1 job accepted", "1 job would come out otherwise; 1 job could not have been accepted as they stood")
	var set struct {
		Record domain.RuleSet `json:"record"`
	}
	s.Do(domain.Admin, "GET", "/v1/rule-sets/"+at[strings.LastIndex(at, "/")+1:], nil).Want(200).Into(&set)
	if got := set.Record.Rules; len(got) != 1 || got[0].Rule != "crossover_collar_screws" || got[0].Severity != string(rules.MustFix) || got[0].Off != nil || got[0].Parameters != nil {
		t.Errorf("%+v", got)
	}
	if len(set.Record.Prices) != 1 || set.Record.Prices[0].AmountCents != 500 {
		t.Errorf("the prices are %+v", set.Record.Prices)
	}
}

// A month's jobs are drawn; an inspector goes there with a phone, reads the ducts
// again, and the own reading stands beside the crew's.
func TestAnInspectionByKeyboard(t *testing.T) {
	s := newScene(t)
	s.Do(domain.Staff, "PUT", "/v1/instruments/"+storagetest.ID().String(), object{"instrument": "duct_fan", "serial": "AGENCY-1", "calibrated_on": "2026-01-01", "calibrated_until_on": "2027-12-31"}).Want(201)
	office := pagetest.As(t, s.API, domain.Staff)
	office.Go("/staff/inspections")
	office.TabTo("Month in which the jobs were sent in")
	office.Keys("October2026")
	office.TabTo("Percent of each contractor’s jobs")
	office.Type("share_percent", "100")
	office.TabTo("Publish the jobs and their chances")
	office.Enter()
	office.Says("Keep the seed below")
	office.Check()
	seed := office.Eval("document.querySelector('.code').innerText")
	s.Clock.Move(31 * 24 * time.Hour)
	office.SignIn(domain.Staff, "Invented staff") // a session of before has lapsed
	office.Go("/staff/inspections")
	office.TabTo("The seed that was kept")
	office.Keys(seed)
	office.TabTo("Draw October 2026")
	office.Enter()
	office.Says("drawn", "100 % of each contractor’s drawn at random")
	office.Look("/staff/inspections", "inspections-drawn")

	tab := pagetest.As(t, s.API, domain.Inspector)
	tab.Width(pagetest.Phone, false)
	tab.Go("/staff/inspections")
	tab.Says("555 0143", "14 "+script)
	at := "/staff/inspections/" + s.SentIn.String()
	tab.Go(at)
	tab.Check()
	tab.TabTo("Pressure in the duct, Pa")
	tab.Keys("25")
	tab.TabTo("Flow through the fan, cfm")
	tab.Keys("1,80")
	tab.Choose("instrument_id", "AGENCY-1")
	tab.TabTo("Save the reading")
	tab.Enter()
	tab.Says("give all three")
	tab.TabTo("Flow through the fan, cfm")
	tab.Type("flow_cfm", "180")
	tab.TabTo("Save the reading")
	tab.Enter()
	tab.Says("Reading after, twice", "the inspector", "180")
	tab.Look(at, "inspection-read")
	tab.Width(pagetest.Phone, false)
	tab.TabTo("It")
	tab.Keys("failed")
	tab.TabTo("Rule by rule")
	tab.Keys(kb.Enter)
	tab.Choose("v-end_closure_clear_of_outlets", "broken")
	tab.TabTo("Save the inspection")
	tab.Enter()
	if at := tab.At(); at != "/staff/inspections" {
		t.Fatalf("%s: %s", at, tab.Text())
	}
	tab.Says("Two jobs wait to be inspected")
	var result struct {
		Crew      float64 `json:"after_cfm25"`
		Inspector float64 `json:"inspector_after_cfm25"`
	}
	s.Do(domain.Staff, "GET", "/v1/jobs/"+s.SentIn.String()+"/result", nil).Want(200).Into(&result)
	if result.Inspector != 180 {
		t.Errorf("the inspector's reading is %v", result.Inspector)
	}
	office.Go("/staff/jobs/" + s.SentIn.String())
	office.Says("Reading after, twice", "the inspector", pages.Number(result.Inspector, 0), pages.Number(result.Crew, 0), "The inspector read another leakage than the crew.")
	var told struct {
		Program struct {
			Inspected int    `json:"inspected_count"`
			Failed    int    `json:"failed_count"`
			Statement string `json:"statement"`
		} `json:"program"`
	}
	s.Do(domain.Staff, "GET", "/v1/inspection-estimates?from=2025-12-01&before=2026-12-01", nil).Want(200).Into(&told)
	if told.Program.Inspected != 1 || told.Program.Failed != 1 {
		t.Errorf("%+v", told)
	}
	office.Go("/staff/inspections")
	office.Says(told.Program.Statement, "1, 1 failed")
}
