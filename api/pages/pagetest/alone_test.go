package pagetest_test

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/domain/rules"
	"ductledger/storage/storagetest"
)

// wrongOfOne are plurals of one, and codes of the contract where words belong.
var wrongOfOne = regexp.MustCompile(`(?i)\b(1|one) (jobs|homes|rows|things|findings|questions|notes|pictures|people|phones|contractors|packages|times|months|records|more jobs)\b|n too small|\bone of one\b|the program (Month|$)|\b[a-z]+_[a-z_]+\b`)

// notWords are what may be written with an underscore: files, and rules as the API has them.
var notWords = regexp.MustCompile(`\b\w+_\d{4}-\d\d\w*\.zip\b`)

// A program with one contractor and one job: no page says more of it than one job can
// tell, and none counts it as several.
func TestOneJobIsToldAsOne(t *testing.T) {
	s := &scene{API: apitest.Serve(t)}
	s.Do(domain.Admin, "PUT", "/v1/rule-sets/"+storagetest.ID().String(), domain.RuleSet{Name: "with prices", FromOn: "2026-10-05", FundSources: []string{"state_fund"},
		Prices: []domain.Price{{Line: "cfm25_removed", AmountCents: 500, FundSource: "state_fund", Category: "labor"}}}).Want(201)
	s.Clock.Move(14 * 24 * time.Hour)
	const period, month = "?from=2026-10-01&before=2026-11-01", "?month=2026-10"
	firm := "/staff/contractors/" + s.World.Contractor.String()
	office, owner := readerAs(t, s.API, domain.Staff), readerAs(t, s.API, domain.ContractorRole)
	says := func(r reader, path string, words ...string) {
		t.Helper()
		text := textOf(r.get(path))
		if wrong := wrongOfOne.FindString(notWords.ReplaceAllString(text, "")); wrong != "" {
			t.Errorf("%s says %q: %s", path, wrong, text)
		}
		for _, w := range words {
			if !strings.Contains(text, w) {
				t.Errorf("%s does not say %q: %s", path, w, text)
			}
		}
	}
	says(office, firm+period, "No job of Invented Sealing was accepted in this period.", "No job of this period was judged.")
	says(office, "/staff/contractors"+period, "no jobs accepted, none with both readings")
	says(office, "/staff/inspections")

	for _, item := range rules.ExampleEvaluation().Items { // a home of which all is known
		if home, ok := item.Record.(*domain.Home); ok {
			s.Do(domain.Staff, "PUT", "/v1/homes/"+s.World.Home.String(), home, "If-Match", `"1"`).Want(200)
		}
	}
	given := storagetest.ID() // to a crew that has recorded nothing: that is no good sign
	s.Do(domain.Staff, "PUT", "/v1/jobs/"+given.String(), object{"home_id": s.World.Home, "contractor_id": s.World.Contractor, "pay_basis": "measured", "state": "assigned"}).Want(201)
	says(office, "/staff/jobs/"+given.String(), "Nothing of the work is recorded yet: there is nothing to judge.", "Nothing to judge yet", "No picture was taken yet.")
	s.Do(domain.Admin, "POST", "/v1/jobs/"+given.String()+"/void", object{"reason": "it was a try"}, "If-Match", `"1"`).Want(200)

	id := s.accepted(t).String()
	says(office, "/staff/jobs/"+id, "One question answered, two findings waived.", "Agreed instead:", "30 pictures taken, none arrived.")
	says(office, "/staff/today")
	says(office, "/staff/jobs", "Invented Sealing")
	says(office, firm+period, "No job of this period can be compared", "No line yet: too few jobs.", "no other contractor to compare with", "too few jobs")
	says(office, firm+"/statement"+month, "197.3 cfm at 25 Pa removed at $5", "a crossover replaced, for which no price is set")
	says(office, "/staff/contractors"+period, "1 job accepted, 1 with both readings")
	says(office, "/staff/training"+period)
	says(office, "/staff/repairs"+period)
	says(office, "/staff/month"+month)
	says(owner, "/staff/own/jobs")
	says(owner, "/staff/own/jobs/"+id)
	says(owner, "/staff/own/figures"+period, "not told: fewer than 5 homes")
	says(owner, "/staff/own/statement"+month)
}
