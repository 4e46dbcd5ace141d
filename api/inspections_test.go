package api_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/domain/draws"
	"ductledger/domain/rules"
	"ductledger/storage"
	"ductledger/storage/storagetest"
)

type drawnEntry struct {
	ID      string
	Version int64
	Record  domain.InspectionDraw
}

// seed and its digest as the office promises it.
func promised(text string) (seed, digest string) {
	sum := sha256.Sum256([]byte(text))
	return hex.EncodeToString([]byte(text)), hex.EncodeToString(sum[:])
}

func refusedWith(a *apitest.API, body object, status int, code string) {
	a.T.Helper()
	if p := a.Do(domain.Staff, "POST", "/v1/inspection-draws", body).Want(status).Problem(); p.Code != code && (len(p.Errors) == 0 || p.Errors[0].Code != code) {
		a.T.Errorf("%v: %+v, want %s", body, p, code)
	}
}

// The whole way of a draw, from the promised seed to a job on the office's list,
// the inspector with his own token alone.
func TestAnInspectorsWholeWay(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	staff, inspector := a.Tokens[domain.Staff], a.Tokens[domain.Inspector]
	seed, digest := promised("an invented seed, thrown with dice")
	draw := func(body object) (e drawnEntry) {
		a.T.Helper()
		answer := a.Do(domain.Staff, "POST", "/v1/inspection-draws", body)
		if answer.Status > 201 {
			t.Fatalf("%v: %d %s", body, answer.Status, answer.Body)
		}
		answer.Into(&e)
		return e
	}
	var jobs []*invented
	work := func() {
		in := accepted(a, a.World, a.Tokens)
		a.Do(domain.Staff, "PUT", "/v1/homes/"+in.Home.String()+"/resident", object{"name": "Invented Resident", "phone": "555 0100"}).Want(200)
		jobs = append(jobs, in)
	}
	for range 4 {
		work()
	}
	october := object{"month": "2026-10", "seed_sha256": digest, "share_percent": 40}
	told := draw(october)
	if told.Version != 1 || told.Record.State != domain.DrawPublished || told.Record.Seed != "" || len(told.Record.Jobs) != 4 || told.Record.Jobs[0].ChanceRatio != 0.5 {
		t.Fatalf("published: %+v", told)
	}
	refusedWith(a, object{"month": "2026-10", "seed": seed}, 422, "unfinished_period")
	work()
	a.Clock.Move(20 * 24 * time.Hour)
	refusedWith(a, object{"month": "2026-10", "seed": seed}, 422, "frame_changed")
	if told = draw(october); told.Version != 2 || len(told.Record.Jobs) != 5 {
		t.Fatalf("published again: %+v", told)
	}
	wrong, other := promised("another invented seed, chosen to suit")
	refusedWith(a, object{"month": "2026-10", "seed": wrong}, 422, "other_digest")
	refusedWith(a, object{"month": "2026-10", "seed_sha256": other}, 422, "seed_stands")
	refusedWith(a, object{"month": "2026-08", "seed_sha256": digest}, 422, "no_job")
	refusedWith(a, object{"month": "2026-09", "seed": seed}, 422, "not_published")
	if p := a.Do(domain.Staff, "POST", "/v1/inspection-draws", object{"month": "2026-13", "seed_sha256": digest}).Want(422).Problem(); !slices.Equal(p.Pointers(), []string{"/month"}) {
		t.Errorf("a month that is none: %+v", p)
	}
	refusedWith(a, object{"month": "2026-10"}, 422, "one_step")
	refusedWith(a, object{"month": "2026-10", "seed_sha256": digest, "contractor_id": a.World.Contractor}, 422, "drawn_otherwise")

	// Nobody but the office sees the draw, before and after.
	before, cursor := pullAll(a, inspector, "0", "")
	if len(before) > 0 && slices.ContainsFunc(before, func(e entry) bool { return e.JobID != "" }) {
		t.Fatalf("nothing is drawn, and the inspector reads %d entries", len(before))
	}
	drawn := draw(object{"month": "2026-10", "seed": seed})
	var open []string
	for _, j := range drawn.Record.Jobs {
		if j.Drawn() {
			open = append(open, j.JobID.String())
		}
	}
	if drawn.Record.State != domain.DrawDrawn || len(open) != 2 { // 40 % of five jobs
		t.Fatalf("drawn: %+v", drawn)
	}
	unmoved(a, func() {
		again := a.Do(domain.Staff, "POST", "/v1/inspection-draws", object{"month": "2026-10", "seed": seed}).Want(200)
		if again.Header.Get("Idempotent-Replay") != "true" {
			t.Error("drawn again")
		}
		draw(october)
	}, staff)
	for _, role := range []domain.Role{domain.Field, domain.ContractorRole, domain.Inspector} {
		a.Do(role, "GET", "/v1/inspection-draws", nil).Want(403)
		a.Do(role, "GET", "/v1/inspection-draws/"+drawn.ID, nil).Want(403)
		items, _ := pullAll(a, a.Tokens[role], "0", "")
		if slices.ContainsFunc(items, func(e entry) bool { return e.Kind == string(domain.InspectionDrawKind) }) {
			t.Errorf("a %s reads the draw in its feed", role)
		}
	}
	recomputed(t, a.Do(domain.Staff, "GET", "/v1/inspection-draws/"+drawn.ID, nil).Want(200).Body)

	// His phone, whose cursor stood behind everything, receives the drawn jobs whole.
	news, cursor := pullAll(a, inspector, cursor, "")
	var came []string
	contacts := 0
	for _, e := range news {
		if e.Kind == "job" {
			came = append(came, e.ID)
		}
		if e.Resident != nil {
			contacts++
		}
	}
	sameSet(t, "jobs that came", came, open)
	if contacts != 2 {
		t.Errorf("%d homes with a contact, want 2", contacts)
	}
	if got := waiting(a, inspector, ""); len(got.Items) != 2 {
		t.Errorf("owed: %+v", got.Items)
	}
	at := func(id string) *invented {
		return jobs[slices.IndexFunc(jobs, func(in *invented) bool { return in.Job.String() == id })]
	}
	failed := at(open[0])
	reading, photo := inspectionTest(failed)
	look := item(domain.InspectionKind, storagetest.ID(), 0, domain.Inspection{JobID: failed.Job, Purpose: "monitoring", InspectedOn: "2026-11-02",
		InspectorName: "Ira Invented", Verdicts: []domain.RuleVerdict{{Rule: "crossover_off_ground", Verdict: domain.VerdictBroken}}, Result: "failed"})
	must(a, inspector, look, reading)
	must(a, inspector, photo) // on the way while the inspection was finished
	if got := waiting(a, staff, "?sort=inspection_failed"); len(got.Items) != 1 || got.Items[0].JobID != failed.Job.String() {
		t.Errorf("the office's list: %+v", got.Items)
	}
	dropped, _ := pullAll(a, inspector, cursor, "")
	if !slices.ContainsFunc(dropped, func(e entry) bool { return e.Op == "drop" && e.JobID == failed.Job.String() }) {
		t.Errorf("the phone is not told to drop the finished job: %+v", dropped)
	}
	must(a, staff, failed.review(domain.Reopen))
	if got := waiting(a, staff, "?sort=inspection_failed"); len(got.Items) != 0 {
		t.Errorf("opened again, and still on the list: %+v", got.Items)
	}

	// What nobody opened is refused at once, and accepted once it is opened by hand.
	missed := at(*firstNot(drawn.Record.Jobs))
	look = item(domain.InspectionKind, storagetest.ID(), 0, domain.Inspection{JobID: missed.Job, Purpose: "monitoring", InspectedOn: "2026-11-02",
		InspectorName: "Ira Invented", Result: "passed"})
	if b := push(a, inspector, look); b.Items[0].Status != "rejected" || b.Items[0].Problem.Code != "parent_missing" || b.Items[0].Problem.Errors[0].Code != "not_open_to_inspectors" {
		t.Errorf("%+v", b.Items[0])
	}
	refusedWith(a, object{"job_id": missed.Job}, 422, "required")
	refusedWith(a, object{"job_id": storagetest.ID(), "reason_codes": []string{"resident_complained"}}, 404, "not_found")
	refusedWith(a, object{"job_id": missed.Job, "reason_codes": []string{"resident_complained"}, "inspector_id": storagetest.ID()}, 422, "not_an_inspector")
	theNamedInspectorAlone(a, at(firstOther(drawn.Record.Jobs, missed.Job)), draw)
	if hand := draw(object{"job_id": missed.Job, "reason_codes": []string{"resident_complained"}}); hand.Record.State != domain.DrawByHand {
		t.Errorf("by hand: %+v", hand)
	}
	must(a, inspector, look)
}

// A job that was opened to one inspector is his alone: another reads nothing of it,
// sends no record and no picture to it, and learns no more than of an id that is none.
func theNamedInspectorAlone(a *apitest.API, in *invented, draw func(object) drawnEntry) {
	a.T.Helper()
	his := a.Token(a.T, a.World.Program, storage.Token{Role: domain.Inspector, Name: "Ina Invented"})
	others := a.Token(a.T, a.World.Program, storage.Token{Role: domain.Inspector, Name: "Olaf Invented"})
	var people struct {
		Items []struct {
			ID   string `json:"person_id"`
			Name string
		}
	}
	a.Do(domain.Admin, "GET", "/v1/people", nil).Want(200).Into(&people)
	named := ""
	for _, person := range people.Items {
		if person.Name == "Ina Invented" {
			named = person.ID
		}
	}
	draw(object{"job_id": in.Job, "reason_codes": []string{"resident_complained"}, "inspector_id": named})
	reading, photo := inspectionTest(in)
	content := asJPEG(a.T, noise(41, 64, 64))
	sum := sha256.Sum256(content)
	record := photo["record"].(*domain.Photo)
	record.SHA256, record.BytesCount = hex.EncodeToString(sum[:]), int64(len(content))
	picture := fmt.Sprintf("/v1/photos/%s/bytes", photo["id"])
	if b := push(a, others, reading, photo); b.Items[0].Status == "accepted" || b.Items[1].Status == "accepted" {
		a.T.Errorf("another inspector sends: %+v", b.Items)
	}
	must(a, his, reading, photo)
	job := "/v1/jobs/" + in.Job.String()
	for _, path := range []string{job, job + "/entries", picture} {
		if r := a.Send(others, "GET", path, nil); r.Status != 404 {
			a.T.Errorf("another inspector reads %s: %d", path, r.Status)
		}
	}
	a.Send(others, "HEAD", picture, nil).Want(404)
	a.Send(others, "PUT", picture, content, "Content-Type", "image/jpeg").Want(404)
	a.Send(his, "PUT", picture, content, "Content-Type", "image/jpeg").Want(200)
	a.Send(his, "GET", picture, nil).Want(200)
	a.Send(others, "GET", picture, nil).Want(404)
	a.Send(his, "GET", picture+"?original=true", nil).Want(403)
	a.Send(his, "POST", picture+"/erase", `{"why":"asked"}`).Want(403)
}

// What is asked of the estimates of October's draw.
func estimates(a *apitest.API) (e struct {
	Months []struct {
		Month, State string
		DrawID       string `json:"draw_id"`
	}
	Visits struct {
		Begun     int `json:"begun_count"`
		Drawn     int `json:"drawn_count"`
		Made      int `json:"made_count"`
		Failed    int `json:"failed_count"`
		Announced int `json:"announced_or_not_said_count"`
	}
	draws.FailureFigures
}) {
	a.T.Helper()
	a.Do(domain.Staff, "GET", "/v1/inspection-estimates?from=2026-10-01&before=2026-11-01", nil).Want(200).Into(&e)
	return e
}

// Three of five jobs are drawn: one fails, one passes, in one nobody opens the door. The
// program's estimate has the failure at once, the contractor's after its right of reply:
// ten working days, or, once it replied, the office's answer.
func TestWhatInspectionsTell(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	staff, inspector := a.Tokens[domain.Staff], a.Tokens[domain.Inspector]
	if got := estimates(a); len(got.Months) != 1 || got.Months[0].DrawID != "" || got.Program.Reason != "none_inspected" || len(got.Contractors) != 0 {
		t.Errorf("before any draw: %+v", got)
	}
	for range 5 {
		accepted(a, a.World, a.Tokens)
	}
	seed, digest := promised("an invented seed, written on a sealed note")
	a.Do(domain.Staff, "POST", "/v1/inspection-draws", object{"month": "2026-10", "seed_sha256": digest, "share_percent": 60}).Want(201)
	a.Clock.Move(20 * 24 * time.Hour) // Tuesday, November 3
	var drawn drawnEntry
	a.Do(domain.Staff, "POST", "/v1/inspection-draws", object{"month": "2026-10", "seed": seed}).Want(200).Into(&drawn)
	var open []domain.UUID
	for _, j := range drawn.Record.Jobs {
		if j.Drawn() {
			open = append(open, j.JobID)
		}
	}
	if got := estimates(a); got.Program.OwedCount != 3 || got.Program.FailedRatio != nil || got.Months[0].State != "drawn" {
		t.Errorf("nobody was there yet: %+v", got.Program)
	}
	failure := storagetest.ID()
	look := func(id, job domain.UUID, result string, change func(*domain.Inspection)) any {
		i := domain.Inspection{JobID: job, Purpose: "monitoring", InspectedOn: "2026-11-03", InspectorName: "Ira Invented", Result: result}
		if change != nil {
			change(&i)
		}
		return item(domain.InspectionKind, id, 0, i)
	}
	must(a, inspector,
		look(failure, open[0], "failed", func(i *domain.Inspection) {
			i.Verdicts = []domain.RuleVerdict{{Rule: "crossover_off_ground", Verdict: domain.VerdictBroken}, {Rule: "wide_gap_reinforced", Verdict: domain.VerdictNotVisible},
				{Rule: "boot_sealed", Verdict: domain.VerdictChangedSince}}
		}),
		look(storagetest.ID(), open[1], "passed", func(i *domain.Inspection) {
			i.Verdicts = []domain.RuleVerdict{{Rule: "crossover_off_ground", Verdict: domain.VerdictHolds}}
		}),
		look(storagetest.ID(), open[2], "not_finished", func(i *domain.Inspection) { i.NotFinishedReason = domain.InspectionNoAccess }))

	got := estimates(a)
	p := got.Program
	if p.FrameCount != 5 || p.DrawnCount != 3 || p.InspectedCount != 2 || p.FailedCount != 1 || p.NoAccessCount != 1 || p.OwedCount != 0 {
		t.Errorf("counts: %+v", p)
	}
	// Both answered jobs speak for 5/2 each: half of five fails.
	if !close9(p.FailedRatio, .5) || !close9(p.FailedJobs, 2.5) || p.FailedRatioLow == nil || *p.FailedRatioLow > .02 || *p.FailedRatioHigh < .98 {
		t.Errorf("the program: %+v", p)
	}
	if len(got.Rules) != 3 || got.Rules[0].Rule != "crossover_off_ground" || !close9(got.Rules[0].BrokenRatio, .5) {
		t.Fatalf("rules: %+v", got.Rules)
	}
	for _, r := range got.Rules[1:] {
		if r.BrokenRatio != nil || r.NotVisibleCount+r.ChangedSinceCount != 1 {
			t.Errorf("what nobody could see, or was changed since, is in a rate: %+v", r)
		}
	}
	firm := func() draws.FailedContractor {
		t.Helper()
		got := estimates(a)
		if len(got.Contractors) != 1 {
			t.Fatalf("contractors: %+v", got.Contractors)
		}
		return got.Contractors[0]
	}
	if c := firm(); c.AwaitingReplyCount != 1 || c.InspectedCount != 1 || c.FailedCount != 0 || !close9(c.FailedRatio, 0) || c.FailedRatioHigh == nil || math.Abs(*c.FailedRatioHigh-.975) > 1e-9 { // 0 of 1
		t.Errorf("the contractor may still reply: %+v", c)
	}
	courses := func(contractor domain.UUID) string {
		return "/v1/contractors/" + contractor.String() + "/inspection-course?from=2026-10-01&before=2026-11-01"
	}
	course := func() (c draws.Course) {
		t.Helper()
		a.Do(domain.Staff, "GET", courses(a.World.Contractor), nil).Want(200).Into(&c)
		return c
	}
	if c := course(); c.WaitingCount < 1 || c.InspectedCount+c.WaitingCount != 2 || c.FailedCount != 0 || len(c.Looks) != c.InspectedCount { // nothing after the open failure
		t.Errorf("in their order: %+v", c)
	}
	reply := domain.Review{JobID: open[0], Decision: domain.Reply, Text: "The strap was cut by somebody else.",
		Finding: &domain.FindingRef{Rule: "crossover_off_ground", Subjects: []domain.Subject{{Kind: domain.InspectionKind, ID: failure}}}}
	must(a, a.Tokens[domain.ContractorRole], item(domain.ReviewKind, storagetest.ID(), 0, reply))
	a.Clock.Move(30 * 24 * time.Hour)
	must(a, staff, item(domain.ContractorKind, storagetest.ID(), 0, domain.Contractor{Name: "Invented Sealing Co. 9"})) // the ledger goes on
	if c := firm(); c.DisputedCount != 1 || c.FailedCount != 0 {
		t.Errorf("the office has not answered: %+v", c)
	}
	if w := waiting(a, staff, "?sort=reply"); len(w.Items) != 1 || w.Items[0].JobID != open[0].String() {
		t.Errorf("the reply is not on the office's list: %+v", w.Items)
	}
	answer := reply
	answer.Decision, answer.Text = domain.Answer, "The photo shows that it never was there."
	must(a, staff, item(domain.ReviewKind, storagetest.ID(), 0, answer))
	if c := firm(); c.FailedCount != 1 || c.InspectedCount != 2 || c.DisputedCount != 0 || !strings.Contains(c.Statement, "So few cannot tell") {
		t.Errorf("the failure counts: %+v", c)
	}
	if c := course(); c.WaitingCount != 0 || c.InspectedCount != 2 || c.FailedCount != 1 || c.Looks[0].InspectedOn != "2026-11-03" || c.Sequential.Running.Decision != "" || c.Sum.Limit != nil {
		t.Errorf("two of fewer than five tell nothing: %+v", c)
	}
	if w := waiting(a, staff, "?sort=reply"); len(w.Items) != 0 {
		t.Errorf("answered, and still on the list: %+v", w.Items)
	}
	for _, role := range []domain.Role{domain.Field, domain.ContractorRole, domain.Inspector, domain.Funder} {
		a.Do(role, "GET", "/v1/inspection-estimates?from=2026-10-01&before=2026-11-01", nil).Want(403)
		a.Do(role, "GET", courses(a.World.Contractor), nil).Want(403)
	}
	a.Do(domain.Staff, "GET", courses(storagetest.ID()), nil).Want(404)
	a.Do(domain.Staff, "GET", "/v1/inspection-estimates?from=2026-11-01&before=2026-10-01", nil).Want(400)
}

func close9(got *float64, want float64) bool { return got != nil && math.Abs(*got-want) < 1e-9 }

// inspectionTest is the inspector's own test after the work and a photo of it.
func inspectionTest(in *invented) (reading, photo object) {
	at := slices.IndexFunc(in.items, func(i rules.Item) bool {
		m, ok := i.Record.(*domain.Measurement)
		return ok && m.Stage == domain.After
	})
	m, id := *in.items[at].Record.(*domain.Measurement), storagetest.ID()
	m.Stage, m.TakenAt = domain.InspectionStage, m.TakenAt.Add(18*24*time.Hour)
	at = slices.IndexFunc(in.items, func(i rules.Item) bool {
		p, ok := i.Record.(*domain.Photo)
		return ok && p.Stage == domain.AfterStage && len(p.Subjects) > 0 && p.Subjects[0].Shows == domain.ShowsGauge
	})
	p, shown := *in.items[at].Record.(*domain.Photo), storagetest.ID()
	sum := sha256.Sum256(shown[:])
	p.SHA256, p.TakenAt, p.Subjects = hex.EncodeToString(sum[:]), m.TakenAt, []domain.PhotoSubject{{Kind: domain.MeasurementKind, ID: id, Shows: domain.ShowsGauge}}
	return item(domain.MeasurementKind, id, 0, &m), item(domain.PhotoKind, shown, 0, &p)
}

// firstOther is the first job that was not drawn, besides one.
func firstOther(jobs []domain.DrawJob, but domain.UUID) string {
	for i := range jobs {
		if !jobs[i].Drawn() && jobs[i].JobID != but {
			return jobs[i].JobID.String()
		}
	}
	return ""
}

func firstNot(jobs []domain.DrawJob) *string {
	for i := range jobs {
		if !jobs[i].Drawn() {
			id := jobs[i].JobID.String()
			return &id
		}
	}
	return nil
}

// pythonDraws gives a published draw to the other program.
func pythonDraws(published []byte) (string, error) {
	cmd := exec.Command("python3", "../testdata/inspections/draw.py")
	cmd.Stdin = bytes.NewReader(published)
	out, err := cmd.CombinedOutput()
	return string(out), err
}

// drawnAgain tells whether the other program, where the machine has its language, draws the same.
func drawnAgain(t *testing.T, published []byte) bool {
	t.Helper()
	if _, err := exec.LookPath("python3"); err != nil {
		t.Log("python3 is not on this machine: the draw is not made again")
		return true
	}
	out, err := pythonDraws(published)
	if err != nil {
		t.Logf("%s %v", out, err)
	}
	return err == nil
}

// recomputed draws again by another program from what is published, and sees that
// it notices a changed draw.
func recomputed(t *testing.T, published []byte) {
	t.Helper()
	if _, err := exec.LookPath("python3"); err != nil {
		t.Log("python3 is not on this machine: the draw is not made again")
		return
	}
	if out, err := pythonDraws(published); err != nil || out != "5 2\n" {
		t.Errorf("drawn again: %q, %v", out, err)
	}
	var e struct{ Record object }
	if err := json.Unmarshal(published, &e); err != nil {
		t.Fatal(err)
	}
	for _, j := range e.Record["jobs"].([]any) {
		delete(j.(object), "drawn_at_random")
	}
	text, err := json.Marshal(e)
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.Replace(text, []byte(`"Record"`), []byte(`"record"`), 1)
	if out, err := pythonDraws(text); err == nil || !strings.Contains(out, "drawn at random differs") {
		t.Errorf("a changed draw passes: %q", out)
	}
}
