package storage_test

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"fmt"
	"io"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/month"
	"ductledger/domain/pack"
	"ductledger/domain/rules"
	"ductledger/storage"
	"ductledger/storage/storagetest"
)

// agency is a program in Los Angeles without rules, so that a test decides
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
	set.Prices = []domain.Price{{Line: month.LineReduction, AmountCents: 250, FloorCents: &floor, FundSource: "state_fund", Category: "labor"},
		{Line: month.LineCallBack, AmountCents: 1000, PaidRatio: &fifth}}
	set.HoldBackRatio = &ratio
	code := fmt.Sprintf("MONTH%d", storagetest.ID()[15])
	w.Program = storage.ProgramID(code)
	err := db.CreateProgram(context.Background(), storage.Program{ID: w.Program, Code: code, Name: "Invented program", TimeZone: "America/Los_Angeles", Demo: true},
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
	a.Must(a.t, a.Field, append(a.shown(id), a.reading(id, domain.Before, before, -2*time.Hour), a.reading(id, domain.After, after, -time.Hour))...)
	a.send(id)
	return id
}

// shown is the least that a paid job shows: a visit, a repair and a photo.
func (a *agency) shown(job domain.UUID) []*intake.Item {
	visit, now := storagetest.ID(), a.DB.Now()
	digest := sha256.Sum256(visit[:])
	return []*intake.Item{
		storagetest.Item(a.t, visit, &domain.Visit{JobID: job, VisitedOn: domain.DateOf(now, time.UTC)}),
		storagetest.Item(a.t, storagetest.ID(), &domain.Repair{JobID: job, Repair: domain.RepairTrunkSeam, DoneAt: now.Add(-90 * time.Minute)}),
		storagetest.Item(a.t, storagetest.ID(), &domain.Photo{JobID: job, SHA256: hex.EncodeToString(digest[:]), BytesCount: 1, MediaType: "image/jpeg", WidthPx: 1, HeightPx: 1,
			TakenAt: now.Add(-time.Hour), Stage: domain.AfterStage, Subjects: []domain.PhotoSubject{{Kind: domain.VisitKind, ID: visit}}}),
	}
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

// moveTo sets the clock to a local time of the program.
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
	o := pack.VerifyOptions{}
	if before != nil {
		o.Previous, o.PreviousSize = bytes.NewReader(before.bytes), before.Bytes
	}
	report, err := pack.Verify(bytes.NewReader(b.bytes), b.Bytes, o)
	if err != nil || !report.Holds {
		t.Errorf("%s: %v\n%s", b.FileName, err, report.Text())
	}
}
