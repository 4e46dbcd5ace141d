package api_test

import (
	"bytes"
	"context"
	"encoding/hex"
	"maps"
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

// drawStep does one step of a draw.
func drawStep(a *apitest.API, body object) (e drawnEntry) {
	a.T.Helper()
	answer := a.Do(domain.Staff, "POST", "/v1/inspection-draws", body)
	if answer.Status > 201 {
		a.T.Fatalf("%v: %d %s", body, answer.Status, answer.Body)
	}
	answer.Into(&e)
	return e
}

// seedOf is a month's seed as its owner reads it in the database: no answer tells it.
func seedOf(a *apitest.API, at *address) (seed []byte) {
	a.T.Helper()
	if err := at.connect(a.T).QueryRow(context.Background(), `SELECT seed FROM inspection_seed`).Scan(&seed); err != nil {
		a.T.Fatal(err)
	}
	return seed
}

// inventDrawn invents jobs until one is drawn, or is not.
func inventDrawn(a *apitest.API, seed []byte, percent int, want bool) *invented {
	a.T.Helper()
	for range 10_000 {
		if in := invent(a, a.World); draws.DrawnAsItComes(seed, in.Job, percent, false) == want {
			return in
		}
	}
	a.T.Fatal("no such job in 10,000")
	return nil
}

// openToInspector are the jobs in an inspector's feed.
func openToInspector(a *apitest.API) (jobs []string) {
	a.T.Helper()
	items, _ := pullAll(a, a.Tokens[domain.Inspector], "0", "")
	for _, e := range items {
		if e.Kind == string(domain.JobKind) {
			jobs = append(jobs, e.ID)
		}
	}
	return jobs
}

func inspected(job domain.UUID, purpose, result string, change ...func(*domain.Inspection)) any {
	i := domain.Inspection{JobID: job, Purpose: purpose, InspectedOn: "2026-10-16", InspectorName: "Ira Invented", Result: result}
	for _, c := range change {
		c(&i)
	}
	return item(domain.InspectionKind, storagetest.ID(), 0, i)
}

// Where an inspection stands before acceptance, a job is drawn the moment it is sent in, at
// the position of that version, by a seed that nobody reads. Its contractor cannot tell it
// from one that was not drawn. Once the month is over the draw is filled up and told.
func TestJobsAreDrawnAsTheyAreSentIn(t *testing.T) {
	t.Parallel()
	at := &address{}
	a := apitest.Serve(t, func(o *storage.Options) { o.Tracer = at })
	share, ten := 20, 10
	ruleSet(a, domain.RuleSet{Name: "inspected first", FromOn: "2026-10-05", Inspecting: &domain.Inspecting{BeforeAcceptance: new(true), SharePercent: &share, VisitPercent: &ten}})
	a.Clock.Move(14 * 24 * time.Hour)

	early := invent(a, a.World)
	early.sendIn(a, a.Tokens)
	if got := accept(a, early); !slices.Equal(got, []string{"no_draw"}) {
		t.Errorf("no draw has begun, and the acceptance is stopped by %v", got)
	}
	refusedWith(a, object{"month": "2026-11", "as_sent_in": true}, 422, "month_to_come")
	refusedWith(a, object{"month": "2026-09", "as_sent_in": true}, 422, "month_over")
	refusedWith(a, object{"month": "2026-10", "as_sent_in": true, "contractor_id": a.World.Contractor}, 422, "of_all")
	refusedWith(a, object{"month": "2026-10", "seed_sha256": strings.Repeat("0", 64), "visit_percent": 5}, 422, "not_here")
	october := object{"month": "2026-10", "as_sent_in": true}
	told := drawStep(a, october)
	if told.Version != 1 || told.Record.State != domain.DrawPublished || told.Record.Seed != "" || told.Record.SharePercent != 20 || told.Record.VisitPercent != 10 || len(told.Record.Jobs) != 1 {
		t.Fatalf("begun: %+v", told)
	}
	seed := seedOf(a, at)
	digest := draws.SeedDigest(seed)
	if told.Record.SeedSHA256 != hex.EncodeToString(digest[:]) {
		t.Error("the digest that was told is not the seed's")
	}
	for _, body := range [][]byte{a.Do(domain.Staff, "GET", "/v1/inspection-draws/"+told.ID, nil).Want(200).Body, a.Do(domain.Staff, "GET", "/v1/changes?after=0&limit=500", nil).Want(200).Body} {
		if bytes.Contains(body, []byte(hex.EncodeToString(seed))) {
			t.Error("the seed is told before the month is over")
		}
	}
	refusedWith(a, object{"month": "2026-10", "as_sent_in": true, "share_percent": 30}, 422, "draw_runs")
	refusedWith(a, object{"month": "2026-10", "seed_sha256": strings.Repeat("0", 64)}, 422, "drawn_otherwise")

	unmoved(a, func() { drawStep(a, october) }, a.Tokens[domain.Staff])

	missed, hit := inventDrawn(a, seed, 20, false), inventDrawn(a, seed, 20, true)
	var want []string
	for _, in := range []*invented{missed, hit} {
		in.sendIn(a, a.Tokens)
	}
	for _, in := range []*invented{early, missed, hit} {
		if draws.DrawnAsItComes(seed, in.Job, 20, false) {
			want = append(want, in.Job.String())
		}
	}
	sameSet(t, "drawn as they came", openToInspector(a), want)

	// Nothing that a contractor or a crew reads tells one from the other.
	for _, role := range []domain.Role{domain.ContractorRole, domain.Field} {
		members := func(in *invented) (list []string) {
			var job object
			a.Do(role, "GET", "/v1/jobs/"+in.Job.String(), nil).Want(200).Into(&job)
			return append(slices.Sorted(maps.Keys(job)), slices.Sorted(maps.Keys(job["record"].(object)))...)
		}
		if one, other := members(missed), members(hit); !slices.Equal(one, other) {
			t.Errorf("a %s can tell a drawn job: %v, %v", role, one, other)
		}
		items, _ := pullAll(a, a.Tokens[role], "0", "")
		kinds := map[string][]string{}
		for _, e := range items {
			kinds[e.JobID] = append(kinds[e.JobID], e.Kind)
		}
		one, other := slices.Sorted(slices.Values(kinds[missed.Job.String()])), slices.Sorted(slices.Values(kinds[hit.Job.String()]))
		if len(one) == 0 || !slices.Equal(one, other) {
			t.Errorf("the feed of a %s tells a drawn job: %v, %v", role, one, other)
		}
		if w := waiting(a, a.Tokens[role], "?sort=inspection_owed"); len(w.Items) != 0 {
			t.Errorf("a %s reads what is to be inspected", role)
		}
	}

	if got := accept(a, missed); got != nil {
		t.Errorf("a job that is not drawn is not accepted: %v", got)
	}
	for _, step := range []struct {
		item any
		want []string
	}{
		{nil, []string{"inspection_owed"}},
		{inspected(hit.Job, "final", "not_finished", func(i *domain.Inspection) { i.NotFinishedReason = domain.InspectionWeather }), []string{"inspection_owed"}},
		{inspected(hit.Job, "in_progress", "passed"), []string{"inspection_owed"}},
		{inspected(hit.Job, "monitoring", "failed", func(i *domain.Inspection) { i.InspectedOn = "2026-10-15" }), []string{"inspection_owed"}},
		{inspected(hit.Job, "monitoring", "passed"), nil},
	} {
		if step.item != nil {
			must(a, a.Tokens[domain.Inspector], step.item)
		}
		if got := accept(a, hit); !slices.Equal(got, step.want) {
			t.Fatalf("after %v: %v, want %v", step.item, got, step.want)
		}
	}
	a.Clock.Move(20 * 24 * time.Hour) // November
	drawn := drawStep(a, october)
	if drawn.Record.State != domain.DrawDrawn || drawn.Record.Seed != hex.EncodeToString(seed) || len(drawn.Record.Jobs) != 3 || drawn.Record.FrameSHA256 == told.Record.FrameSHA256 {
		t.Fatalf("filled up: %+v", drawn)
	}
	count := max(1, len(want))
	for _, j := range drawn.Record.Jobs {
		if j.StratumCount != 3 || j.StratumDrawnCount != count || j.DrawnAtRandom != (slices.Contains(want, j.JobID.String())) {
			t.Errorf("%+v, drawn as they came: %v", j, want)
		}
	}
	if published := a.Do(domain.Staff, "GET", "/v1/inspection-draws/"+drawn.ID, nil).Want(200).Body; !drawnAgain(t, published) {
		t.Error("another program draws otherwise")
	}
	unmoved(a, func() { drawStep(a, october) }, a.Tokens[domain.Staff])
	if got := estimates(a); got.Program.DrawnCount != count || got.Program.FailedCount != 1 {
		t.Errorf("estimates: %+v", got.Program) // the first finished inspection speaks: it failed
	}
}

// Of the jobs that a crew begins a part is visited unannounced: open to inspectors from the
// version on that says so, closed once the visit is made or the work is over, and told with
// the seed.
func TestVisitsDuringTheWorkAreDrawn(t *testing.T) {
	t.Parallel()
	a, at := serve(t)
	drawStep(a, object{"month": "2026-10", "as_sent_in": true, "share_percent": 5, "visit_percent": 50})
	a.Clock.Move(time.Second)
	seed := seedOf(a, at)
	begin := func(visited bool) *invented {
		for range 10_000 {
			in := invent(a, a.World)
			if draws.DrawnAsItComes(seed, in.Job, 50, true) != visited || draws.DrawnAsItComes(seed, in.Job, 5, false) {
				continue
			}
			must(a, a.Tokens[domain.Staff], append(slices.Clone(in.Papers), item(domain.JobKind, in.Job, 0, in.state(domain.Assigned)))...)
			must(a, a.Tokens[domain.Field], item(domain.JobKind, in.Job, 1, in.state(domain.InWork)))
			return in
		}
		t.Fatal("no such job in 10,000")
		return nil
	}
	made, unmade, none := begin(true), begin(true), begin(false)
	sameSet(t, "to be visited", openToInspector(a), []string{made.Job.String(), unmade.Job.String()})
	if w := waiting(a, a.Tokens[domain.Inspector], "?sort=inspection_owed"); len(w.Items) != 2 || !strings.Contains(w.Items[0].Detail, "tell nobody before") {
		t.Errorf("the inspector's list: %+v", w.Items)
	}
	for _, role := range []domain.Role{domain.ContractorRole, domain.Field} {
		items, _ := pullAll(a, a.Tokens[role], "0", "")
		count := func(in *invented) (n int) {
			for _, e := range items {
				if e.JobID == in.Job.String() {
					n++
				}
			}
			return n
		}
		if count(made) == 0 || count(made) != count(none) {
			t.Errorf("the feed of a %s tells a visit: %d entries, %d of a job without", role, count(made), count(none))
		}
	}
	must(a, a.Tokens[domain.Inspector], inspected(made.Job, "in_progress", "failed", func(i *domain.Inspection) { i.Unannounced = new(true) }))
	for _, in := range []*invented{made, unmade, none} {
		must(a, a.Tokens[domain.Field], append(slices.Clone(in.Work), item(domain.JobKind, in.Job, 2, in.state(domain.SentIn)))...)
	}
	if open := openToInspector(a); len(open) != 0 {
		t.Errorf("the work is over, and %v are open for a visit", open)
	}
	a.Clock.Move(20 * 24 * time.Hour)
	drawn := drawStep(a, object{"month": "2026-10", "as_sent_in": true})
	if len(drawn.Record.Visits) != 3 || !drawnAgain(t, a.Do(domain.Staff, "GET", "/v1/inspection-draws/"+drawn.ID, nil).Want(200).Body) {
		t.Errorf("visits: %+v", drawn.Record.Visits)
	}
	if open := openToInspector(a); len(open) != 1 { // 5 % of three jobs, filled up
		t.Errorf("filled up: %v", open)
	}
	if v := estimates(a).Visits; v.Begun != 3 || v.Drawn != 2 || v.Made != 1 || v.Failed != 1 || v.Announced != 0 {
		t.Errorf("visits: %+v", v)
	}
}

// The whole loop with an inspector's token alone, from the draw to a job that its crew has
// again: his phone reads where to go and whom to call, sends what he found, and drops the job.
func TestAnInspectorGivesAJobBack(t *testing.T) {
	t.Parallel()
	at := &address{}
	a := apitest.Serve(t, func(o *storage.Options) { o.Tracer = at })
	all := 100
	ruleSet(a, domain.RuleSet{Name: "failures reopen", FromOn: "2026-10-05", Inspecting: &domain.Inspecting{SharePercent: &all, ReopensFailed: new(true)}})
	a.Clock.Move(14 * 24 * time.Hour)
	drawStep(a, object{"month": "2026-10", "as_sent_in": true})
	in := accepted(a, a.World, a.Tokens)
	a.Do(domain.Staff, "PUT", "/v1/homes/"+in.Home.String()+"/resident", object{"name": "Invented Resident", "phone": "555 0100", "street": "12 Invented Lane"}).Want(200)
	_, crewCursor := pullAll(a, a.Tokens[domain.Field], "0", "")
	a.Clock.Move(20 * 24 * time.Hour)

	// From here on with his token alone.
	me := a.Tokens[domain.Inspector]
	if owed := waiting(a, me, "?sort=inspection_owed"); len(owed.Items) != 1 || owed.Items[0].JobID != in.Job.String() {
		t.Fatalf("his list: %+v", owed.Items)
	}
	came, cursor := pullAll(a, me, "0", "")
	where := slices.IndexFunc(came, func(e entry) bool { return e.Kind == string(domain.HomeKind) })
	if where < 0 || came[where].Resident == nil || came[where].Resident["phone"] != "555 0100" || came[where].Resident["street"] != "12 Invented Lane" {
		t.Fatalf("where to go and whom to call: %+v", came)
	}
	reading, photo := inspectionTest(in)
	failure := inspected(in.Job, "monitoring", "failed", func(i *domain.Inspection) {
		i.Verdicts = []domain.RuleVerdict{{Rule: "crossover_off_ground", Verdict: domain.VerdictBroken}}
	})
	must(a, me, reading, failure, photo)
	unmovedHead(a, func() { // sent again over a bad link
		if b := push(a, me, failure); b.Items[0].Status != "replayed" {
			t.Errorf("sent again: %+v", b.Items[0])
		}
	})
	dropped, _ := pullAll(a, me, cursor, "")
	if !slices.ContainsFunc(dropped, func(e entry) bool { return e.Op == "drop" && e.JobID == in.Job.String() }) {
		t.Errorf("his phone keeps the job: %+v", dropped)
	}

	var job struct{ Record domain.Job }
	a.Do(domain.Staff, "GET", "/v1/jobs/"+in.Job.String(), nil).Want(200).Into(&job)
	if job.Record.State != domain.Returned {
		t.Errorf("the job is %s, want returned", job.Record.State)
	}
	news, _ := pullAll(a, a.Tokens[domain.Field], crewCursor, "")
	if !slices.ContainsFunc(news, func(e entry) bool { return e.Kind == string(domain.InspectionKind) && e.JobID == in.Job.String() }) {
		t.Errorf("its crew does not read why: %+v", news)
	}
	if w := waiting(a, a.Tokens[domain.Staff], "?sort=inspection_failed"); len(w.Items) != 0 {
		t.Errorf("it is open again and still waits for a decision: %+v", w.Items)
	}
	// Mended and accepted anew it stays so: one failure opens it once, an older one not at all.
	must(a, a.Tokens[domain.Field], item(domain.JobKind, in.Job, 4, in.state(domain.SentIn)))
	must(a, me, inspected(in.Job, "monitoring", "passed", func(i *domain.Inspection) { i.InspectedOn = "2026-10-17" }))
	must(a, a.Tokens[domain.Staff], in.review(domain.Accept))
	changed := failure.(object)
	again := object{"kind": changed["kind"], "id": changed["id"], "base_version": 1, "record": domain.Inspection{JobID: in.Job, Purpose: "monitoring",
		InspectedOn: "2026-10-18", InspectorName: "Ira Invented", Result: "failed"}}
	must(a, me, again, inspected(in.Job, "monitoring", "failed"))
	a.Do(domain.Staff, "GET", "/v1/jobs/"+in.Job.String(), nil).Want(200).Into(&job)
	if job.Record.State != domain.Accepted {
		t.Errorf("opened again by what was known: %s", job.Record.State)
	}
}

// What a draw is refused for, in months with hardly anything in them. Nothing is drawn twice.
func TestDrawsOfOddMonths(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	staff := a.Tokens[domain.Staff]
	seed, digest := promised("an invented seed of an odd month")

	one := accepted(a, a.World, a.Tokens)
	drawStep(a, object{"month": "2026-10", "seed_sha256": digest})
	must(a, staff, inspected(one.Job, "in_progress", "passed")) // a visit during the work is none after it
	a.Clock.Move(20 * 24 * time.Hour)
	drawn := drawStep(a, object{"month": "2026-10", "seed": seed})
	if len(drawn.Record.Jobs) != 1 || !drawn.Record.Jobs[0].DrawnAtRandom || drawn.Record.Jobs[0].ChanceRatio != 1 {
		t.Fatalf("the one job of a month: %+v", drawn.Record.Jobs)
	}
	// Every home refuses: counted, and nothing is made up of it.
	must(a, a.Tokens[domain.Inspector], inspected(one.Job, "monitoring", "not_finished", func(i *domain.Inspection) {
		i.NotFinishedReason, i.InspectedOn = domain.InspectionRefused, "2026-11-03"
	}))
	if p := estimates(a).Program; p.RefusedCount != 1 || p.Reason != "none_inspected" || p.FailedRatio != nil || !strings.Contains(p.Statement, "nothing is known") {
		t.Errorf("every home refused: %+v", p)
	}
	if f := estimates(a).Contractors[0]; f.FailedRatio != nil || f.Reason != "none_inspected" {
		t.Errorf("every home refused: %+v", f)
	}

	// A job is of the month in which it was first sent in, whatever becomes of it.
	must(a, staff, one.review(domain.Reopen))
	must(a, a.Tokens[domain.Field], item(domain.JobKind, one.Job, 4, one.state(domain.SentIn)))
	other := accepted(a, a.World, a.Tokens)
	must(a, staff, inspected(other.Job, "monitoring", "passed", func(i *domain.Inspection) { i.InspectedOn = "2026-11-04" }))
	refusedWith(a, object{"month": "2026-11", "seed_sha256": digest}, 422, "inspections_begun")
	unmoved(a, func() { drawStep(a, object{"month": "2026-10", "seed": seed}) }, staff)

	// An inspector who stands among the crew is told so.
	member := slices.IndexFunc(one.items, func(i rules.Item) bool { _, ok := i.Record.(*domain.CrewMember); return ok })
	name := one.items[member].Record.(*domain.CrewMember).Name
	own := inspected(one.Job, "monitoring", "passed", func(i *domain.Inspection) { i.InspectorName, i.InspectedOn = strings.ToUpper(name)+" ", "2026-11-04" })
	for _, token := range []string{a.Tokens[domain.Inspector], staff} {
		b := push(a, token, own)
		if p := b.Items[0].Problem; b.Items[0].Status != "rejected" || p.Code != "same_person" || p.Errors[0].Code != "own_work" || p.Errors[0].Fix == "" {
			t.Errorf("his own job: %+v", b.Items[0])
		}
	}
}
