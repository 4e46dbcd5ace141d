package month_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/storage/storagetest"
)

// amounts are rows of a table as "line amount", in order.
func (b *built) amounts(table string, job domain.UUID) string {
	var out []string
	for _, row := range b.tables[table] {
		if row["job_id"] == "J"+job.String() {
			out = append(out, strings.TrimSpace(fmt.Sprint(row["line"], " ", row["fund_source"], " ", row["category"], " ", row["amount_cents"])))
		}
	}
	return strings.Join(out, "; ")
}

// limits are the rows of a table that take back as "product limit amount".
func (b *built) limits(table string, job domain.UUID) string {
	var out []string
	for _, row := range b.tables[table] {
		if row["job_id"] == "J"+job.String() && row["line"] == "call_back" {
			out = append(out, strings.Join(strings.Fields(fmt.Sprint(row["product_cents"], " ", row["limited_by"], " ", row["amount_cents"])), " "))
		}
	}
	return strings.Join(out, "; ")
}

// A complaint that is closed at the crew's fault is a line below zero: among
// the payments of this month's jobs, and once, in the package whose range
// holds it, for a job of an earlier month. By hand [calc]: 100.0 cfm25 at 2.50
// are 250.00; a complaint takes 10.00 and a fifth, 60.00.
func TestCallBacksTakeBackWhatWasPaid(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 9, 3, 18, 0, 0, 0, time.UTC))
	own, later, cleared, open, often := a.Accepted(200, 100), a.Accepted(200, 100), a.Accepted(200, 100), a.Accepted(200, 100), a.Accepted(200, 100)
	complain := func(job domain.UUID, fault string) domain.UUID {
		id := storagetest.ID()
		a.Must(t, a.Staff, storagetest.Item(t, id, a.callBack(job, fault)))
		a.Clock.Move(time.Minute)
		return id
	}
	complain(own, "crew")
	complain(own, "wear")
	wrong := complain(cleared, "crew")
	a.Must(t, a.Staff, storagetest.Item(t, storagetest.ID(), &domain.CallBack{JobID: open, ReportedOn: "2026-09-03", Reason: "no air", AtFault: "crew"}))
	for range 6 {
		complain(often, "crew")
	}
	a.MoveTo("2026-10-02 09:00:00")
	september := a.build("2026-09", 0)
	complain(later, "crew")
	a.Must(t, a.Staff, storagetest.On(storagetest.Item(t, wrong, a.callBack(cleared, "other")), 1))
	a.MoveTo("2026-11-02 09:00:00")
	october := a.build("2026-10", 0)
	a.MoveTo("2026-12-02 09:00:00")
	november := a.build("2026-11", 0)

	const paid = "cfm25_removed state_fund labor 25000"
	for _, c := range []struct {
		name, got, want string
	}{
		{"of its own month", september.amounts("payments", own), paid + "; call_back state_fund labor -6000"},
		{"not closed yet", september.amounts("payments", open), paid},
		{"charged, and cleared later", september.amounts("payments", cleared), paid + "; call_back state_fund labor -6000"},
		{"six of 60.00", september.amounts("payments", often), paid + "; call_back state_fund labor -25000"},
		{"six of 60.00 are 360.00", september.limits("payments", often), "-36000 paid -25000"},
		{"one of 60.00", september.limits("payments", own), "-6000 -6000"},
		{"of an earlier month", october.amounts("call_backs", later), "call_back state_fund labor -6000"},
		{"given back", october.amounts("call_backs", cleared), "call_back state_fund labor 6000"},
		{"told once", november.amounts("call_backs", later) + october.amounts("call_backs", own), ""},
		{"September", september.line("payable"), "0 88000 0 0 0 88000"}, // 190 + 250 + 190 + 250 + 0
		{"October", october.line("payable"), "88000 0 0 0 0 88000"},     // 60.00 taken, 60.00 given back
		{"held back in October", october.line("held_back"), "8800 0 0 0 0 8800"},
		{"by fund", october.line("payable.state_fund.labor"), "88000 0 0 0 0 88000"},
		{"November", november.line("payable"), "88000 0 0 0 0 88000"},
	} {
		if c.got != c.want {
			t.Errorf("%s: %q, want %q", c.name, c.got, c.want)
		}
	}
	if got, want := october.events(), "2026-09 call_back held_back_cents ×2\n2026-09 call_back payable_cents ×2"; got != want {
		t.Errorf("October's corrections:\n%s\nwant\n%s", got, want)
	}
	for _, row := range september.tables["jobs"] {
		if row["job_id"] == "J"+often.String() && (row["payable_cents"] != "0" || row["held_back_cents"] != "0") {
			t.Errorf("of a job whose pay was taken back whole, %s is payable and %s held back", row["payable_cents"], row["held_back_cents"])
		}
	}
	september.verify(t, nil)
	october.verify(t, september)
	november.verify(t, october)
}

// A complaint whose price has a cap says so and shows both amounts, in its own
// month and in a later one: 60.00, of which 45.00 are taken. [calc]
func TestACappedCallBackShowsBothAmounts(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 9, 3, 18, 0, 0, 0, time.UTC), func(set *domain.RuleSet) { set.Prices[1].CapCents = new(int64(4500)) })
	own, later := a.Accepted(200, 100), a.Accepted(200, 100)
	a.Must(t, a.Staff, storagetest.Item(t, storagetest.ID(), a.callBack(own, "crew")))
	a.MoveTo("2026-10-02 09:00:00")
	september := a.build("2026-09", 0)
	a.Must(t, a.Staff, storagetest.Item(t, storagetest.ID(), a.callBack(later, "crew")))
	a.MoveTo("2026-11-02 09:00:00")
	october := a.build("2026-10", 0)
	for table, got := range map[string]string{"payments": september.limits("payments", own), "call_backs": october.limits("call_backs", later)} {
		if want := "-6000 cap -4500"; got != want {
			t.Errorf("%s: %q, want %q", table, got, want)
		}
	}
	for _, row := range september.tables["payments"] {
		if row["line"] == "call_back" && (row["quantity"] != "-1.0" || row["unit_price_cents"] != "6000") {
			t.Errorf("%s at %s", row["quantity"], row["unit_price_cents"])
		}
	}
	september.verify(t, nil)
	october.verify(t, september)
}
