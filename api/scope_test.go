package api_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/storagetest"
)

// agency is a program with two contractors: the world's own, with an accepted
// and an open job, and a second with an open one. The accepted job and the
// second's are drawn for inspection.
type agency struct {
	*apitest.API
	second        domain.UUID // contractor
	secondField   string      // token
	done, open    *invented   // of the first contractor
	others        *invented   // of the second
	plantedFields []string
}

// Every text that people write, and every resident, holds one of these.
const (
	residentCanary = "CANARYRESIDENT"
	textCanary     = "CANARYTEXT"
)

func makeAgency(t *testing.T) *agency {
	t.Helper()
	api, at := serve(t)
	g := &agency{API: api}
	staff := g.Tokens[domain.Staff]
	g.second, g.secondField = secondContractor(t, g.API)
	second := *g.World
	second.Contractor = g.second

	g.done, g.open, g.others = invent(g.API, g.World), invent(g.API, g.World), invent(g.API, &second)
	g.plant(t)
	for _, in := range []*invented{g.done, g.open, g.others} {
		must(g.API, staff, append(slices.Clone(in.Papers), item(domain.JobKind, in.Job, 0, in.state(domain.Assigned)))...)
		g.Do(domain.Staff, "PUT", "/v1/homes/"+in.Home.String()+"/resident",
			object{"name": residentCanary + " NAME", "phone": residentCanary + " PHONE", "street": residentCanary + " STREET",
				"permission_by": residentCanary + " OWNER", "consent_by": residentCanary + " CONSENT"}).Want(200)
	}
	must(g.API, g.Tokens[domain.Field], append(slices.Clone(g.done.Work), item(domain.JobKind, g.done.Job, 1, g.done.state(domain.SentIn)))...)
	must(g.API, staff, g.done.review(domain.Accept, func(r *domain.Review) { r.Text = textCanary + " review" }))
	must(g.API, g.Tokens[domain.Field], g.open.Work...)
	must(g.API, g.secondField, g.others.Work...)
	at.draw(t, g.World.Program, g.done.Job)
	at.draw(t, g.World.Program, g.others.Job)
	return g
}

// plant writes a canary into every field of the jobs' records that is meant for
// sentences, and adds records whose kinds the invented job has not.
func (g *agency) plant(t *testing.T) {
	doc := contractText(t)
	fields := map[string]bool{}
	for _, in := range []*invented{g.done, g.open, g.others} {
		in.record.OutcomeReason = textCanary + " outcome"
		for _, list := range [][]any{in.Papers, in.Work} {
			for _, sent := range list {
				sent := sent.(object)
				raw, err := json.Marshal(sent["record"])
				if err != nil {
					t.Fatal(err)
				}
				var record object
				if err := json.Unmarshal(raw, &record); err != nil {
					t.Fatal(err)
				}
				row, _ := domain.RowOf(sent["kind"].(domain.Kind))
				schema := within(doc, "paths", "/v1/"+row.Plural+"/{id}", "put", "requestBody", "content", "application/json", "schema")
				plantText(doc, resolved(doc, schema), record, string(row.Kind), fields)
				sent["record"] = record
			}
		}
	}
	g.plantedFields = slices.Sorted(maps.Keys(fields))
}

func plantText(doc, schema, record object, where string, fields map[string]bool) {
	for name, value := range within(schema, "properties") {
		property := resolved(doc, value.(object))
		place := where + "." + name
		if property["x-free-text"] == true {
			record[name], fields[place] = textCanary+" "+name, true
			continue
		}
		switch inner := record[name].(type) {
		case object:
			plantText(doc, property, inner, place, fields)
		case []any:
			items, _ := property["items"].(object)
			for _, one := range inner {
				if one, ok := one.(object); ok {
					plantText(doc, resolved(doc, items), one, place, fields)
				}
			}
		}
	}
}

// everyRead asks every address that can be read, of one record of each kind
// and job, and gives all that came back with 200 by its address; lists and the
// feed hold the other records.
func (g *agency) everyRead(t *testing.T, token string) map[string][]byte {
	t.Helper()
	doc := contractText(t)
	var ids []object
	one := map[string]bool{}
	for after := ""; ; {
		var page struct {
			Items []object
			Next  string `json:"next_after"`
			More  bool
		}
		g.Do(domain.Staff, "GET", "/v1/changes?versions=latest&limit=500"+after, nil).Want(200).Into(&page)
		for _, e := range page.Items {
			if place := fmt.Sprint(e["kind"], e["job_id"]); !one[place] {
				one[place], ids = true, append(ids, e)
			}
		}
		if after = "&after=" + page.Next; !page.More {
			break
		}
	}
	got := map[string][]byte{}
	read := func(path string) {
		if answer := g.Send(token, "GET", path, nil); answer.Status == 200 {
			got[path] = answer.Body
		} else if strings.Contains(string(answer.Body), "CANARY") {
			t.Errorf("a problem names a canary: %s", answer.Body)
		}
	}
	for _, at := range operations(t) {
		query := neededQuery(doc, at[0], at[1])
		switch {
		case at[0] != "GET" || strings.Contains(at[1], "{month}") || strings.HasPrefix(at[1], "/openapi"):
		case !strings.Contains(at[1], "{id}"):
			read(at[1] + query)
		default:
			for _, one := range ids {
				row, _ := domain.RowOf(domain.Kind(one["kind"].(string)))
				if strings.HasPrefix(at[1], "/v1/"+row.Plural+"/") {
					read(strings.Replace(at[1], "{id}", one["id"].(string), 1) + query)
				}
			}
		}
	}
	for path, body := range g.feed(token, "") {
		got[path] = body
	}
	return got
}

// feed gives the whole feed page by page.
func (g *agency) feed(token, query string) map[string][]byte {
	pages := map[string][]byte{}
	for after := "0"; ; {
		path := "/v1/changes?limit=500&after=" + after + query
		answer := g.Send(token, "GET", path, nil)
		if answer.Status == 403 {
			return pages
		}
		var page struct {
			NextAfter string `json:"next_after"`
			More      bool
		}
		answer.Want(200).Into(&page)
		pages[path] = answer.Body
		if after = page.NextAfter; !page.More {
			return pages
		}
	}
}

func TestScope(t *testing.T) {
	t.Parallel()
	g := makeAgency(t)
	t.Run("canaries", g.canaries)
	t.Run("a contractor's entries", g.contractorsEntries)
	t.Run("jobs", g.whoSeesWhichJob)
	t.Run("papers", g.whoSeesWhosePapers)
}

// Who does not need it reads no word that a person wrote and nothing of a
// resident, wherever it asks; and none of it stands in the log.
func (g *agency) canaries(t *testing.T) {
	want := []string{"component.found_reason", "crossover.ends.other_fastener", "crossover.not_reached_reason", "energy_isolation.handover_reason", "energy_isolation.rule_worked_under",
		"home.front_note", "home.furnace_access_reason", "home.park", "home.permission.reference", "measurement.readings.not_read_reason", "measurement.reason", "opening.not_reached_reason", "photo.reason", "visit.weather"}
	if !slices.Equal(g.plantedFields, want) {
		t.Errorf("canaries stand in %v, want %v", g.plantedFields, want)
	}
	for role, forbidden := range map[domain.Role][]string{
		domain.ContractorRole: {residentCanary, textCanary}, domain.Funder: {residentCanary, textCanary},
	} {
		found, read := map[string]string{}, false // what was read, with one of the places
		for path, body := range g.everyRead(t, g.Tokens[role]) {
			for _, canary := range forbidden {
				if role == domain.ContractorRole { // its office reads why the office decided, as its crew does
					told := len(body)
					body = bytes.ReplaceAll(body, []byte(textCanary+" review"), nil)
					read = read || len(body) < told
				}
				if at := strings.Index(string(body), canary); at >= 0 {
					found[string(body[at:min(len(body), at+40)])] = path
				}
			}
		}
		for text, path := range found {
			t.Errorf("%s reads %q at %s", role, text, path)
		}
		if role == domain.ContractorRole && !read {
			t.Error("a contractor's office does not read why its job was accepted")
		}
	}
	// the canaries are there for those who need them: this test can fail
	for role, canaries := range map[domain.Role]string{domain.Staff: residentCanary + " STREET", domain.Field: residentCanary + " PHONE"} {
		if body := g.Do(role, "GET", "/v1/homes/"+g.open.Home.String(), nil).Want(200).Body; !strings.Contains(string(body), canaries) || !strings.Contains(string(body), textCanary) {
			t.Errorf("%s reads %s", role, body)
		}
	}
	// an inspector calls at the homes of the jobs that are open to him, and at no other
	if body := g.Do(domain.Inspector, "GET", "/v1/homes/"+g.others.Home.String(), nil).Want(200).Body; !strings.Contains(string(body), residentCanary+" PHONE") {
		t.Errorf("an inspector reads %s", body)
	}
	g.Do(domain.Inspector, "GET", "/v1/homes/"+g.open.Home.String(), nil).Want(404)
	if log := g.Log.String(); strings.Contains(log, "CANARY") || !strings.Contains(log, `"msg":"request"`) {
		t.Errorf("the log holds a canary, or nothing")
	}
}

// A contractor reads entries; that they hold no more than its schema knows is
// seen by what every answer is held to.
func (g *agency) contractorsEntries(t *testing.T) {
	seen := map[string]int{}
	for path, body := range g.everyRead(t, g.Tokens[domain.ContractorRole]) {
		if strings.HasPrefix(path, "/v1/worklist") { // a list of what waits, not of entries
			continue
		}
		var read struct{ Items []json.RawMessage }
		if err := json.Unmarshal(body, &read); err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		if len(read.Items) == 0 && strings.HasPrefix(path, "/v1/jobs/"+g.done.Job.String()) && strings.Count(path, "/") == 3 {
			read.Items = append(read.Items, body)
		}
		for _, raw := range read.Items {
			var e entry
			if err := json.Unmarshal(raw, &e); err != nil {
				t.Fatal(err)
			}
			seen[e.Kind]++
			if e.Kind == string(domain.PhotoKind) {
				t.Errorf("%s: a contractor reads a photo", path)
			}
		}
	}
	if seen["job"] == 0 || seen["visit"] == 0 || seen["home"] == 0 {
		t.Errorf("read %v", seen)
	}
}

// What of the program each caller sees, as lists and one by one.
func (g *agency) whoSeesWhichJob(t *testing.T) {
	all := []*invented{g.done, g.open, g.others}
	for _, row := range []struct {
		name, token string
		sees        []*invented
	}{
		{"field", g.Tokens[domain.Field], []*invented{g.open}},
		{"field of the second contractor", g.secondField, []*invented{g.others}},
		{"contractor", g.Tokens[domain.ContractorRole], []*invented{g.done, g.open}},
		{"inspector", g.Tokens[domain.Inspector], []*invented{g.done, g.others}},
		{"staff", g.Tokens[domain.Staff], all},
		{"admin", g.Tokens[domain.Admin], all},
	} {
		t.Run(row.name, func(t *testing.T) {
			var want, homes []string
			for _, in := range row.sees {
				want, homes = append(want, in.Job.String()), append(homes, in.Home.String())
			}
			if row.name == "staff" || row.name == "admin" {
				homes = append(homes, g.World.Home.String())
			}
			sameSet(t, "jobs", g.listed(row.token, "/v1/jobs"), want)
			sameSet(t, "homes", g.listed(row.token, "/v1/homes"), homes)
			inFeed := map[string]bool{}
			for _, body := range g.feed(row.token, "&kinds=job") {
				var page struct{ Items []entry }
				if err := json.Unmarshal(body, &page); err != nil {
					t.Fatal(err)
				}
				for _, e := range page.Items {
					inFeed[e.ID] = true
				}
			}
			sameSet(t, "jobs in the feed", slices.Collect(maps.Keys(inFeed)), want)
			for _, in := range all {
				status := map[bool]int{true: 200, false: 404}[slices.Contains(row.sees, in)]
				job, home := "/v1/jobs/"+in.Job.String(), "/v1/homes/"+in.Home.String()
				paths := []string{job, job + "/versions", job + "/entries", job + "/findings", job + "/result", home, home + "/versions"}
				for _, kind := range []domain.Kind{domain.OpeningKind, domain.MeasurementKind, domain.VisitKind} {
					r, _ := domain.RowOf(kind)
					one := fmt.Sprintf("/v1/%s/%s", r.Plural, in.ids(kind)[0])
					paths = append(paths, one, one+"/versions")
				}
				for _, path := range paths {
					if got := g.Send(row.token, "GET", path, nil); got.Status != status {
						t.Errorf("%s: %d, want %d", path, got.Status, status)
					}
				}
			}
		})
	}
}

// People, papers and phones are seen by their own contractor and the agency.
func (g *agency) whoSeesWhosePapers(t *testing.T) {
	agencys := storagetest.ID()
	must(g.API, g.Tokens[domain.Staff], item(domain.InstrumentKind, agencys, 0, domain.Instrument{Instrument: domain.DuctFan, Serial: "A-1", CalibratedOn: "2026-01-01", CalibratedUntilOn: "2027-12-31"}))
	theirs := map[domain.Kind][]domain.UUID{}
	for _, kind := range []domain.Kind{domain.CrewMemberKind, domain.CredentialKind, domain.InstrumentKind} {
		theirs[kind] = g.others.ids(kind)
	}
	theirs[domain.ContractorKind] = []domain.UUID{g.second}
	for _, row := range []struct {
		name, token string
		sees        bool // the second contractor's
		kinds       []domain.Kind
	}{
		{"field", g.Tokens[domain.Field], false, slices.Collect(maps.Keys(theirs))},
		{"contractor", g.Tokens[domain.ContractorRole], false, slices.Collect(maps.Keys(theirs))},
		{"field of the second", g.secondField, true, slices.Collect(maps.Keys(theirs))},
		{"inspector", g.Tokens[domain.Inspector], false, []domain.Kind{domain.InstrumentKind}},
		{"staff", g.Tokens[domain.Staff], true, slices.Collect(maps.Keys(theirs))},
	} {
		for _, kind := range row.kinds {
			r, _ := domain.RowOf(kind)
			listed := g.listed(row.token, "/v1/"+r.Plural)
			for _, id := range theirs[kind] {
				if slices.Contains(listed, id.String()) != row.sees {
					t.Errorf("%s, %s: seen in the list is not %v", row.name, kind, row.sees)
				}
				g.Send(row.token, "GET", "/v1/"+r.Plural+"/"+id.String(), nil).Want(map[bool]int{true: 200, false: 404}[row.sees])
			}
			if kind == domain.InstrumentKind && !slices.Contains(listed, agencys.String()) {
				t.Errorf("%s does not see the agency's instrument", row.name)
			}
		}
	}
}

func (g *agency) listed(token, path string) (ids []string) {
	var page struct{ Items []entry }
	g.Send(token, "GET", path+"?limit=500", nil).Want(200).Into(&page)
	for _, e := range page.Items {
		ids = append(ids, e.ID)
	}
	return ids
}

func sameSet(t *testing.T, what string, got, want []string) {
	t.Helper()
	got, want = slices.Sorted(slices.Values(got)), slices.Sorted(slices.Values(want))
	if !slices.Equal(got, want) {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}
