package api_test

import (
	"context"
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// Every status that a client can bring about, each judged alone and answered
// in the order of the items.
func TestStatusesOfItems(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	staff := a.Tokens[domain.Staff]
	opening := func(job domain.UUID) domain.Opening {
		return domain.Opening{JobID: job, In: domain.InWrap, Origin: domain.ByCrew}
	}
	changed := func(job domain.UUID, ft float64) domain.Opening {
		o := opening(job)
		o.PositionFt = &ft
		return o
	}
	job, first := a.World.Job(t), storagetest.ID()
	second := storagetest.ID()
	must(a, staff, item(domain.OpeningKind, first, 0, opening(job)))
	must(a, staff, item(domain.OpeningKind, second, 0, opening(job)))
	must(a, staff, item(domain.OpeningKind, second, 1, changed(job, 7)))
	comesLater, childOfLater := storagetest.ID(), storagetest.ID()
	b := push(a, staff,
		item(domain.OpeningKind, childOfLater, 0, opening(comesLater)), // its parent follows
		item(domain.OpeningKind, first, 1, changed(job, 5)),
		item(domain.OpeningKind, second, 0, opening(job)),                        // version 1 again
		item(domain.OpeningKind, second, 1, changed(job, 9)),                     // version 2 is another
		item(domain.OpeningKind, storagetest.ID(), 0, opening(storagetest.ID())), // nobody's job
		item(domain.OpeningKind, storagetest.ID(), 0, object{"job_id": job}),     // not whole
		item(domain.JobKind, comesLater, 0, json.RawMessage(jobOf(a))),           // the parent
		item(domain.OpeningKind, second, 2, changed(job, 7)),                     // what stands already
		object{"kind": "opening", "id": first, "base_version": 2, "void": object{"reason": "twice"}},
	)
	want := []string{"created", "updated", "replayed", "conflict", "waiting", "rejected", "created", "replayed", "updated"}
	if !slices.Equal(b.statuses(), want) {
		t.Fatalf("%v, want %v", b.statuses(), want)
	}
	if got := b.Items[2]; got.Version != 1 || got.Current == nil || got.Current.Version != 2 {
		t.Errorf("replay of version 1: %+v", got)
	}
	if got := b.Items[7]; got.Version != 2 || got.Current != nil {
		t.Errorf("replay of what stands: %+v", got)
	}
	if got := b.Items[3]; got.Current == nil || got.Current.Version != 2 || got.Current.Record["position_ft"] != 7.0 || got.HeldID == "" || got.Problem.Code != "version_conflict" {
		t.Errorf("conflict: %+v", got)
	}
	if got := b.Items[8]; got.Version != 3 {
		t.Errorf("void after a change in the same batch: %+v", got)
	}
	held := 0
	for i, got := range b.Items {
		accepted := slices.Contains([]string{"created", "updated"}, got.Status)
		if accepted != (got.Position > 0) || (got.HeldID != "") != slices.Contains([]string{"conflict", "waiting", "rejected"}, got.Status) {
			t.Errorf("item %d: %+v", i, got)
		}
		if got.HeldID != "" {
			held++
		}
	}
	if now := standsAt(a, staff); b.HeldOpenCount != held || now.HeldOpenCount != held || now.Epoch != b.Epoch || b.Receipt == "" {
		t.Errorf("envelope %+v, stands at %+v", b, now)
	}
	touched := []string{job.String(), comesLater.String()}
	sameSet(t, "jobs", []string{b.Jobs[0].JobID, b.Jobs[1].JobID}, touched)
	for _, j := range b.Jobs {
		if j.JobID == comesLater.String() && j.NotRecordedCount+j.MustFixCount == 0 {
			t.Errorf("an opening that is not closed: %+v", j)
		}
	}
}

// Two items for one record act as if they were sent one after the other.
func TestOneRecordTwiceInABatch(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	id, other := storagetest.ID(), storagetest.ID()
	one, two := domain.Home{SectionCount: 1}, domain.Home{SectionCount: 2}
	b := push(a, a.Tokens[domain.Staff],
		item(domain.HomeKind, id, 0, one), item(domain.HomeKind, id, 0, one), item(domain.HomeKind, id, 1, two),
		item(domain.HomeKind, other, 0, one), item(domain.HomeKind, other, 0, two), item(domain.HomeKind, id, 0, one))
	if want := []string{"created", "replayed", "updated", "created", "conflict", "replayed"}; !slices.Equal(b.statuses(), want) {
		t.Errorf("%v, want %v", b.statuses(), want)
	}
}

// The same answer, without position and held_id, and nothing stored or held.
func TestValidateOnly(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	staff := a.Tokens[domain.Staff]
	job := a.World.Job(t)
	stored := storagetest.ID()
	must(a, staff, item(domain.HomeKind, stored, 0, domain.Home{SectionCount: 1}))
	items := []any{
		home(), item(domain.HomeKind, stored, 1, domain.Home{SectionCount: 2}), item(domain.HomeKind, stored, 0, domain.Home{SectionCount: 1}),
		item(domain.HomeKind, stored, 0, domain.Home{SectionCount: 3}), item(domain.HomeKind, storagetest.ID(), 0, object{"color": 1}),
		item(domain.OpeningKind, storagetest.ID(), 0, domain.Opening{JobID: storagetest.ID(), In: domain.InWrap, Origin: domain.ByCrew}),
		item(domain.OpeningKind, storagetest.ID(), 0, domain.Opening{JobID: job, In: domain.InWrap, Origin: domain.ByCrew}),
	}
	var dry batchAnswer
	unmoved(a, func() {
		dry = pushed(a, staff, "?validate_only=true", object{"items": items})
		one := "/v1/homes/" + storagetest.ID().String()
		a.Do(domain.Staff, "PUT", one+"?validate_only=true", object{"section_count": 1}).Want(201)
		a.Do(domain.Staff, "GET", one, nil).Want(404)
		a.Do(domain.Staff, "PUT", "/v1/homes/"+stored.String()+"?validate_only=true", object{"section_count": 2}, "If-Match", `"1"`).Want(200)
		a.Do(domain.Staff, "POST", "/v1/homes/"+stored.String()+"/void?validate_only=true", object{"reason": "gone"}, "If-Match", `"1"`).Want(200)
		resident := "/v1/homes/" + stored.String() + "/resident"
		a.Do(domain.Staff, "PUT", resident+"?validate_only=true", object{"name": "Invented Resident"}).Want(200)
		a.Do(domain.Staff, "POST", resident+"/erase?validate_only=true", nil).Want(200)
		if got := a.Do(domain.Staff, "GET", "/v1/homes/"+stored.String(), nil).Want(200); strings.Contains(string(got.Body), "Invented Resident") {
			t.Errorf("a resident was kept: %s", got.Body)
		}
		if p := a.Do(domain.Field, "PUT", "/v1/jobs/"+storagetest.ID().String()+"?validate_only=true", object{"color": 1}).Want(422).Problem(); p.HeldID != "" {
			t.Errorf("held: %s", p.HeldID)
		}
	}, staff)
	for _, got := range dry.Items {
		if got.Position != 0 || got.HeldID != "" {
			t.Errorf("%+v", got)
		}
	}
	wet := push(a, staff, items...)
	if !slices.Equal(dry.statuses(), wet.statuses()) || len(dry.Jobs) != 1 || len(wet.Jobs) != 1 || dry.Jobs[0] != wet.Jobs[0] {
		t.Errorf("said %v %+v, did %v %+v", dry.statuses(), dry.Jobs, wet.statuses(), wet.Jobs)
	}
}

// A bad item stops no other, says where it is bad, and is kept as it came.
func TestEachBadItemAlone(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	field := a.Tokens[domain.Field]
	job := a.World.Job(t)
	id := func() string { return storagetest.ID().String() }
	rows := []struct {
		name     string
		item     any
		pointers []string
	}{
		{"no object", 7, []string{""}},
		{"nothing in it", object{}, []string{"/id", "/kind"}},
		{"no such kind", object{"kind": "boat", "id": id(), "record": object{}}, []string{"/kind"}},
		{"no id", object{"kind": "opening", "record": object{"job_id": job, "in": "wrap", "origin": "crew"}}, []string{"/id"}},
		{"an id in upper case", object{"kind": "opening", "id": "0198B1C4-7A10-7C3E-9D55-3F2A6B8C0D11", "record": object{"job_id": job, "in": "wrap", "origin": "crew"}}, []string{"/id"}},
		{"neither record nor void", object{"kind": "opening", "id": id()}, []string{"/record"}},
		{"record and void", object{"kind": "opening", "id": id(), "record": object{"job_id": job, "in": "wrap", "origin": "crew"}, "void": object{"reason": "x"}}, []string{"/record"}},
		{"a void without a reason", object{"kind": "opening", "id": id(), "void": object{}}, []string{"/void/reason"}},
		{"a negative base", object{"kind": "opening", "id": id(), "base_version": -1, "record": object{"job_id": job, "in": "wrap", "origin": "crew"}}, []string{"/base_version"}},
		{"an unknown key beside the record", object{"kind": "opening", "id": id(), "color": 1, "record": object{"job_id": job, "in": "wrap", "origin": "crew"}}, []string{"/color"}},
		{"an unknown key in the record", object{"kind": "opening", "id": id(), "record": object{"job_id": job, "in": "wrap", "origin": "crew", "color": 1}}, []string{"/record/color"}},
		{"a wrongly-cased key", object{"kind": "opening", "id": id(), "record": object{"job_id": job, "In": "wrap", "origin": "crew"}}, []string{"/record/In", "/record/in"}},
		{"null", object{"kind": "opening", "id": id(), "record": object{"job_id": job, "in": "wrap", "origin": "crew", "section": nil}}, []string{"/record/section"}},
		{"a control character", object{"kind": "job", "id": id(), "record": object{"home_id": a.World.Home, "contractor_id": a.World.Contractor, "pay_basis": "deemed", "state": "in_work", "outcome_reason": "a\u0000b"}}, []string{"/record/outcome_reason"}},
		{"text that is not NFC", object{"kind": "job", "id": id(), "record": object{"home_id": a.World.Home, "contractor_id": a.World.Contractor, "pay_basis": "deemed", "state": "in_work", "outcome_reason": "e\u0301"}}, []string{"/record/outcome_reason"}},
	}
	items := []any{}
	for _, r := range rows {
		items = append(items, r.item, item(domain.OpeningKind, storagetest.ID(), 0, domain.Opening{JobID: job, In: domain.InWrap, Origin: domain.ByCrew}))
	}
	b := push(a, field, items...)
	for i, r := range rows {
		got := b.Items[2*i]
		if got.Status != "rejected" || got.HeldID == "" || got.Problem.Code != "invalid" || !slices.Equal(got.Problem.Pointers(), r.pointers) {
			t.Errorf("%s: %s %q %v, want %v", r.name, got.Status, got.HeldID, got.Problem.Pointers(), r.pointers)
		}
		if next := b.Items[2*i+1]; next.Status != "created" {
			t.Errorf("the item after %s is %s", r.name, next.Status)
		}
	}
	if b.HeldOpenCount != len(rows) {
		t.Errorf("%d are held, want %d", b.HeldOpenCount, len(rows))
	}
	again := push(a, field, items...)
	for i := range rows { // sent again, each is the same held item
		if again.Items[2*i].HeldID != b.Items[2*i].HeldID || again.Items[2*i+1].Status != "replayed" {
			t.Errorf("%s, again: %+v", rows[i].name, again.Items[2*i])
		}
	}
}

// Another history than ours: the batch is refused as a whole.
func TestAnotherEpochIsRefused(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	staff := a.Tokens[domain.Staff]
	b := pushed(a, staff, "", object{"items": []any{home()}, "epoch": standsAt(a, staff).Epoch})
	if b.Receipt == "" || b.Epoch != standsAt(a, staff).Epoch {
		t.Fatalf("%+v", b)
	}
	b = pushed(a, staff, "", object{"items": []any{home()}, "epoch": b.Epoch, "receipt": b.Receipt})
	unmoved(a, func() {
		got := a.Send(staff, "POST", "/v1/batches", object{"items": []any{home()}, "epoch": storagetest.ID()}).Want(409)
		if p := got.Problem(); p.Code != "epoch_changed" || got.Header.Get("Retry-After") == "" {
			t.Errorf("%+v", p)
		}
		var p struct{ Epoch string }
		if got.Into(&p); p.Epoch != b.Epoch {
			t.Errorf("names epoch %s, want %s", p.Epoch, b.Epoch)
		}
	}, staff)
}

// An outbox that staff deliver for a device is that device's; nobody else may.
func TestStaffDeliverForADevice(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	job, id := a.World.Job(t), storagetest.ID()
	work := object{"device_id": a.World.Device, "sent_at": storagetest.Start.Add(-10 * 60 * 1e9), "items": []any{item(domain.OpeningKind, id, 0, domain.Opening{JobID: job, In: domain.InWrap, Origin: domain.ByCrew})}}
	if got := pushed(a, a.Tokens[domain.Staff], "", work); got.Items[0].Status != "created" {
		t.Fatalf("%+v", got)
	}
	var e struct {
		DeviceID string  `json:"device_id"`
		Offset   float64 `json:"clock_offset_s"`
	}
	a.Do(domain.Staff, "GET", "/v1/openings/"+id.String(), nil).Want(200).Into(&e)
	if e.DeviceID != a.World.Device.String() || e.Offset != -600 {
		t.Errorf("%+v", e)
	}
	unmoved(a, func() {
		work["device_id"] = storagetest.ID()
		a.Send(a.Tokens[domain.Field], "POST", "/v1/batches", work).Want(403)
	}, a.Tokens[domain.Staff])
}

// Others who keep changing the same records make a push lose every race: it
// stores nothing, holds nothing, and asks for all of it again.
func TestALostRaceAsksForAllAgain(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	staff := a.Tokens[domain.Staff]
	conn, err := pgx.Connect(context.Background(), storagetest.AddressOf(a.DB))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	statement := func(sql string) {
		if _, err := conn.Exec(context.Background(), sql); err != nil {
			t.Fatal(err)
		}
	}
	statement(`CREATE FUNCTION lose() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION 'another was faster' USING ERRCODE = '40001'; END $$;
		CREATE TRIGGER race BEFORE INSERT ON entry FOR EACH ROW WHEN (NEW.kind = 'opening') EXECUTE FUNCTION lose()`)
	job, before := a.World.Job(t), standsAt(a, staff)
	items := []any{home(), item(domain.OpeningKind, storagetest.ID(), 0, domain.Opening{JobID: job, In: domain.InWrap, Origin: domain.ByCrew}),
		item(domain.OpeningKind, storagetest.ID(), 0, object{"color": 1})}
	b := push(a, staff, items...)
	if want := []string{"retry", "retry", "retry"}; !slices.Equal(b.statuses(), want) || b.RetryAfterS <= 0 || len(b.Jobs) > 0 {
		t.Errorf("%v, want %v: %+v", b.statuses(), want, b)
	}
	if now := standsAt(a, staff); now.HeadPosition != before.HeadPosition || now.HeldOpenCount != 0 {
		t.Errorf("something was stored or held: %+v, before %+v", now, before)
	}
	statement("DROP TRIGGER race ON entry")
	b = push(a, staff, items...)
	if want := []string{"created", "created", "rejected"}; !slices.Equal(b.statuses(), want) {
		t.Errorf("sent again: %v, want %v", b.statuses(), want)
	}
}
