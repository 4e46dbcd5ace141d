package api_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"hash/fnv"
	"maps"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ductledger/api"
	"ductledger/api/apitest"
	"ductledger/domain"
)

var updateBadBodies = flag.Bool("bad-bodies", false, "write testdata/bad_bodies.txt anew")

// What each bad body is answered with is written down: status, code, and code
// and place of every fault. An answer may say more than it did, never less. A
// line is "body, tab, answer"; of fields that came later there is none.
func TestBadBodiesAreAnsweredAsBefore(t *testing.T) {
	t.Parallel()
	const file = "testdata/bad_bodies.txt"
	a := apitest.Serve(t)
	answers := map[string]string{}
	var order []string
	for _, c := range badBodies(t) {
		name, answer := c.name, c.answer(a)
		if _, twice := answers[name]; twice {
			t.Fatalf("%s stands twice", name)
		}
		answers[name] = answer
		order = append(order, name)
	}
	if *updateBadBodies {
		var out strings.Builder
		for _, name := range order {
			fmt.Fprintf(&out, "%s\t%s\n", name, answers[name])
		}
		if err := os.WriteFile(file, []byte(out.String()), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	if len(lines) < 500 {
		t.Fatalf("%d lines", len(lines))
	}
	for _, line := range lines {
		name, want, _ := strings.Cut(line, "\t")
		got, known := answers[name]
		if !known {
			t.Errorf("%s is not sent any more", name)
			continue
		}
		before, now := strings.Fields(want), strings.Fields(got)
		head := min(2, len(before), len(now))
		if !slices.Equal(before[:head], now[:head]) || slices.ContainsFunc(before, func(fault string) bool { return !slices.Contains(now, fault) }) {
			t.Errorf("%s\n got %s\nwant %s", name, got, want)
		}
	}
}

// A badBody is one request; batch says that the answer is that of its one item.
type badBody struct {
	name, method, path, body string
	role                     domain.Role
	batch                    bool
}

func (c *badBody) answer(a *apitest.API) string {
	got := a.Do(c.role, c.method, c.path, c.body)
	p := apitest.Problem{Status: got.Status}
	switch {
	case c.batch && got.Status == 207:
		var b batchAnswer
		got.Into(&b)
		if p.Status = 0; b.Items[0].Problem != nil {
			p = *b.Items[0].Problem
		}
	case got.Status >= 400:
		p = got.Problem()
	}
	if p.Code != "invalid" && p.Code != "bad_json" && p.Code != "exponent_out_of_range" {
		return "taken" // what happens then is no matter of reading
	}
	words := []string{strconv.Itoa(p.Status), p.Code}
	for _, f := range p.Errors {
		words = append(words, f.Code+":"+strings.ReplaceAll(f.Pointer, " ", "_"))
	}
	return strings.Join(words, " ")
}

// badBodies changes one member of a good body after the other.
func badBodies(t testing.TB) (all []badBody) {
	t.Helper()
	doc := contractText(t)
	id := "0198b1c4-7a10-7c3e-9d55-3f2a6b8cffff"
	for _, row := range domain.Kinds {
		example, err := api.Example(row.Kind)
		if err != nil {
			t.Fatal(err)
		}
		role := domain.Staff
		if !slices.Contains(row.Writers, role) {
			role = domain.Admin
		}
		for name, body := range changed(t, example) {
			all = append(all, badBody{name: "PUT " + string(row.Kind) + " " + name, method: "PUT", path: "/v1/" + row.Plural + "/" + id + "?validate_only=true", body: body, role: role})
		}
	}
	opening, err := api.Example(domain.OpeningKind)
	if err != nil {
		t.Fatal(err)
	}
	item := fmt.Sprintf(`{"kind":"opening","id":"%s","base_version":0,"record":%s,"resolves":"%[1]s"}`, id, opening)
	for name, body := range changed(t, []byte(item)) {
		all = append(all, badBody{name: "item " + name, method: "POST", path: "/v1/batches?validate_only=true", body: `{"items":[` + body + `]}`, role: domain.Staff, batch: true})
	}
	for _, body := range []string{`{}`, `[]`, `null`, `5`, `"x"`, `{"kind":"no_such","id":"` + id + `","record":{}}`, `{"kind":"opening"}`, `{"kind":"opening","id":"` + id + `"}`,
		`{"kind":"opening","id":"` + id + `","record":{},"void":{"reason":"x"}}`, `{"kind":"opening","id":"` + id + `","void":{}}`, `{"kind":"opening","id":"` + id + `","void":{"reason":""}}`,
		`{"kind":"opening","id":"` + id + `","void":{"reason":"x","more":1}}`, `{"kind":"opening","id":"` + id + `","base_version":-1,"void":{"reason":"x"}}`,
		`{"kind":"opening","id":"` + id + `","base_version":1.5,"void":{"reason":"x"}}`, `{"kind":"opening","id":"` + id + `","record":null}`, `{"kind":"opening","id":"` + id + `","record":[]}`} {
		all = append(all, badBody{name: "item " + body, method: "POST", path: "/v1/batches?validate_only=true", body: `{"items":[` + body + `]}`, role: domain.Staff, batch: true})
	}
	batch := fmt.Sprintf(`{"epoch":"%s","receipt":"x","sent_at":"2026-10-14T09:20:00-07:00","device_id":"%[1]s","client":{"name":"x","version":"1","schema":1},"pending":{"records_count":1,"photos_count":1,"oldest_at":"2026-10-14T09:20:00-07:00","job_ids":["%[1]s"]},"items":[]}`, id)
	for name, body := range changed(t, []byte(batch)) {
		all = append(all, badBody{name: "batch " + name, method: "POST", path: "/v1/batches?validate_only=true", body: body, role: domain.Staff})
	}
	for _, text := range badTexts {
		for _, at := range []string{"POST /v1/batches", "PUT /v1/homes/" + id, "POST /v1/jobs/" + id + "/void", "POST /v1/calculations/pan", "POST /v1/evaluations", "PUT /v1/homes/" + id + "/resident", "POST /v1/held/" + id + "/dismiss", "POST /v1/months/2026-09/packages"} {
			method, path, _ := strings.Cut(at, " ")
			all = append(all, badBody{name: at + " " + strconv.Quote(text), method: method, path: path, body: unshortened(text), role: domain.Staff})
		}
	}
	bodies := map[string]string{
		"POST /v1/jobs/" + id + "/void":       `{"reason":"recorded twice"}`,
		"PUT /v1/homes/" + id + "/resident":   `{"name":"Invented","phone":"555-0100","email":"a@example.org"}`,
		"POST /v1/held/" + id + "/apply":      `{"record":{"a":1},"base_version":1,"note":"x"}`,
		"POST /v1/months/2026-09/packages":    `{"position":1}`,
		"POST /v1/performance/publications":   `{"from":"2026-07-01","before":"2026-10-01","position":1,"reason":"x"}`,
		"POST /v1/evaluations":                fmt.Sprintf(`{"rules_on":"2026-10-14","job_id":"%s","items":[{"kind":"opening","id":"%[1]s","record":%s}]}`, id, opening),
		"POST /v1/evaluations (two openings)": fmt.Sprintf(`{"items":[{"kind":"opening","id":"%s","record":%s},{"kind":"opening","id":"%[1]s","record":%[2]s}]}`, id, opening),
	}
	for _, operation := range slices.Sorted(maps.Keys(operations(t))) {
		at := operations(t)[operation]
		if !strings.HasPrefix(at[1], "/v1/calculations/") {
			continue
		}
		example := within(doc, "paths", at[1], "post", "requestBody", "content", "application/json")["example"]
		text, err := json.Marshal(example)
		if err != nil {
			t.Fatal(err)
		}
		bodies["POST "+at[1]] = string(text)
	}
	for _, at := range slices.Sorted(maps.Keys(bodies)) {
		method, path, _ := strings.Cut(at, " ")
		path, _, _ = strings.Cut(path, " ")
		for name, body := range changed(t, []byte(bodies[at])) {
			all = append(all, badBody{name: at + " " + name, method: method, path: path, body: body, role: domain.Staff})
		}
	}
	return all
}

// badTexts are no JSON, or not one value, or too much of it; …N repeats the
// character before it N times.
var badTexts = []string{``, ` `, `{`, `[`, `{]`, `{"a"}`, `{"a":}`, `{"a":1,}`, `{"a":1,"a":2}`, `{"reason":"x","reason":"x"}`, `{} {}`, `{}x`, `nul`, `{"a":01}`, `{"a":1e999}`, `{"a":1e-999}`,
	`{"a":11111111111111111111111111111111111111111}`, `{"a":"\ud800"}`, `{"a":"` + "\xff" + `"}`, `{"a":"` + "\x01" + `"}`, `{"a":"\u0001"}`, `{"a":"e\u0301"}`, `{"e\u0301":1}`, `{'a':1}`, `{"a":[…33`, `{"a":NaN}`, `"\u0001"`, `{"items":[{"a":"\u0001"}],"b":"\u0001"}`}

// unshortened writes out a repetition.
func unshortened(text string) string {
	before, number, found := strings.Cut(text, "…")
	if !found {
		return text
	}
	n, _ := strconv.Atoi(number)
	return before + strings.Repeat(before[len(before)-1:], n)
}

// changed gives a body once for each way of spoiling one of its members.
func changed(t testing.TB, body []byte) func(yield func(name, body string) bool) {
	t.Helper()
	var whole any
	if err := json.Unmarshal(body, &whole); err != nil {
		t.Fatal(err)
	}
	return func(yield func(string, string) bool) {
		spoilt(whole, "", func(place, how string) bool {
			text, err := json.Marshal(whole)
			return err == nil && yield(place+" "+how, string(text))
		})
	}
}

// spoilt changes what stands in an object or the first item of a list, one
// after the other, and puts it back.
func spoilt(value any, place string, use func(place, how string) bool) bool {
	switch v := value.(type) {
	case map[string]any:
		v["no_such_field"] = 1
		ok := use(place, "with no_such_field")
		delete(v, "no_such_field")
		for _, name := range slices.Sorted(maps.Keys(v)) {
			if !ok {
				return false
			}
			was := v[name]
			delete(v, name)
			ok = use(place+"/"+name, "left out")
			v[name] = was
			for how, other := range others(was, place+"/"+name) {
				v[name] = other
				ok = ok && use(place+"/"+name, how)
			}
			v[name] = was
			upper := strings.ToUpper(name[:1]) + name[1:]
			if hashed(place+name)%7 == 0 {
				delete(v, name)
				v[upper] = was
				ok = ok && use(place+"/"+name, "as "+upper)
				delete(v, upper)
				v[name] = was
			}
			ok = ok && spoilt(was, place+"/"+name, use)
		}
		return ok
	case []any:
		if len(v) == 0 {
			return true
		}
		was := v[0]
		for how, other := range others(was, place) {
			v[0] = other
			if !use(place+"/0", how) {
				return false
			}
		}
		v[0] = was
		return spoilt(was, place+"/0", use)
	}
	return true
}

// others are values in the place of one: another type, and two of
// breaks limits.
func others(value any, place string) func(yield func(how string, value any) bool) {
	type other struct {
		how   string
		value any
	}
	var always, some []other
	switch v := value.(type) {
	case string:
		always = []other{{"5", 5}}
		some = []other{{"null", nil}, {"empty", ""}, {"word", "no_such_word"}, {"long", strings.Repeat("a", 5000)}, {"control", "a\u0001"}, {"decomposed", "e\u0301"}, {"list", []any{"x"}}, {"2026-02-31", "2026-02-31"}}
	case float64:
		always = []other{{"text", "x"}}
		some = []other{{"null", nil}, {"-1e9", -1e9}, {"1e9", 1e9}, {"0.123456789", 0.123456789}, {"1e17", 1e17}, {"true", true}, {"0", 0}}
	case bool:
		always = []other{{"text", "x"}, {"null", nil}}
	case []any:
		always = []other{{"object", map[string]any{}}}
		many := slices.Repeat(v[:min(1, len(v))], 501)
		some = []other{{"null", nil}, {"empty", []any{}}, {"501", many}, {"two of one", slices.Repeat(v[:min(1, len(v))], 2)}}
	case map[string]any:
		always = []other{{"list", []any{}}}
		some = []other{{"null", nil}, {"empty", map[string]any{}}}
	}
	return func(yield func(string, any) bool) {
		chosen := slices.Clone(always)
		for i := range min(2, len(some)) {
			chosen = append(chosen, some[(hashed(place)+i)%len(some)])
		}
		for _, o := range chosen {
			if !yield(o.how, o.value) {
				return
			}
		}
	}
}

// hashed chooses: the same for a place, whatever stands beside it.
func hashed(place string) int {
	h := fnv.New32a()
	h.Write([]byte(place))
	return int(h.Sum32() % 1000)
}
