package api_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"flag"
	"fmt"
	"image/png"
	"maps"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/api"
	"ductledger/api/apitest"
	"ductledger/api/calculations"
	"ductledger/api/docs"
	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/rules"
	"ductledger/storage"
	"ductledger/storage/storagetest"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

var updateExchanges = flag.Bool("exchanges", false, "write docs/exchanges.json anew")

// recorder asks a served API and keeps what was said, for the pages at /docs.
// What would differ from run to run gets a name: the same value the same name,
// in the order in which it was met.
type recorder struct {
	*apitest.API
	kept   map[string]*docs.Exchange
	spare  map[string]*docs.Exchange // by operation, where none is kept under its name
	names  map[string]string
	counts map[string]int
}

// The members whose values are the service's own and never twice the same.
var opaque = map[string]bool{
	"receipt": true, "next_after": true, "next": true, "after": true, "head_link": true, "link": true, "token": true, "trace_id": true, "texts_salt": true,
	"texts_digest": true, "path": true, "sha256": true, "manifest_digest": true, "input_digest": true, "answer_digest": true, "frame_sha256": true,
}

// The numbers that chance moves: a pause is spread over ten minutes, and a file
// holds ids.
var moving = regexp.MustCompile(`"(retry_after_s|bytes_count)":[0-9.]+`)

// told are the fields of an answer's head that a reader of the pages needs.
var told = []string{"Etag", "Location", "Idempotent-Replay", "Upload-Offset", "Upload-Complete", "Content-Disposition"}

var (
	hexText  = regexp.MustCompile(`^[0-9a-f]{16,}$`)
	codeText = regexp.MustCompile(`NORTH-[0-9A-Z]{4}-[0-9A-Z]{4}-[0-9A-Z]{4}`)
	exampled = "0198b1c4-7a10-7c3e-9d55-3f2a6b8"
)

// exampleID is one of the ids that the examples share.
func exampleID(last int) string { return fmt.Sprintf(exampled+"c%04x", last) }

func (r *recorder) name(sort, value string) {
	if value == "" || r.names[value] != "" {
		return
	}
	switch sort {
	case "next_after", "after", "next":
		sort = "cursor"
	}
	r.counts[sort]++
	word := fmt.Sprintf("%s-%d", sort, r.counts[sort])
	if hexText.MatchString(value) {
		sum := sha256.Sum256([]byte(word))
		word = hex.EncodeToString(sum[:])[:min(len(value), 64)]
	}
	r.names[value] = word
}

// learn gives the values of an answer their names.
func (r *recorder) learn(value any, key string) {
	switch v := value.(type) {
	case map[string]any:
		for _, k := range slices.Sorted(maps.Keys(v)) {
			r.learn(v[k], k)
		}
	case []any:
		for _, item := range v {
			r.learn(item, key)
		}
	case string:
		if opaque[key] && !strings.HasPrefix(v, "/v1") {
			r.name(key, v)
		}
	}
}

// plain writes a text with names in the place of what differs.
func (r *recorder) plain(text string) string {
	pairs := make([]string, 0, 2*len(r.names))
	for _, value := range slices.SortedFunc(maps.Keys(r.names), func(a, b string) int { return len(b) - len(a) }) {
		pairs = append(pairs, value, r.names[value])
	}
	text = strings.NewReplacer(pairs...).Replace(text)
	text = uuidText.ReplaceAllStringFunc(text, func(id string) string {
		if strings.HasPrefix(id, exampled) || id == r.World.Program.String() {
			return id
		}
		if r.names[id] == "" {
			r.counts["id"]++
			r.names[id] = fmt.Sprintf(exampled+"f%04x", r.counts["id"])
		}
		return r.names[id]
	})
	text = codeText.ReplaceAllString(text, "NORTH-7K3M-9QXW-2HRT")
	return moving.ReplaceAllString(text, `"$1":240`)
}

// ask sends a request and keeps the exchange under a name; under the name of its
// operation where none is given, if none was kept before.
func (r *recorder) ask(name string, role domain.Role, method, address string, body any, want int, header ...string) apitest.Answer {
	r.T.Helper()
	x := &docs.Exchange{Role: role, Method: method, Address: address}
	var content []byte
	switch b := body.(type) {
	case nil:
	case []byte:
		content, x.File = b, "picture.png"
	default:
		var err error
		if content, err = json.Marshal(b, json.Deterministic(true)); err != nil {
			r.T.Fatal(err)
		}
		x.Body = jsontext.Value(r.plain(string(content)))
	}
	for i := 0; i < len(header); i += 2 {
		if x.Header == nil {
			x.Header = map[string]string{}
		}
		x.Header[header[i]] = r.plain(header[i+1])
	}
	sent := any(content)
	if content == nil {
		sent = nil
	}
	got := r.Send(r.Tokens[role], method, address, sent, header...)
	if got.Status != want {
		r.T.Errorf("%s %s: %d, want %d: %s", method, address, got.Status, want, got.Body)
	}
	media := got.Header.Get("Content-Type")
	var value any
	switch {
	case len(got.Body) == 0:
	case strings.Contains(media, "json") && !strings.HasPrefix(address, "/openapi"):
		got.Into(&value)
		r.learn(value, "")
		x.Answer = jsontext.Value(r.plain(string(got.Body)))
	default:
		x.Content = media
	}
	x.Address, x.Status = r.plain(address), got.Status
	for _, h := range told {
		if v := got.Header.Get(h); v != "" {
			if x.Told == nil {
				x.Told = map[string]string{}
			}
			x.Told[h] = r.plain(v)
		}
	}
	path, _, _ := strings.Cut(address, "?")
	contract, err := apitest.Contract()
	if err != nil {
		r.T.Fatal(err)
	}
	operation := contract.Operation(method, path)
	if name == "-" { // what lies between two steps
		return got
	}
	if name == "" {
		name = operation
	} else if got.Status < 300 && r.spare[operation] == nil {
		r.spare[operation] = x
	}
	if r.kept[name] == nil {
		r.kept[name] = x
	}
	return got
}

// The pages at /docs show of every operation, and of every step of the guide,
// what the service answered here.
func TestExchangesAreRecorded(t *testing.T) {
	r := newRecorder(t)
	r.guide()
	r.judged()
	r.Clock.Move(28 * 24 * time.Hour) // the month has ended
	r.kinds()
	r.office()
	r.people()
	contract, err := apitest.Contract()
	if err != nil {
		t.Fatal(err)
	}
	for id := range contract.Operations {
		if r.kept[id] == nil && r.spare[id] != nil {
			r.kept[id] = r.spare[id]
		}
		if r.kept[id] == nil {
			t.Errorf("no exchange was recorded of the operation %s", id)
		}
	}
	text, err := json.Marshal(r.kept, json.Deterministic(true), jsontext.Multiline(true), jsontext.WithIndent(""))
	if err != nil {
		t.Fatal(err)
	}
	const file = "docs/exchanges.json"
	if *updateExchanges && !t.Failed() {
		if err := os.WriteFile(file, append(text, '\n'), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	committed, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if text = append(text, '\n'); bytes.Equal(text, committed) {
		return
	}
	was, is := strings.Split(string(committed), "\n"), strings.Split(string(text), "\n")
	for i := range min(len(was), len(is)) {
		if was[i] != is[i] {
			t.Fatalf("%s is not what the service answers; run go generate ./api. Line %d:\n%s\nis now\n%s", file, i+1, was[i], is[i])
		}
	}
	t.Fatalf("%s is not what the service answers; run go generate ./api", file)
}

// newRecorder serves a program in which stands what the examples refer to.
func newRecorder(t *testing.T) *recorder {
	a := apitest.Serve(t)
	a.Clock.Move(time.Date(2026, 10, 20, 16, 0, 0, 0, time.UTC).Sub(a.Clock.Now()))
	id := func(last int) domain.UUID {
		id, err := domain.ParseUUID(exampleID(last))
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	w := &storagetest.World{DB: a.DB, Program: storage.ProgramID("NORTH"), Contractor: id(0xd11), Lead: id(0xd12), Instrument: id(0xd14), Device: id(0xd16), Home: id(0xd20)}
	err := a.DB.CreateProgram(context.Background(), storage.Program{ID: w.Program, Code: "NORTH", Name: "Invented program", TimeZone: "America/Los_Angeles"},
		storagetest.ID(), storagetest.ID(), &domain.RuleSet{Name: "first", FromOn: "2020-01-01", PayBasis: domain.Measured,
			Prices: []domain.Price{{Line: "cfm25_removed", AmountCents: 250, FundSource: "state_fund", Category: "labor"}}})
	if err != nil {
		t.Fatal(err)
	}
	a.World, a.Tokens = w, map[domain.Role]string{}
	r := &recorder{API: a, kept: map[string]*docs.Exchange{}, spare: map[string]*docs.Exchange{}, names: map[string]string{}, counts: map[string]int{}}
	a.Tokens[domain.Staff] = a.Token(t, w.Program, storage.Token{Role: domain.Staff, Name: "Sam Invented"})
	example := func(kind domain.Kind, last int) object {
		record, err := api.Example(kind)
		if err != nil {
			t.Fatal(err)
		}
		return item(kind, id(last), 0, record)
	}
	must(a, a.Tokens[domain.Staff], example(domain.ContractorKind, 0xd11), example(domain.CrewMemberKind, 0xd12), example(domain.CrewMemberKind, 0xd13),
		example(domain.InstrumentKind, 0xd14), example(domain.CredentialKind, 0xd15), example(domain.DeviceKind, 0xd16), example(domain.HomeKind, 0xd20), example(domain.HomeKind, 0xd22),
		item(domain.JobKind, id(0xd21), 0, domain.Job{HomeID: id(0xd22), ContractorID: w.Contractor, PayBasis: domain.Measured, State: domain.Assigned, FundSource: "state_fund", DueOn: "2026-11-30"}),
		example(domain.ComponentKind, 0xd30), example(domain.ComponentKind, 0xd31), example(domain.ComponentKind, 0xd32), example(domain.OpeningKind, 0xd33))
	for _, role := range domain.Roles {
		token := storage.Token{Role: role, Name: "Invented " + string(role)}
		if role == domain.Field || role == domain.ContractorRole {
			token.ContractorID = w.Contractor
		}
		if role == domain.Field {
			token.DeviceID = w.Device
		}
		if role != domain.Staff {
			a.Tokens[role] = a.Token(t, w.Program, token)
		}
	}
	return r
}

// kinds goes through the five operations of every kind.
func (r *recorder) kinds() {
	back := must1(domain.ParseUUID(exampleID(0xd21))) // the crew gets its job again
	must(r.API, r.Tokens[domain.Staff], item(domain.JobKind, back, 3, domain.Job{HomeID: must1(domain.ParseUUID(exampleID(0xd22))), ContractorID: r.World.Contractor,
		PayBasis: domain.Measured, State: domain.Assigned, FundSource: "state_fund", DueOn: "2026-11-30"}))
	for n, row := range domain.Kinds {
		at := "/v1/" + row.Plural
		one := at + "/" + exampleID(0xd80+n)
		if row.Kind == domain.InspectionDrawKind { // the service writes it
			r.ask("", domain.Staff, "POST", "/v1/inspection-draws", object{"job_id": exampleID(0xd21), "reason_codes": []string{"asked_by_owner"}}, 201)
			list := r.ask("", domain.Staff, "GET", at+"?limit=1", nil, 200)
			var drawn struct{ Items []entry }
			list.Into(&drawn)
			one = at + "/" + drawn.Items[0].ID
			r.ask("", domain.Staff, "GET", one, nil, 200)
			r.ask("", domain.Staff, "GET", one+"/versions", nil, 200)
			continue
		}
		role := domain.Staff
		switch {
		case row.Kind == domain.RuleSetKind:
			role = domain.Admin
		case row.Kind == domain.HomeKind || row.Kind == domain.JobKind || row.Kind == domain.ReviewKind:
		case slices.Contains(row.Writers, domain.Field):
			role = domain.Field
		}
		record, err := api.Example(row.Kind)
		if err != nil {
			r.T.Fatal(err)
		}
		if row.Kind == domain.RuleSetKind {
			record = jsontext.Value(strings.ReplaceAll(string(record), "2026-07-01", "2027-01-01"))
		}
		r.ask("", role, "PUT", one, record, 201)
		r.ask("", role, "GET", one, nil, 200)
		r.ask("", role, "GET", at+"?limit=1", nil, 200)
		r.ask("", role, "GET", one+"/versions", nil, 200)
		r.ask("", role, "POST", one+"/void", object{"reason": "Recorded twice."}, 200, "If-Match", `"1"`)
	}
}

// guide is a phone's first days with the service.
func (r *recorder) guide() {
	const batches = "/v1/batches"
	field := domain.Field
	id := exampleID
	receipt, epoch, cursor := "", "", ""
	push := func(name string, items ...any) (b batchAnswer) {
		r.T.Helper()
		body := object{"epoch": epoch, "sent_at": r.Clock.Now(), "client": object{"name": "Invented field app", "version": "1.4", "schema": 1}, "items": items}
		if receipt != "" {
			body["receipt"] = receipt
		}
		r.ask(name, field, "POST", batches, body, 207).Into(&b)
		receipt = b.Receipt
		return b
	}
	pull := func(name, query string) (feed historyAnswer) {
		r.T.Helper()
		r.ask(name, field, "GET", "/v1/changes?after="+query, nil, 200).Into(&feed)
		cursor = feed.NextAfter
		return feed
	}
	component := func(number int, found domain.Found, ft float64) domain.Component {
		return domain.Component{JobID: must1(domain.ParseUUID(id(0xd21))), Component: domain.Boot, Section: "A", Number: &number, Found: found, PositionFt: &ft}
	}
	of := func(kind domain.Kind, last, base int, record any) object {
		return item(kind, must1(domain.ParseUUID(id(last))), base, record)
	}

	// In.
	var code struct{ Code string }
	r.ask("guide/code", domain.Staff, "POST", "/v1/enrollment-codes", object{"device_id": id(0xd16), "name": "Lee Invented"}, 201).Into(&code)
	var enrolled struct{ Token string }
	r.ask("guide/enroll", "", "POST", "/v1/enrollments", object{"code": code.Code}, 201).Into(&enrolled)
	r.Tokens[field] = enrolled.Token
	var start struct{ Epoch string }
	r.ask("guide/start", field, "GET", "/v1/sync", nil, 200).Into(&start)
	epoch = start.Epoch

	// The first pull, and the first push: sent, sent again, and overtaken.
	pull("guide/first_pull", "0&limit=2")
	pull("-", cursor+"&limit=500")
	visit := domain.Visit{JobID: must1(domain.ParseUUID(id(0xd21))), VisitedOn: "2026-10-20", LeadID: &r.World.Lead, CrewIDs: []domain.UUID{r.World.Lead}}
	reading, err := api.Example(domain.MeasurementKind)
	if err != nil {
		r.T.Fatal(err)
	}
	push("guide/first_push", of(domain.VisitKind, 0xd51, 0, visit), of(domain.MeasurementKind, 0xd52, 0, reading))
	push("guide/lost_reply", of(domain.VisitKind, 0xd51, 0, visit), of(domain.MeasurementKind, 0xd52, 0, reading))
	push("-", of(domain.ComponentKind, 0xd53, 0, component(3, domain.FoundLeaky, 18)))
	push("guide/changed", of(domain.ComponentKind, 0xd53, 1, component(3, domain.FoundDetached, 18)))
	push("guide/late_reply", of(domain.ComponentKind, 0xd53, 0, component(3, domain.FoundLeaky, 18)))

	// Two who change one record.
	must(r.API, r.Tokens[domain.Staff], of(domain.ComponentKind, 0xd53, 2, component(3, domain.FoundDetached, 18.5)))
	conflict := push("guide/conflict", of(domain.ComponentKind, 0xd53, 2, component(3, domain.FoundMissing, 18)))
	merged := of(domain.ComponentKind, 0xd53, 3, component(3, domain.FoundMissing, 18.5))
	merged["resolves"] = conflict.Items[0].HeldID
	push("guide/resolves", merged)

	// A child before its parent; what is wrong; what no longer counts.
	pull("-", cursor+"&limit=500")
	fifth := must1(domain.ParseUUID(id(0xd55)))
	push("guide/waiting", of(domain.RepairKind, 0xd54, 0, domain.Repair{JobID: visit.JobID, Repair: domain.RepairBoot, ComponentIDs: []domain.UUID{fifth},
		DoneAt: r.Clock.Now().Add(-time.Hour), Materials: []domain.Material{domain.Mesh, domain.Mastic}}))
	push("guide/parent", of(domain.ComponentKind, 0xd55, 0, component(4, domain.FoundLeaky, 26)))
	pull("guide/followed", cursor)
	push("guide/rejected", of(domain.ComponentKind, 0xd56, 0, component(5, domain.FoundLeaky, -34)))
	r.ask("guide/held", field, "GET", "/v1/held?limit=1", nil, 200)
	push("guide/corrected", of(domain.ComponentKind, 0xd56, 0, component(5, domain.FoundLeaky, 34)))
	push("guide/void", object{"kind": "component", "id": id(0xd56), "base_version": 1, "void": object{"reason": "Counted twice."}})
	push("guide/revived", of(domain.ComponentKind, 0xd56, 2, component(5, domain.FoundLeaky, 34)))

	// Pictures.
	var picture bytes.Buffer
	if err := png.Encode(&picture, noise(7, 120, 90)); err != nil {
		r.T.Fatal(err)
	}
	sum := sha256.Sum256(picture.Bytes())
	push("guide/photo", of(domain.PhotoKind, 0xd57, 0, domain.Photo{JobID: visit.JobID, SHA256: hex.EncodeToString(sum[:]), BytesCount: int64(picture.Len()), MediaType: "image/png",
		WidthPx: 120, HeightPx: 90, TakenAt: r.Clock.Now().Add(-time.Hour), Stage: domain.SurveyStage, Subjects: []domain.PhotoSubject{{Kind: domain.JobKind, ID: visit.JobID}}}))
	at := "/v1/photos/" + id(0xd57) + "/bytes"
	half := picture.Len() / 2
	part := func(name string, from, to int, complete string, want int) {
		r.T.Helper()
		r.ask(name, field, "PATCH", at, picture.Bytes()[from:to], want, "Content-Type", "application/partial-upload", "Upload-Offset", fmt.Sprint(from), "Upload-Complete", complete)
	}
	part("guide/part", 0, half, "?0", 200)
	r.ask("guide/how_much", field, "HEAD", at, nil, 204)
	part("guide/wrong_offset", 0, half, "?0", 409)
	part("guide/last_part", half, picture.Len(), "?1", 200)

	second := must1(domain.ParseUUID(id(0xd60)))
	picture.Reset()
	if err := png.Encode(&picture, noise(8, 30, 40)); err != nil {
		r.T.Fatal(err)
	}
	sum = sha256.Sum256(picture.Bytes())
	must(r.API, r.Tokens[field], item(domain.PhotoKind, second, 0, domain.Photo{JobID: visit.JobID, SHA256: hex.EncodeToString(sum[:]), BytesCount: int64(picture.Len()), MediaType: "image/png",
		WidthPx: 30, HeightPx: 40, TakenAt: r.Clock.Now().Add(-time.Hour), Stage: domain.SurveyStage, Subjects: []domain.PhotoSubject{{Kind: domain.JobKind, ID: visit.JobID}}}))
	r.ask("", field, "PUT", "/v1/photos/"+id(0xd60)+"/bytes", picture.Bytes(), 200, "Content-Type", "image/png")

	// Waiting for news.
	pull("-", cursor+"&limit=500")
	r.ask("guide/not_modified", field, "GET", "/v1/changes?after="+cursor, nil, 304, "If-None-Match", `"`+cursor+`"`)
	must(r.API, r.Tokens[domain.Staff], of(domain.AppointmentKind, 0xd58, 0, domain.Appointment{JobID: visit.JobID, PlannedOn: "2026-10-21", State: domain.AppointmentMade}))
	pull("guide/news", cursor+"&wait_s=25")
	stay := cursor
	pull("guide/kinds", "0&kinds=appointment,call_back")
	cursor = stay

	// A phone whose clock is ten minutes slow.
	slow := object{"epoch": epoch, "receipt": receipt, "sent_at": r.Clock.Now().Add(-10 * time.Minute), "items": []any{of(domain.ComponentKind, 0xd59, 0, component(6, domain.FoundTight, 43))}}
	r.ask("guide/slow_clock", field, "POST", batches, slow, 207)
	pull("guide/clock", cursor)

	// The crew is done; the job goes to another firm; a phone that was away.
	push("guide/in_work", of(domain.JobKind, 0xd21, 1, domain.Job{HomeID: must1(domain.ParseUUID(id(0xd22))), ContractorID: r.World.Contractor, PayBasis: domain.Measured, State: domain.InWork, FundSource: "state_fund", DueOn: "2026-11-30"}))
	pull("-", cursor)
	other := of(domain.ContractorKind, 0xd61, 0, domain.Contractor{Name: "Second Invented"})
	must(r.API, r.Tokens[domain.Staff], other, of(domain.JobKind, 0xd21, 2, domain.Job{HomeID: must1(domain.ParseUUID(id(0xd22))), ContractorID: must1(domain.ParseUUID(id(0xd61))),
		PayBasis: domain.Measured, State: domain.Assigned, FundSource: "state_fund", DueOn: "2026-11-30"}))
	pull("guide/drop", cursor)
	push("guide/too_late", of(domain.ComponentKind, 0xd5a, 0, component(7, domain.FoundLeaky, 51)))

	// The service was set back to yesterday's backup.
	push("-", home())
	setBack(r.T.(*testing.T), r.API)
	var changed struct{ Epoch string }
	r.ask("guide/epoch", field, "POST", batches, object{"epoch": epoch, "receipt": receipt, "items": []any{}}, 409).Into(&changed)
	epoch, receipt = changed.Epoch, ""
	pull("-", "0&limit=1")

	r.ask("", field, "GET", "/v1/sync", nil, 200)
	r.ask("", field, "GET", "/v1/changes?after=0&limit=2", nil, 200)
	r.ask("", field, "GET", "/v1/held?limit=1", nil, 200)
	r.ask("", field, "HEAD", at, nil, 204)
}

func must1[T any](value T, err error) T {
	if err != nil {
		panic(err)
	}
	return value
}

// judged is a job on its whole way, as the office sees it.
func (r *recorder) judged() {
	staff := domain.Staff
	in := invent(r.API, r.World)
	in.sendIn(r.API, r.Tokens)
	at := "/v1/jobs/" + in.Job.String()
	must(r.API, r.Tokens[staff], in.review(domain.Accept))
	r.ask("", staff, "GET", at+"/findings", nil, 200)
	r.ask("", staff, "GET", at+"/file", nil, 200)
	r.ask("", staff, "GET", at+"/result", nil, 200)
	r.ask("", staff, "GET", at+"/cut-list", nil, 200)
	r.ask("", staff, "GET", "/v1/jobs/"+exampleID(0xd21)+"/entries", nil, 200)
	r.ask("", staff, "GET", "/v1/worklist?limit=1", nil, 200)
	r.ask("", staff, "GET", "/v1/program", nil, 200)

	home := "/v1/homes/" + in.Home.String()
	r.ask("", staff, "PUT", home+"/resident", object{"name": "Invented Resident", "phone": "555-0100", "street": "14 Cedar Lane"}, 200)
	r.ask("", staff, "POST", "/v1/search", object{"words": "14 ced"}, 200)
	note := storagetest.ID()
	must(r.API, r.Tokens[staff], item(domain.CallBackKind, note, 0, domain.CallBack{JobID: in.Job, ReportedOn: "2026-10-20", Reason: "Invented Resident heard a whistle."}))
	r.ask("", staff, "GET", home+"/texts", nil, 200)
	r.ask("", staff, "POST", home+"/texts/erase", object{"items": []object{{"kind": "call_back", "id": note}}}, 200)
	r.ask("", staff, "POST", home+"/resident/erase", nil, 200)

	small := rules.ExampleEvaluation()
	small.Items = small.Items[:9] // who worked, the home, the job, the visit and the isolation
	r.ask("", domain.Field, "POST", "/v1/evaluations", small, 200)

	picture := "/v1/photos/" + exampleID(0xd57)
	r.ask("", staff, "GET", picture+"/bytes", nil, 200)
	r.ask("", staff, "GET", picture+"/thumbnail", nil, 200)
	r.ask("", staff, "POST", picture+"/bytes/erase", object{"why": "asked"}, 200)

	for _, last := range []int{0xd5b, 0xd5c} { // two items that nobody takes
		b := push(r.API, r.Tokens[domain.Field], item(domain.ComponentKind, must1(domain.ParseUUID(exampleID(last))), 0,
			domain.Component{JobID: must1(domain.ParseUUID(exampleID(0xd21))), Component: domain.Boot, Section: "A", Number: new(8), Found: domain.FoundLeaky}))
		held := "/v1/held/" + b.Items[0].HeldID
		if last == 0xd5b {
			r.ask("", staff, "POST", held+"/apply", object{"base_version": 0}, 200)
		} else {
			r.ask("", staff, "POST", held+"/dismiss", nil, 200)
		}
	}
}

// office is what staff, funder and admin ask once the month has ended.
func (r *recorder) office() {
	for _, rt := range calculations.Routes(frame.Route{}) {
		body := calculations.Operations()[rt.Operation].Example
		r.ask("", domain.Field, "POST", rt.Pattern, body, 200)
	}
	const period = "from=2026-10-01&before=2026-11-01"
	staff, contractor := domain.Staff, "/v1/contractors/"+r.World.Contractor.String()
	coming := "/v1/rule-sets/" + exampleID(0xd70)
	r.ask("", domain.Admin, "PUT", coming, object{"name": "Invented program 2027", "from_on": "2027-02-01", "pay_basis": "measured"}, 201)
	r.ask("", staff, "GET", coming+"/preview?"+period, nil, 200)

	r.ask("", staff, "GET", "/v1/performance?"+period, nil, 200)
	r.ask("", staff, "GET", contractor+"/performance?"+period, nil, 200)
	r.ask("", staff, "GET", contractor+"/performance/explanation?"+period, nil, 200)
	r.ask("", staff, "GET", contractor+"/inspection-course?"+period, nil, 200)
	r.ask("", staff, "GET", contractor+"/statement?month=2026-10&limit=3", nil, 200)
	r.ask("", staff, "GET", "/v1/repair-effects?"+period, nil, 200)
	r.ask("", staff, "GET", "/v1/repeatability?"+period, nil, 200)
	for _, figures := range []string{"inspection-estimates", "training-needs", "lessons", "call-back-rates"} {
		r.ask("", staff, "GET", "/v1/"+figures+"?"+period, nil, 200)
	}
	r.ask("", staff, "GET", "/v1/crews?on=2026-11-16", nil, 200)
	r.ask("", staff, "GET", "/v1/triage?limit=2", nil, 200)
	var published struct {
		ID string `json:"publication_id"`
	}
	r.ask("", staff, "POST", "/v1/performance/publications", object{"from": "2026-10-01", "before": "2026-11-01"}, 201).Into(&published)
	r.ask("", staff, "GET", "/v1/performance/publications?limit=1", nil, 200)
	r.ask("", staff, "GET", "/v1/performance/publications/"+published.ID, nil, 200)

	var p packaged
	r.ask("", staff, "POST", october, object{}, 202)
	for range 6000 { // it is built beside
		if r.Do(staff, "GET", october+"/1", nil).Want(200).Into(&p); p.State != "building" {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	r.ask("", staff, "GET", october+"/1", nil, 200)
	r.ask("", domain.Admin, "POST", october+"/1/release", nil, 200)
	r.ask("", domain.Funder, "GET", "/v1/months", nil, 200)
	r.ask("", domain.Funder, "GET", october, nil, 200)
	r.ask("", domain.Funder, "GET", october+"/1/file", nil, 200)
	for _, public := range []string{"/livez", "/readyz", "/openapi.yaml", "/openapi.json"} {
		r.ask("", "", "GET", public, nil, 200)
	}
}

// people is who may come in.
func (r *recorder) people() {
	admin := domain.Admin
	var added struct {
		Person struct {
			ID string `json:"person_id"`
		}
	}
	r.ask("", admin, "POST", "/v1/people", object{"name": "Ada Invented", "role": "staff"}, 201).Into(&added)
	one := "/v1/people/" + added.Person.ID
	r.ask("", admin, "GET", "/v1/people?limit=2", nil, 200)
	r.ask("", admin, "GET", one, nil, 200)
	r.ask("", admin, "POST", one+"/link", nil, 201)
	r.ask("", admin, "POST", one+"/role", object{"role": "inspector"}, 200)
	r.ask("", admin, "POST", one+"/sign-out", nil, 200)
	r.ask("", admin, "POST", one+"/end", nil, 200)
	r.ask("", admin, "GET", "/v1/audit?limit=2", nil, 200)
	var code struct{ Code string }
	r.ask("", domain.Staff, "POST", "/v1/enrollment-codes", object{"device_id": exampleID(0xd16), "name": "Lee Invented"}, 201).Into(&code)
	var enrolled struct{ Token string }
	r.ask("", "", "POST", "/v1/enrollments", object{"code": code.Code}, 201).Into(&enrolled)
	r.Tokens[domain.Field] = enrolled.Token
	var list struct {
		Items []struct {
			TokenID string `json:"token_id"`
			Role    string
		}
	}
	r.ask("", admin, "GET", "/v1/tokens", nil, 200).Into(&list)
	for _, token := range list.Items {
		if token.Role == string(domain.Funder) {
			r.ask("", admin, "POST", "/v1/tokens/"+token.TokenID+"/revoke", nil, 204)
		}
	}
	// A lost phone.
	r.ask("-", domain.Staff, "PUT", "/v1/devices/"+exampleID(0xd16), object{"contractor_id": r.World.Contractor, "name": "Crew phone 1", "state": "revoked"}, 200, "If-Match", `"1"`)
	r.ask("guide/revoked", domain.Field, "GET", "/v1/sync", nil, 401)
}
