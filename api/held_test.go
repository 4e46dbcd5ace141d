package api_test

import (
	"encoding/base64"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/storagetest"
)

type heldItem struct {
	HeldID          string `json:"held_id"`
	State           string
	Kind            string
	ID              string
	JobID           string `json:"job_id"`
	BaseVersion     int64  `json:"base_version"`
	Code            string
	Problem         apitest.Problem
	DeviceID        string `json:"device_id"`
	Record          object
	Bytes           string
	ClosedByVersion int64 `json:"closed_by_version"`
}

func held(a *apitest.API, token, query string) []heldItem {
	a.T.Helper()
	var page struct{ Items []heldItem }
	a.Send(token, "GET", "/v1/held"+query, nil).Want(200).Into(&page)
	return page.Items
}

func crewOpening(job domain.UUID, ft float64) domain.Opening {
	return domain.Opening{JobID: job, In: domain.InWrap, Origin: domain.ByCrew, PositionFt: &ft}
}

// What waits follows by itself when its parent comes, as the work of the device
// that sent it.
func TestWaitingFollowsItsParent(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	field, job, opening := a.Tokens[domain.Field], storagetest.ID(), storagetest.ID()
	sent := item(domain.OpeningKind, opening, 0, crewOpening(job, 4))
	first := push(a, field, sent).Items[0]
	if again := push(a, field, sent).Items[0]; first.Status != "waiting" || again.Status != "waiting" || again.HeldID != first.HeldID {
		t.Fatalf("%+v, again %+v", first, again)
	}
	list := held(a, field, "?state=waiting")
	if len(list) != 1 || list[0].HeldID != first.HeldID || list[0].Code != "parent_missing" || list[0].Record["position_ft"] != 4.0 || list[0].DeviceID != a.World.Device.String() {
		t.Fatalf("%+v", list)
	}
	b := must(a, a.Tokens[domain.Staff], item(domain.JobKind, job, 0, domain.Job{HomeID: a.World.Home, ContractorID: a.World.Contractor, PayBasis: domain.Measured, State: domain.Assigned}))
	if b.HeldOpenCount != 0 {
		t.Errorf("%d are held", b.HeldOpenCount)
	}
	var e entry
	a.Send(field, "GET", "/v1/openings/"+opening.String(), nil).Want(200).Into(&e)
	if e.DeviceID != a.World.Device.String() || e.Position != b.Items[0].Position+1 {
		t.Errorf("followed as %+v", e)
	}
	if applied := held(a, field, "?state=applied"); len(applied) != 1 || applied[0].ClosedByVersion != 1 {
		t.Errorf("%+v", applied)
	}
	if got := push(a, field, sent).Items[0].Status; got != "replayed" {
		t.Errorf("sent again: %s", got)
	}
}

// A conflict closes when the merged content that resolves it is accepted.
func TestResolves(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	field, job, id := a.Tokens[domain.Field], a.World.Job(t), storagetest.ID()
	must(a, field, item(domain.OpeningKind, id, 0, crewOpening(job, 4)))
	must(a, a.Tokens[domain.Staff], item(domain.OpeningKind, id, 1, crewOpening(job, 5)))
	lost := push(a, field, item(domain.OpeningKind, id, 1, crewOpening(job, 6))).Items[0]
	if lost.Status != "conflict" || lost.Current.Version != 2 {
		t.Fatalf("%+v", lost)
	}
	merged := item(domain.OpeningKind, id, 2, crewOpening(job, 7))
	merged["resolves"] = lost.HeldID
	if b := must(a, field, merged); b.HeldOpenCount != 0 {
		t.Errorf("%d are held", b.HeldOpenCount)
	}
	if list := held(a, field, "?state=closed"); len(list) != 1 || list[0].HeldID != lost.HeldID || list[0].ClosedByVersion != 3 {
		t.Errorf("%+v", list)
	}
}

// Staff apply kept work as the device's, with their own name beside it, or
// dismiss it; its bytes stay.
func TestApplyAndDismiss(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	field, job := a.Tokens[domain.Field], a.World.Job(t)
	id, other := storagetest.ID(), storagetest.ID()
	second := storagetest.ID()
	must(a, a.Tokens[domain.Staff], item(domain.ContractorKind, second, 0, domain.Contractor{Name: "Second Invented"}),
		item(domain.JobKind, job, 1, domain.Job{HomeID: a.World.Home, ContractorID: second, PayBasis: domain.Measured, State: domain.Assigned}))
	b := push(a, field, item(domain.OpeningKind, id, 0, crewOpening(job, 4)), item(domain.OpeningKind, other, 0, crewOpening(job, 5)))
	for _, got := range b.Items {
		if got.Status != "rejected" || got.Problem.Code != "job_not_assigned" {
			t.Fatalf("%s %+v", got.Status, got.Problem)
		}
	}
	at := func(i int, verb string) string { return "/v1/held/" + b.Items[i].HeldID + "/" + verb }
	unmoved(a, func() {
		a.Do(domain.Staff, "POST", at(0, "apply"), object{}).Want(422)
		a.Do(domain.Staff, "POST", at(0, "apply"), object{"base_version": 3}).Want(412)
		a.Do(domain.Staff, "POST", "/v1/held/"+storagetest.ID().String()+"/apply", object{"base_version": 0}).Want(404)
		a.Do(domain.Staff, "POST", "/v1/held/"+storagetest.ID().String()+"/dismiss", nil).Want(404)
		a.Do(domain.Staff, "POST", at(0, "apply")+"?validate_only=true", object{"base_version": 0}).Want(200)
		a.Do(domain.Staff, "POST", at(0, "dismiss")+"?validate_only=true", nil).Want(200)
	}, a.Tokens[domain.Staff])
	var e entry
	a.Do(domain.Staff, "POST", at(0, "apply"), object{"base_version": 0}).Want(200).Into(&e)
	if e.Version != 1 || e.DeviceID != a.World.Device.String() || e.AppliedBy != a.World.Staff.Token.String() && e.AppliedBy == "" || e.Record["position_ft"] != 4.0 {
		t.Errorf("%+v", e)
	}
	a.Do(domain.Staff, "POST", at(0, "apply"), object{"base_version": 1}).Want(422)
	a.Do(domain.Staff, "POST", at(0, "dismiss"), nil).Want(404)
	var dismissed heldItem
	a.Do(domain.Staff, "POST", at(1, "dismiss"), nil).Want(200).Into(&dismissed)
	if dismissed.State != "dismissed" || dismissed.Record["position_ft"] != 5.0 {
		t.Errorf("%+v", dismissed)
	}
	a.Do(domain.Staff, "GET", "/v1/openings/"+other.String(), nil).Want(404)
	if list := held(a, a.Tokens[domain.Staff], ""); len(list) != 0 {
		t.Errorf("%+v", list)
	}
}

// What cannot even be read as a record is kept as bytes, and applying it is
// refused and not a fault of the service.
func TestUnreadableItemsAreKept(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	b := push(a, a.Tokens[domain.Field], 7, object{"kind": "boat", "id": storagetest.ID(), "record": object{"length_ft": 12}}, object{"kind": "opening"})
	list := held(a, a.Tokens[domain.Staff], "")
	if len(list) != 3 {
		t.Fatalf("%+v", list)
	}
	for _, h := range list {
		switch h.HeldID {
		case b.Items[0].HeldID:
			if got, err := base64.StdEncoding.DecodeString(h.Bytes); err != nil || string(got) != "7" {
				t.Errorf("%q, %v", got, err)
			}
		case b.Items[1].HeldID:
			if h.Record["length_ft"] != 12.0 || h.Kind != "" {
				t.Errorf("%+v", h)
			}
		}
		unmoved(a, func() {
			p := a.Do(domain.Staff, "POST", "/v1/held/"+h.HeldID+"/apply", object{"base_version": 0}).Want(422).Problem()
			if places := p.Pointers(); p.Code != "invalid" || len(places) == 0 || places[0] != "/bytes" && places[0] != "/kind" && places[0] != "/id" {
				t.Errorf("%+v names %q", p, places)
			}
		}, a.Tokens[domain.Staff])
		a.Do(domain.Staff, "POST", "/v1/held/"+h.HeldID+"/dismiss", nil).Want(200)
	}
}

// A crew sees what its own contractor sent and nothing of another's.
func TestHeldIsSeenByItsContractor(t *testing.T) {
	t.Parallel()
	g := apitest.Serve(t)
	second, token := secondContractor(t, g)
	push(g, g.Tokens[domain.Field], 7)
	push(g, token, 8, 9)
	for _, c := range []struct {
		token string
		want  int
	}{{g.Tokens[domain.Field], 1}, {token, 2}, {g.Tokens[domain.Staff], 3}} {
		if got := held(g, c.token, ""); len(got) != c.want {
			t.Errorf("%d are seen, want %d (contractor %s)", len(got), c.want, second)
		}
	}
	var page struct {
		Items []heldItem
		Next  string
	}
	seen := map[string]bool{}
	for after := ""; ; after = "&after=" + page.Next {
		page.Next = ""
		g.Do(domain.Staff, "GET", "/v1/held?limit=1"+after, nil).Want(200).Into(&page)
		for _, h := range page.Items {
			seen[h.HeldID] = true
		}
		if page.Next == "" {
			break
		}
	}
	if len(seen) != 3 {
		t.Errorf("paging gives %d", len(seen))
	}
}
