package storage_test

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/bag"
	"ductledger/domain/intake"
	"ductledger/domain/month"
	"ductledger/domain/rules"
	"ductledger/storage"
	"ductledger/storage/storagetest"
)

// agency is a programme in Los Angeles without rules, so that a test decides
// what is accepted, with prices of invented, round sums.
type agency struct {
	*storagetest.World
	t     *testing.T
	clock *storagetest.Clock
	set   domain.RuleSet // the first
}

func newAgency(t *testing.T, start time.Time) *agency {
	t.Helper()
	db, clock := storagetest.Open(t)
	clock.Move(start.Sub(clock.Now()))
	w := &storagetest.World{DB: db, Contractor: storagetest.ID(), Lead: storagetest.ID(), Instrument: storagetest.ID(), Home: storagetest.ID()}
	set := &domain.RuleSet{Name: "invented", FromOn: "2020-01-01"}
	yes, ratio, floor, fifth := true, 0.1, int64(15000), 0.2
	for _, key := range rules.Keys() {
		set.Rules = append(set.Rules, domain.RuleSetting{Rule: key, Off: &yes})
	}
	set.Prices = []domain.Price{{Line: month.LineReduction, AmountCents: 250, FloorCents: &floor, FundSource: "state_fund", Category: "labour"},
		{Line: month.LineCallBack, AmountCents: 1000, PaidRatio: &fifth}}
	set.HoldBackRatio = &ratio
	code := fmt.Sprintf("MONTH%d", storagetest.ID()[15])
	w.Program = storage.ProgramID(code)
	err := db.CreateProgram(context.Background(), storage.Program{ID: w.Program, Code: code, Name: "Invented programme", TimeZone: "America/Los_Angeles", Demo: true},
		storagetest.ID(), storagetest.ID(), set)
	if err != nil {
		t.Fatal(err)
	}
	a := &agency{World: w, t: t, clock: clock, set: *set}
	w.Admin = storagetest.Token(t, db, storage.Token{Role: domain.Admin, Name: "Ada Invented"}, w.Program)
	w.Staff = storagetest.Token(t, db, storage.Token{Role: domain.Staff, Name: "Sam Invented"}, w.Program)
	w.Must(t, w.Staff,
		storagetest.Item(t, w.Contractor, &domain.Contractor{Name: "=Invented, \"Sealing\""}),
		storagetest.Item(t, w.Instrument, &domain.Instrument{ContractorID: &w.Contractor, Instrument: domain.DuctFan, Serial: "F-1", CalibratedOn: "2020-01-01", CalibratedUntilOn: "2030-12-31"}))
	w.Field = storagetest.Token(t, db, storage.Token{Role: domain.Field, ContractorID: w.Contractor}, w.Program)
	return a
}

// job does a whole job, sent in: before and after are the flows at 25 Pa.
func (a *agency) job(before, after float64) domain.UUID {
	a.t.Helper()
	home, id := storagetest.ID(), storagetest.ID()
	area := 1000.0
	a.Must(a.t, a.Staff, storagetest.Item(a.t, home, &domain.Home{SectionCount: 1, DuctedSections: []domain.Section{"A"}, FloorAreaFt2: &area}),
		storagetest.Item(a.t, id, &domain.Job{HomeID: home, ContractorID: a.Contractor, PayBasis: domain.Measured, State: domain.Assigned, FundSource: "state_fund"}))
	a.Must(a.t, a.Field, a.reading(id, domain.Before, before, -2*time.Hour), a.reading(id, domain.After, after, -time.Hour))
	a.send(id)
	return id
}

func (a *agency) reading(job domain.UUID, stage domain.Stage, flow float64, at time.Duration) *intake.Item {
	pressure := 25.0
	return storagetest.Item(a.t, storagetest.ID(), &domain.Measurement{JobID: job, Method: domain.FanTotal, Stage: stage, InstrumentID: a.Instrument,
		TakenAt: a.DB.Now().Add(at), Readings: []domain.Reading{{PressurePa: &pressure, FlowCFM: &flow}}})
}

func (a *agency) send(id domain.UUID) {
	a.t.Helper()
	seen, err := a.DB.Record(context.Background(), a.Staff, domain.JobKind, id)
	if err != nil {
		a.t.Fatal(err)
	}
	record, err := domain.Decode(domain.JobKind, seen.Entry.Body)
	if err != nil {
		a.t.Fatal(err)
	}
	job := record.(*domain.Job)
	job.State, job.Outcome = domain.SentIn, domain.Completed
	a.Must(a.t, a.Field, storagetest.On(storagetest.Item(a.t, id, job), seen.Entry.Version))
}

func (a *agency) decide(job domain.UUID, decision domain.Decision) {
	a.t.Helper()
	review := &domain.Review{JobID: job, Decision: decision}
	if decision != domain.Accept && decision != domain.Include {
		review.ReasonCodes = []string{"wrong_reading"}
	}
	a.Must(a.t, a.Staff, storagetest.Item(a.t, storagetest.ID(), review))
}

func (a *agency) accepted(before, after float64) domain.UUID {
	a.t.Helper()
	id := a.job(before, after)
	a.decide(id, domain.Accept)
	return id
}

func (a *agency) void(job domain.UUID) {
	a.t.Helper()
	seen, err := a.DB.Record(context.Background(), a.Staff, domain.JobKind, job)
	if err != nil {
		a.t.Fatal(err)
	}
	item := &intake.Item{Kind: domain.JobKind, ID: job, BaseVersion: seen.Entry.Version, Void: "entered twice"}
	item.Raw = fmt.Appendf(nil, `{"kind":"job","id":%q,"base_version":%d,"void":{"reason":"entered twice"}}`, job, seen.Entry.Version)
	a.Must(a.t, a.Staff, item)
}

// moveTo sets the clock to a local time of the programme.
func (a *agency) moveTo(local string) {
	a.t.Helper()
	zone, err := time.LoadLocation("America/Los_Angeles")
	if err != nil {
		a.t.Fatal(err)
	}
	at, err := time.ParseInLocation("2006-01-02 15:04:05", local, zone)
	if err != nil {
		a.t.Fatal(err)
	}
	a.clock.Move(at.Sub(a.clock.Now()))
}

// built is a package with what a reader of the file finds in it.
type built struct {
	storage.Package
	bytes  []byte
	tables map[string][]map[string]string
}

func (a *agency) build(m domain.Month, position int64) *built {
	a.t.Helper()
	p, _, err := a.DB.BuildPackage(context.Background(), a.Staff, m, position, storage.MonthOptions{BuildID: "test"})
	if err != nil {
		a.t.Fatalf("%s: %v", m, err)
	}
	return a.read(p)
}

func (a *agency) read(p storage.Package) *built {
	a.t.Helper()
	b := &built{Package: p, bytes: make([]byte, p.Bytes)}
	if _, err := a.DB.PackageFile(context.Background(), a.Staff, &p).ReadAt(b.bytes, 0); err != nil {
		a.t.Fatal(err)
	}
	b.tables = tablesIn(a.t, b.bytes)
	return b
}

// tablesIn reads the CSV files of a package, as a stranger would.
func tablesIn(t *testing.T, file []byte) map[string][]map[string]string {
	t.Helper()
	tables := map[string][]map[string]string{}
	z, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range z.File {
		name, isTable := strings.CutSuffix(filepath.Base(f.Name), ".csv")
		if !isTable {
			continue
		}
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		lines, err := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(text, []byte("\ufeff")))).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for _, line := range lines[1:] {
			row := map[string]string{}
			for i, cell := range line {
				row[lines[0][i]] = cell
			}
			tables[name] = append(tables[name], row)
		}
	}
	return tables
}

// line is a row of the reconciliation, in the order of the equation.
func (b *built) line(measure string) string {
	for _, row := range b.tables["reconciliation"] {
		if row["measure"] == measure {
			return strings.Join([]string{row["previous_cumulative"], row["new"], row["late"], row["corrections_net"], row["voided"], row["cumulative"]}, " ")
		}
	}
	return "none"
}

func (b *built) excluded(reason string) string {
	for _, row := range b.tables["reconciliation"] {
		if row["measure"] == reason {
			return row["excluded_count"]
		}
	}
	return ""
}

// events counts the lines of corrections.csv by month, event and field.
func (b *built) events() string {
	count := map[string]int{}
	for _, row := range b.tables["corrections"] {
		count[row["original_month"]+" "+row["event"]+" "+row["field"]]++
	}
	var out []string
	for _, name := range slices.Sorted(maps.Keys(count)) {
		out = append(out, fmt.Sprintf("%s ×%d", name, count[name]))
	}
	return strings.Join(out, "\n")
}

// verify holds a package, and its beginning, with nothing but files.
func (b *built) verify(t *testing.T, before *built) {
	t.Helper()
	o := bag.VerifyOptions{}
	if before != nil {
		o.Previous, o.PreviousSize = bytes.NewReader(before.bytes), before.Bytes
	}
	report, err := bag.Verify(bytes.NewReader(b.bytes), b.Bytes, o)
	if err != nil || !report.Holds {
		t.Errorf("%s: %v\n%s", b.FileName, err, report.Text())
	}
}

// A home counts where its acceptance falls in the programme's own zone: at
// 23:59:59 of the last day in October, one second later in November, although
// both are the same day in UTC.
func TestMonthEndsInTheProgrammesZone(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 9, 20, 18, 0, 0, 0, time.UTC))
	a.moveTo("2026-09-30 23:59:59")
	september := a.accepted(200, 100)
	a.moveTo("2026-10-01 00:00:00")
	first := a.accepted(318, 120.7)
	a.moveTo("2026-10-31 23:59:59")
	last := a.accepted(150, 60)
	a.moveTo("2026-11-01 00:00:00")
	november := a.accepted(100, 50)
	a.moveTo("2026-11-02 09:00:00")

	b := a.build("2026-10", 0)
	var jobs []string
	for _, row := range b.tables["jobs"] {
		jobs = append(jobs, row["job_id"]+" "+row["accepted_on"])
	}
	want := []string{month.JobRef(first) + " 2026-10-01", month.JobRef(last) + " 2026-10-31"}
	if !slices.Equal(jobs, want) {
		t.Errorf("jobs of October:\n%v\nwant\n%v\n(september %s, november %s)", jobs, want, september, november)
	}
	if b.State != storage.PackageVerified || !b.Finished || b.Revision != 1 {
		t.Errorf("state %s, finished %t, revision %d", b.State, b.Finished, b.Revision)
	}
	for measure, line := range map[string]string{
		"jobs_accepted":   "1 2 0 0 0 3",
		"before_cfm25":    "2000 4680 0 0 0 6680",
		"after_cfm25":     "1000 1807 0 0 0 2807",
		"reduction_cfm25": "1000 2873 0 0 0 3873",
		"payable":         "25000 71825 0 0 0 96825", // 100.0 × 250; 197.3 × 250 = 49325 and 90.0 × 250 = 22500 [calc]
		"held_back":       "2500 7182 0 0 0 9682",    // 4932.5 and 2250, half to even [calc]
	} {
		if got := b.line(measure); got != line {
			t.Errorf("%s: %s, want %s", measure, got, line)
		}
	}
	b.verify(t, nil)
	b.verify(t, a.build("2026-09", 0))
	if n := len(b.tables["measurements"]); n != 4 {
		t.Errorf("%d readings, want 4", n)
	}
	if name := b.tables["contractors"][0]["contractor_name"]; name != `'=Invented, "Sealing"` {
		t.Errorf("a name that begins like a formula stands as %q", name)
	}
}

// Two builds at one position are the same bytes, also of two programs started
// apart: nothing of the hour of the build enters the file.
func TestBuildingAgainGivesTheSameBytes(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 10, 3, 18, 0, 0, 0, time.UTC))
	a.accepted(318, 120.7)
	a.moveTo("2026-11-20 10:00:00")
	ctx := context.Background()
	plan, err := a.DB.PlanMonth(ctx, a.Staff, "2026-10", 0)
	if err != nil {
		t.Fatal(err)
	}
	var files [2]bytes.Buffer
	for i := range files {
		if _, _, err := a.DB.WriteMonth(ctx, a.Program, &plan, &files[i], storage.MonthOptions{BuildID: "test"}); err != nil {
			t.Fatal(err)
		}
		a.clock.Move(26 * time.Hour)
		a.accepted(100, 50) // another month's
	}
	first := a.build("2026-10", 0)
	if !bytes.Equal(files[0].Bytes(), files[1].Bytes()) || !bytes.Equal(files[0].Bytes(), first.bytes) {
		t.Error("three builds of one month differ")
	}
	again, made, err := a.DB.BuildPackage(ctx, a.Admin, "2026-10", 0, storage.MonthOptions{BuildID: "another"})
	if err != nil || made || again.Revision != 1 || again.SHA256 != first.SHA256 || again.BuiltBy != "Sam Invented" {
		t.Errorf("again: made %t, %+v, %v", made, again, err)
	}
	later := a.build("2026-10", first.Position+1)
	if later.Revision != 2 || later.SupersedesSHA256 != first.SHA256 {
		t.Errorf("cut later: revision %d supersedes %q", later.Revision, later.SupersedesSHA256)
	}
	later.verify(t, nil)
}

func TestEmptyAndUnfinishedMonths(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 8, 10, 18, 0, 0, 0, time.UTC))
	a.accepted(200, 100)
	a.moveTo("2026-10-15 12:00:00")
	empty := a.build("2026-09", 0)
	if got := empty.line("jobs_accepted"); got != "1 0 0 0 0 1" || len(empty.tables["jobs"]) != 0 {
		t.Errorf("a month without jobs: %s, %d rows", got, len(empty.tables["jobs"]))
	}
	empty.verify(t, a.build("2026-08", 0))
	a.job(100, 50)
	open := a.build("2026-10", 0)
	if open.Finished || open.State != storage.PackageDraft || open.excluded("job_sent_in") != "1" {
		t.Errorf("unfinished month: finished %t, %s, sent in %q", open.Finished, open.State, open.excluded("job_sent_in"))
	}
	if _, _, err := a.DB.ReleasePackage(context.Background(), a.Admin, "2026-10", 1, false); domain.CodeOf(err) != domain.UnfinishedPeriod {
		t.Errorf("released an unfinished month: %v", err)
	}
	for m, code := range map[domain.Month]domain.Code{"2026-11": domain.Invalid, "2026-07": domain.NotFound, "2026-7": domain.Invalid} {
		if _, err := a.DB.PlanMonth(context.Background(), a.Staff, m, 0); domain.CodeOf(err) != code {
			t.Errorf("%s: %v, want %s", m, err, code)
		}
	}
}

// What happens to a job after its month stands in the package that is the
// first to know, once, and moves the figures there; its own month's package
// does not change.
func TestCorrectionsStandInExactlyOnePackage(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 9, 3, 18, 0, 0, 0, time.UTC))
	reopened, voided, excluded, late, twice, open := a.accepted(200, 100), a.accepted(210, 100), a.accepted(220, 100), a.accepted(230, 100), a.accepted(240, 100), a.accepted(250, 100)
	a.decide(open, domain.Reopen) // accepted and opened in one month: in no figure of it
	a.moveTo("2026-10-02 09:00:00")
	september := a.build("2026-09", 0)
	a.accepted(100, 40)
	a.decide(reopened, domain.Reopen)
	a.void(voided)
	a.decide(excluded, domain.Exclude)
	a.Must(t, a.Staff, a.reading(late, domain.After, 80, 0))
	a.decide(twice, domain.Reopen)
	a.Must(t, a.Field, a.reading(twice, domain.After, 90, time.Hour))
	a.send(twice)
	a.decide(twice, domain.Accept)
	a.send(open)
	a.decide(open, domain.Accept) // of September, in no package before: late
	a.moveTo("2026-11-02 09:00:00")
	october := a.build("2026-10", 0)
	a.void(reopened) // withdrawn already: an event without figures
	a.moveTo("2026-12-02 09:00:00")
	november := a.build("2026-11", 0)

	for _, c := range []struct {
		b             *built
		measure, line string
	}{
		{september, "jobs_accepted", "0 5 0 0 0 5"},
		{september, "after_cfm25", "0 5000 0 0 0 5000"},
		{october, "jobs_accepted", "5 1 1 -1 1 5"},                    // one opened again, one void, one late
		{october, "before_cfm25", "11000 1000 2500 -2000 2100 10400"}, // 200.0 withdrawn, 210.0 void [calc]
		{october, "after_cfm25", "5000 400 1000 -1100 1000 4300"},     // 100.0 withdrawn, 100.0 → 90.0 [calc]
		{november, "jobs_accepted", "5 0 0 0 0 5"},
		{november, "after_cfm25", "4300 0 0 0 0 4300"},
	} {
		if got := c.b.line(c.measure); got != c.line {
			t.Errorf("%s %s: %s, want %s", c.b.Month, c.measure, got, c.line)
		}
	}
	for b, want := range map[*built]string{
		september: `2026-09 re_opened after_cfm25 ×1
2026-09 re_opened before_cfm25 ×1
2026-09 re_opened contractor_id ×1
2026-09 re_opened held_back_cents ×1
2026-09 re_opened outcome ×1
2026-09 re_opened pay_basis ×1
2026-09 re_opened payable_cents ×1
2026-09 re_opened reduction_cfm25 ×1
2026-09 re_opened state ×1`,
		november: "2026-09 voided state ×1",
	} {
		if got := b.events(); got != want {
			t.Errorf("events of %s:\n%s\nwant\n%s", b.Month, got, want)
		}
	}
	events := october.events()
	for _, want := range []string{"2026-09 accepted_again state ×2", "2026-09 changed no_reduction_reason ×1", "2026-09 late_work measurement ×1",
		"2026-09 re_opened state ×2", "2026-09 voided state ×1"} {
		if !strings.Contains(events, want) {
			t.Errorf("events of October lack %q:\n%s", want, events)
		}
	}
	if got := october.excluded("record_late"); got != "1" {
		t.Errorf("late records: %q", got)
	}
	seen := map[string]domain.Month{}
	for _, b := range []*built{september, october, november} {
		for _, row := range b.tables["corrections"] {
			if at, twice := seen[row["correction_id"]]; twice {
				t.Errorf("%s stands in %s and %s", row["correction_id"], at, b.Month)
			}
			seen[row["correction_id"]] = b.Month
		}
	}
	october.verify(t, september)
	november.verify(t, october)
	if again := a.read(mustPackage(t, a, "2026-09", 1)); !bytes.Equal(again.bytes, september.bytes) {
		t.Error("the file of September changed")
	}
}

func mustPackage(t *testing.T, a *agency, m domain.Month, revision int) storage.Package {
	t.Helper()
	p, err := a.DB.Package(context.Background(), a.Admin, m, revision)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestReleaseTakesTwoPeopleAndFixesTheChain(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 9, 3, 18, 0, 0, 0, time.UTC))
	ctx := context.Background()
	nobody := storagetest.Token(t, a.DB, storage.Token{Role: domain.Admin}, a.Program)
	eve := storagetest.Token(t, a.DB, storage.Token{Role: domain.Admin, Name: " sam invented "}, a.Program)
	funder := domain.Caller{Program: a.Program, Role: domain.Funder}
	a.accepted(200, 100)
	a.moveTo("2026-10-02 09:00:00")
	a.accepted(100, 50)
	if p, _, err := a.DB.BuildPackage(ctx, nobody, "2026-09", 0, storage.MonthOptions{BuildID: "test"}); err != nil || p.BuiltBy != "" {
		t.Fatalf("built by %q, %v", p.BuiltBy, err)
	}
	release := func(caller domain.Caller, m domain.Month, revision int) domain.Code {
		t.Helper()
		_, _, err := a.DB.ReleasePackage(ctx, caller, m, revision, false)
		if err == nil {
			return ""
		}
		return domain.CodeOf(err)
	}
	if got := release(a.Admin, "2026-09", 1); got != domain.SamePerson {
		t.Errorf("released what nobody built: %q", got)
	}
	a.build("2026-09", 0) // Sam stands for it now
	for _, c := range []struct {
		who  string
		by   domain.Caller
		want domain.Code
	}{{"nobody", nobody, domain.SamePerson}, {"the builder, written otherwise", eve, domain.SamePerson}, {"another person", a.Admin, ""}, {"again", a.Admin, ""}} {
		if list, err := a.DB.Packages(ctx, funder, "2026-09", 0, 10); err != nil || len(list) != 0 && c.who != "again" {
			t.Errorf("before %s: the funder sees %d packages, %v", c.who, len(list), err)
		}
		if got := release(c.by, "2026-09", 1); got != c.want {
			t.Errorf("released by %s: %q, want %q", c.who, got, c.want)
		}
	}
	if list, err := a.DB.Packages(ctx, funder, "2026-09", 0, 10); err != nil || len(list) != 1 || list[0].State != storage.PackageReleased {
		t.Errorf("the funder sees %+v, %v", list, err)
	}

	// October follows from the released file and names it.
	a.moveTo("2026-11-02 09:00:00")
	a.accepted(300, 100)
	october := a.build("2026-10", 0)
	september := a.read(mustPackage(t, a, "2026-09", 1))
	if october.PreviousSHA256 != september.SHA256 {
		t.Errorf("October names %q as the package before, want %s", october.PreviousSHA256, september.SHA256)
	}
	october.verify(t, september)
	if got := release(a.Admin, "2026-10", 1); got != "" {
		t.Errorf("October: %q", got)
	}
	// September is fixed now: another cut would count again what October holds.
	if _, _, err := a.DB.BuildPackage(ctx, a.Staff, "2026-09", september.Position+1, storage.MonthOptions{BuildID: "test"}); domain.CodeOf(err) != domain.NotReconciled {
		t.Errorf("September cut later than October follows: %v", err)
	}
	// A fix of October before November follows: revision 2 supersedes revision 1.
	fix := a.build("2026-10", october.Position+1)
	if got := release(a.Admin, "2026-10", 1); got != "" {
		t.Errorf("released already, but %q", got)
	}
	if got := release(a.Admin, "2026-10", fix.Revision); got != "" {
		t.Errorf("revision 2: %q", got)
	}
	if p := mustPackage(t, a, "2026-10", 1); p.State != storage.PackageSuperseded || p.SHA256 != october.SHA256 {
		t.Errorf("revision 1 is %s", p.State)
	}
	if list, err := a.DB.Packages(ctx, funder, "2026-10", 0, 10); err != nil || len(list) != 2 {
		t.Errorf("the funder sees %d revisions, %v", len(list), err)
	}
}
