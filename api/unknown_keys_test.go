package api_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/storagetest"
)

// namedFaults is how many bad fields one answer names; the rest it counts.
const namedFaults = 100

// A body of nothing but keys that are not known is answered like one with a
// single such key, wherever they stand: the first faults by name, the rest as a
// count, nothing lost and nothing stored.
func TestUnknownKeysAreNamedThenCounted(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	id := storagetest.ID().String()
	example := func(kind domain.Kind) string {
		text, err := json.Marshal(exampleOf(t, contractText(t), kind))
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	inItem := func(kind domain.Kind, more, record string) string {
		return fmt.Sprintf(`{"items":[{%s"kind":%q,"id":%q,"record":%s}]}`, more, kind, id, record)
	}
	home, measurement := example(domain.HomeKind), example(domain.MeasurementKind)
	const reading = `"readings":[{`
	if !strings.Contains(measurement, reading) {
		t.Fatal("the example has no reading")
	}
	for _, keys := range []struct {
		name  string
		count int
		text  string
	}{
		{"60,000 keys", 60_000, unknownKeys(60_000, "")},
		{"0.5 MB of long keys", 2_500, unknownKeys(2_500, strings.Repeat("x", 200))},
		{"one more than is named", namedFaults + 1, unknownKeys(namedFaults+1, "")},
		{"as many as are named", namedFaults, unknownKeys(namedFaults, "")},
	} {
		for _, at := range []struct {
			name, method, path, body, pointer string
			ofItem                            bool
		}{
			{"top", "POST", "/v1/batches", `{` + keys.text + `"items":[]}`, "", false},
			{"item", "POST", "/v1/batches", inItem(domain.HomeKind, keys.text, home), "", true},
			{"record", "POST", "/v1/batches", inItem(domain.HomeKind, "", `{`+keys.text+home[1:]), "/record", true},
			{"reading", "POST", "/v1/batches", inItem(domain.MeasurementKind, "", strings.Replace(measurement, reading, reading+keys.text, 1)), "/record/readings/0", true},
			{"put", "PUT", "/v1/homes/" + id, `{` + keys.text + home[1:], "", false},
		} {
			t.Run(keys.name+"/"+at.name, func(t *testing.T) {
				got := a.Do(domain.Staff, at.method, at.path, at.body)
				p := got.Problem()
				if at.ofItem {
					var b batchAnswer
					got.Want(207).Into(&b)
					p = *b.Items[0].Problem
				}
				if p.Status != 422 || p.Code != "invalid" || len(p.Errors) != namedFaults || p.ErrorsMoreCount != keys.count-namedFaults ||
					!strings.HasPrefix(p.Detail, fmt.Sprint(keys.count)) {
					t.Fatalf("%d %s %q: %d named, %d more", p.Status, p.Code, p.Detail, len(p.Errors), p.ErrorsMoreCount)
				}
				for i, f := range p.Errors { // the names sort as their numbers do
					if want := fmt.Sprintf("%s/k%05d", at.pointer, i); !strings.HasPrefix(f.Pointer, want) || f.Code != "unknown_field" {
						t.Fatalf("fault %d is %+v, want %s", i, f, want)
					}
				}
			})
		}
	}
}

// What a device's held item keeps of its faults says as well how many there are.
func TestHeldItemsCountTheirFaults(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	const count = 3000
	body := fmt.Sprintf(`{"items":[{"kind":"home","id":%q,"record":{%s"section_count":1}}]}`, storagetest.ID(), unknownKeys(count, ""))
	var b batchAnswer
	a.Do(domain.Field, "POST", "/v1/batches", body).Want(207).Into(&b)
	var list struct {
		Items []struct{ Problem apitest.Problem }
	}
	a.Do(domain.Staff, "GET", "/v1/held", nil).Want(200).Into(&list)
	if len(list.Items) != 1 {
		t.Fatalf("%d are held", len(list.Items))
	}
	sent, held := b.Items[0].Problem, list.Items[0]
	if sent.ErrorsMoreCount < count-namedFaults || held.Problem.ErrorsMoreCount != sent.ErrorsMoreCount || len(held.Problem.Errors) != namedFaults {
		t.Errorf("%d more in the answer, %d more and %d named in what is held", sent.ErrorsMoreCount, held.Problem.ErrorsMoreCount, len(held.Problem.Errors))
	}
}

func unknownKeys(count int, tail string) string {
	var b strings.Builder
	for i := range count {
		fmt.Fprintf(&b, `"k%05d%s":1,`, i, tail)
	}
	return b.String()
}
