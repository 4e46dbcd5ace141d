package api_test

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/storagetest"
)

type feedPage struct {
	Epoch     string
	Items     []entry
	NextAfter string `json:"next_after"`
	More      bool
}

func pull(a *apitest.API, token, query string) (p feedPage) {
	a.T.Helper()
	a.Send(token, "GET", "/v1/changes?"+query, nil).Want(200).Into(&p)
	return p
}

// pullAll pulls from a cursor to the end; it gives the entries and the cursor.
func pullAll(a *apitest.API, token, after, query string) (items []entry, next string) {
	a.T.Helper()
	for {
		p := pull(a, token, query+"&after="+after)
		items, after = append(items, p.Items...), p.NextAfter
		if !p.More {
			return items, after
		}
	}
}

// some is a program with a little history: changes, a void, a second job.
func some(a *apitest.API) (job domain.UUID) {
	a.T.Helper()
	staff, field := a.Tokens[domain.Staff], a.Tokens[domain.Field]
	job = a.World.Job(a.T)
	one, two := storagetest.ID(), storagetest.ID()
	must(a, field, item(domain.OpeningKind, one, 0, crewOpening(job, 4)), item(domain.OpeningKind, two, 0, crewOpening(job, 9)))
	must(a, field, item(domain.OpeningKind, one, 1, crewOpening(job, 5)))
	must(a, staff, object{"kind": "opening", "id": two, "base_version": 1, "void": object{"reason": "recorded twice é\u2028 <&>"}})
	a.Do(domain.Staff, "PUT", "/v1/homes/"+a.World.Home.String()+"/resident", object{"name": "Invented Resident"}).Want(200)
	return job
}

// However it is cut into pages, the feed is the same, in one fixed order.
func TestPagesMakeTheWholeFeed(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	some(a)
	for _, role := range []domain.Role{domain.Staff, domain.Field, domain.ContractorRole, domain.Inspector} {
		token := a.Tokens[role]
		whole := pull(a, token, "limit=500")
		if whole.More || len(whole.Items) == 0 {
			t.Fatalf("%s: %d items, more %v", role, len(whole.Items), whole.More)
		}
		for _, limit := range []int{1, 3} {
			paged, next := pullAll(a, token, "0", fmt.Sprintf("limit=%d", limit))
			if got, want := fmt.Sprintf("%+v", places(paged)), fmt.Sprintf("%+v", places(whole.Items)); got != want {
				t.Errorf("%s, limit %d: %s, want %s", role, limit, got, want)
			}
			if next != whole.NextAfter {
				t.Errorf("%s: the cursor depends on the pages", role)
			}
		}
		end := pull(a, token, "after="+whole.NextAfter)
		if len(end.Items) != 0 || end.More || end.NextAfter != whole.NextAfter {
			t.Errorf("%s: after the end: %+v", role, end)
		}
		got := a.Send(token, "GET", "/v1/changes?limit=500", nil, "If-None-Match", `"`+whole.NextAfter+`"`).Want(304)
		if len(got.Body) != 0 {
			t.Errorf("304 with a body")
		}
	}
}

func places(items []entry) (list []string) {
	for _, e := range items {
		list = append(list, fmt.Sprintf("%s %s/%s/%d@%d", e.Op, e.Kind, e.ID, e.Version, e.Position))
	}
	return list
}

// Staff read every version, or the newest; positions are 1, 2, 3 … without a
// gap.
func TestAllVersionsAndTheLatest(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	some(a)
	staff := a.Tokens[domain.Staff]
	all, _ := pullAll(a, staff, "0", "versions=all")
	newest := map[string]int64{}
	for i, e := range all {
		if e.Position != int64(i+1) {
			t.Fatalf("position %d stands at place %d", e.Position, i+1)
		}
		if e.Version != newest[e.Kind+e.ID]+1 {
			t.Errorf("%s %s: version %d follows %d", e.Kind, e.ID, e.Version, newest[e.Kind+e.ID])
		}
		newest[e.Kind+e.ID] = e.Version
	}
	if plain, _ := pullAll(a, staff, "0", "limit=500"); !slices.Equal(places(plain), places(all)) {
		t.Error("staff do not get all versions by default")
	}
	latest, _ := pullAll(a, staff, "0", "versions=latest")
	if len(latest) != len(newest) || len(latest) >= len(all) {
		t.Errorf("%d latest of %d records in %d versions", len(latest), len(newest), len(all))
	}
	for _, e := range latest {
		if e.Version != newest[e.Kind+e.ID] {
			t.Errorf("%s %s: version %d, newest is %d", e.Kind, e.ID, e.Version, newest[e.Kind+e.ID])
		}
	}
	// who sees the whole program may give a position
	from, _ := pullAll(a, staff, "5", "limit=2")
	if !slices.Equal(places(from), places(all[5:])) {
		t.Errorf("after 5: %v", places(from))
	}
	for _, role := range []domain.Role{domain.Field, domain.ContractorRole, domain.Inspector} {
		if p := a.Do(role, "GET", "/v1/changes?after=5", nil).Want(400).Problem(); p.Code != "cursor_invalid" {
			t.Errorf("%s gives a position: %s", role, p.Code)
		}
	}
}

// kinds= makes a cursor of its own.
func TestKindsHaveTheirOwnCursor(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	some(a)
	field := a.Tokens[domain.Field]
	only, next := pullAll(a, field, "0", "kinds=opening,home&limit=1")
	count := map[string]int{}
	for _, e := range only {
		count[e.Kind]++
	}
	if count["opening"] != 2 || count["home"] != 1 || len(count) != 2 {
		t.Errorf("%v", count)
	}
	_, plain := pullAll(a, field, "0", "limit=500")
	for query, code := range map[string]string{
		"after=" + next: "cursor_invalid", "kinds=opening&after=" + next: "cursor_invalid", "kinds=opening,home&after=" + plain: "cursor_invalid",
		"kinds=boat": "bad_query", "kinds=Opening": "bad_query", "kinds=": "bad_query", "versions=some": "bad_query",
	} {
		if p := a.Send(field, "GET", "/v1/changes?"+query, nil).Want(400).Problem(); p.Code != code {
			t.Errorf("%s: %s, want %s", query, p.Code, code)
		}
	}
}

// A device's own sum over what it pulled is what the service says; the entries
// of a job make it whole again.
func TestChecksums(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	some(a)
	a.World.Job(t)
	for _, role := range []domain.Role{domain.Field, domain.ContractorRole} {
		sums, counts := map[string]uint64{}, map[string]int{}
		items, _ := pullAll(a, a.Tokens[role], "0", "limit=500")
		for _, e := range items {
			if e.JobID != "" {
				sums[e.JobID], counts[e.JobID] = sums[e.JobID]^checksum(e), counts[e.JobID]+1
			}
		}
		var start struct {
			HeadLink string `json:"head_link"`
			Jobs     []struct {
				JobID       string `json:"job_id"`
				RecordCount int    `json:"record_count"`
				Checksum    string
			}
		}
		a.Do(role, "GET", "/v1/sync", nil).Want(200).Into(&start)
		if len(start.Jobs) != len(sums) || len(sums) != 2 || start.HeadLink != "" {
			t.Errorf("%s: %+v, pulled %v", role, start, sums)
		}
		for _, j := range start.Jobs {
			if want := fmt.Sprintf("%016x", sums[j.JobID]); j.Checksum != want || j.RecordCount != counts[j.JobID] {
				t.Errorf("%s: job %s: %s of %d records, pulled %s of %d", role, j.JobID, j.Checksum, j.RecordCount, want, counts[j.JobID])
			}
			var again struct{ Items []entry }
			a.Do(role, "GET", "/v1/jobs/"+j.JobID+"/entries", nil).Want(200).Into(&again)
			var sum uint64
			for _, e := range again.Items {
				sum ^= checksum(e)
			}
			if got := fmt.Sprintf("%016x", sum); got != j.Checksum {
				t.Errorf("%s: the entries of job %s come to %s", role, j.JobID, got)
			}
		}
	}
}

// checksum is the first 8 bytes of SHA-256 over kind/id/version.
func checksum(e entry) uint64 {
	sum := sha256.Sum256(fmt.Appendf(nil, "%s/%s/%d", e.Kind, e.ID, e.Version))
	return binary.BigEndian.Uint64(sum[:8])
}

// The chain can be recomputed by anybody who reads the feed as staff do: each
// link is SHA-256 over the link before it and the entry without op, resident
// and salt, its texts left empty, keys sorted and without spaces (RFC 8785).
func TestTheChainFromTheFeed(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	some(a)
	in := invent(a, a.World)
	in.sendIn(a, a.Tokens)
	a.Do(domain.Staff, "POST", "/v1/homes/"+a.World.Home.String()+"/resident/erase", nil).Want(200)
	doc := contractText(t)
	link, after, withTexts := make([]byte, sha256.Size), "0", 0
	for {
		var page struct {
			Items []object
			Next  string `json:"next_after"`
			More  bool
		}
		a.Do(domain.Staff, "GET", "/v1/changes?versions=all&limit=7&after="+after, nil).Want(200).Into(&page)
		for _, e := range page.Items {
			delete(e, "op")
			delete(e, "resident")
			row, _ := domain.RowOf(domain.Kind(e["kind"].(string)))
			schema := within(doc, "paths", "/v1/"+row.Plural+"/{id}", "put", "requestBody", "content", "application/json", "schema")
			texts := emptied(doc, resolved(doc, schema), e["record"].(object))
			if void, ok := e["void"].(object); ok {
				texts = append(texts, void["reason"])
				void["reason"] = ""
			}
			if len(texts) > 0 {
				withTexts++
				salt, err := hex.DecodeString(e["texts_salt"].(string))
				if err != nil {
					t.Fatal(err)
				}
				if sum := sha256.Sum256(append(salt, canonical(t, texts)...)); fmt.Sprintf("%x", sum) != e["texts_digest"] {
					t.Errorf("position %v: its texts come to %x, not %v", e["position"], sum, e["texts_digest"])
				}
				delete(e, "texts_salt")
			}
			sum := sha256.Sum256(append(link, canonical(t, e)...))
			link = sum[:]
		}
		if after = page.Next; !page.More {
			break
		}
	}
	if got, want := fmt.Sprintf("%x", link), standsAt(a, a.Tokens[domain.Staff]).HeadLink; got != want {
		t.Errorf("recomputed %s, the head is %s", got, want)
	}
	if withTexts == 0 {
		t.Error("no entry had a free text")
	}
}

// emptied takes the free texts out of a record, those that the contract marks,
// in the order of its sorted keys.
func emptied(doc, schema, record object) (texts []any) {
	for _, name := range slices.Sorted(maps.Keys(record)) {
		property := resolved(doc, within(schema, "properties", name))
		if property["x-free-text"] == true {
			texts = append(texts, record[name])
			record[name] = ""
			continue
		}
		switch inner := record[name].(type) {
		case object:
			texts = append(texts, emptied(doc, property, inner)...)
		case []any:
			items, _ := property["items"].(object)
			for _, one := range inner {
				if one, ok := one.(object); ok {
					texts = append(texts, emptied(doc, resolved(doc, items), one)...)
				}
			}
		}
	}
	return texts
}

// canonical is the form of RFC 8785 for values whose numbers have few digits:
// encoding/json sorts keys and writes shortest numbers; what it escapes beyond
// the standard is taken back.
func canonical(t testing.TB, value any) []byte {
	t.Helper()
	var out []byte
	switch v := value.(type) {
	case object:
		names := make([]string, 0, len(v))
		for name := range v {
			names = append(names, name) // all names are ASCII: byte order is UTF-16 order
		}
		slices.Sort(names)
		for i, name := range names {
			out = append(append(append(out, comma(i, '{')), fmt.Sprintf("%q:", name)...), canonical(t, v[name])...)
		}
		if len(names) == 0 {
			out = append(out, '{')
		}
		return append(out, '}')
	case []any:
		for i, one := range v {
			out = append(append(out, comma(i, '[')), canonical(t, one)...)
		}
		if len(v) == 0 {
			out = append(out, '[')
		}
		return append(out, ']')
	case string:
		out = append(out, '"')
		for _, r := range v {
			switch {
			case r == '"' || r == '\\':
				out = append(out, '\\', byte(r))
			case r < 0x20:
				t.Fatalf("%q holds a control character", v)
			default:
				out = append(out, string(r)...)
			}
		}
		return append(out, '"')
	}
	out, err := json.Marshal(value)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func comma(i int, first byte) byte {
	if i == 0 {
		return first
	}
	return ','
}
