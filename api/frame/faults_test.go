package frame

import (
	stdjson "encoding/json"
	"os"
	"strings"
	"testing"

	"ductledger/domain"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// numbersAsNumbers writes json.Number as the number it is.
func numbersAsNumbers() *json.Marshalers {
	return json.MarshalFunc(func(n stdjson.Number) ([]byte, error) { return jsontext.Value(n), nil })
}

// Each row lists every fault in order: pointer, code, and words of the detail.
func TestFaults(t *testing.T) {
	c, err := LoadContract([]byte(smallContract))
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range []struct {
		name, schema, in string
		want             []domain.Fault
	}{
		{"good", "duct", goodDuct, nil},
		{"null where allowed", "duct", `{"pressure_pa":25,"flow_cfm":263,"made_on":"2026-10-14","note":null}`, nil},
		{"all missing", "duct", `{}`, []domain.Fault{
			{Pointer: "/flow_cfm", Code: "required"}, {Pointer: "/made_on", Code: "required"}, {Pointer: "/pressure_pa", Code: "required"}}},
		{"ranges with units", "duct", `{"pressure_pa":0,"flow_cfm":4.9,"made_on":"2026-10-14","widths_in":[1,60.5]}`, []domain.Fault{
			{Pointer: "/flow_cfm", Code: "too_small", Detail: "must be 5 cfm or more; 4.9 cfm was sent"},
			{Pointer: "/pressure_pa", Code: "too_small", Detail: "must be more than 0 Pa; 0 Pa was sent"},
			{Pointer: "/widths_in/1", Code: "too_large", Detail: "must be 60 in or less; 60.5 in was sent"}}},
		{"names", "duct", `{"Pressure_pa":25,"flowCfm":263,"made_on":"2026-10-14","is_admin":true,"a/b~c":1}`, []domain.Fault{
			{Pointer: "/Pressure_pa", Code: "unknown_field", Fix: "the name is pressure_pa"},
			{Pointer: "/a~1b~0c", Code: "unknown_field"},
			{Pointer: "/flowCfm", Code: "unknown_field", Fix: "the name is flow_cfm"},
			{Pointer: "/flow_cfm", Code: "required"},
			{Pointer: "/is_admin", Code: "unknown_field"},
			{Pointer: "/pressure_pa", Code: "required"}}},
		{"types", "duct", `{"pressure_pa":null,"flow_cfm":"263","made_on":20261014,"count":1.5,"widths_in":{}}`, []domain.Fault{
			{Pointer: "/count", Code: "wrong_type", Detail: "must be an integer; a number was sent"},
			{Pointer: "/flow_cfm", Code: "wrong_type", Detail: "must be a number; a string was sent"},
			{Pointer: "/made_on", Code: "wrong_type", Detail: "must be a string"},
			{Pointer: "/pressure_pa", Code: "null_not_allowed", Detail: "must be a number", Fix: "leave the field out"},
			{Pointer: "/widths_in", Code: "wrong_type", Detail: "must be an array; an object was sent"}}},
		{"texts", "duct", `{"pressure_pa":1,"flow_cfm":5,"made_on":"2026-02-30","taken_at":"2026-10-14 09:30","shape":"oval","note":"12345678901","tag":"A"}`, []domain.Fault{
			{Pointer: "/made_on", Code: "bad_format", Detail: "a date such as"},
			{Pointer: "/note", Code: "too_long", Detail: "10 characters or fewer; 11 were sent"},
			{Pointer: "/shape", Code: "not_in_list", Detail: "must be one of round, rectangular"},
			{Pointer: "/tag", Code: "bad_pattern", Detail: "^[a-z]+$"},
			{Pointer: "/tag", Code: "too_short", Detail: "2 characters or more"},
			{Pointer: "/taken_at", Code: "bad_format", Detail: "RFC 3339"}}},
		{"arrays", "duct", `{"pressure_pa":1,"flow_cfm":5,"made_on":"2026-10-14","widths_in":[]}`, []domain.Fault{
			{Pointer: "/widths_in", Code: "too_few_items"}}},
		{"same twice", "duct", `{"pressure_pa":1,"flow_cfm":5,"made_on":"2026-10-14","widths_in":[4,4.0]}`, []domain.Fault{
			{Pointer: "/widths_in", Code: "not_unique", Detail: "items 0 and 1"}}},
		{"not an object", "duct", `[]`, []domain.Fault{{Pointer: "", Code: "wrong_type", Detail: "must be an object; an array"}}},
		{"branch by kind", "item", `{"kind":"pan","reading_pa":-1,"layers_count":1}`, []domain.Fault{
			{Pointer: "/layers_count", Code: "unknown_field"},
			{Pointer: "/reading_pa", Code: "too_small", Detail: "0 Pa or more; -1 Pa was sent"}}},
		{"other branch", "item", `{"kind":"wrap","layers_count":0}`, []domain.Fault{{Pointer: "/layers_count", Code: "too_small"}}},
		{"unknown kind", "item", `{"kind":"pen","reading_pa":-1}`, []domain.Fault{{Pointer: "/kind", Code: "unknown_kind", Detail: "pan, wrap"}}},
		{"no kind", "item", `{"reading_pa":-1}`, []domain.Fault{{Pointer: "/kind", Code: "required"}}},
		{"no object", "item", `7`, []domain.Fault{{Pointer: "", Code: "wrong_type"}}},
		{"untagged, null", "either", `null`, nil},
		{"untagged, nearest branch", "either", `{"kind":"pan","reading_pa":"x"}`, []domain.Fault{{Pointer: "/reading_pa", Code: "wrong_type"}}},
	} {
		t.Run(row.name, func(t *testing.T) {
			v, err := DecodeAny([]byte(row.in))
			if err != nil {
				t.Fatal(err)
			}
			got := c.CheckSchema(row.schema, v)
			ok := len(got) == len(row.want)
			for i := range min(len(got), len(row.want)) {
				w := row.want[i]
				ok = ok && got[i].Pointer == w.Pointer && got[i].Code == w.Code && got[i].Detail != "" &&
					strings.Contains(got[i].Detail, w.Detail) && strings.Contains(got[i].Fix, w.Fix)
			}
			if !ok {
				t.Errorf("got %+v\nwant %+v", got, row.want)
			}
		})
	}
}

func TestFaultsOfABatch(t *testing.T) {
	f := newTestFrame(t, Limits{})
	w := f.call(t, "POST", "/v1/batches", f.field,
		`{"items":[{"kind":"wrap"},{"kind":"pan","reading_pa":"\u0000"},{"kind":"x"}],"Items":[]}`)
	p := wantProblem(t, w, 422, domain.Invalid)
	var got []string
	for _, e := range p.Errors {
		got = append(got, e.Pointer+" "+e.Code)
	}
	want := "/Items unknown_field, /items/1/reading_pa bad_characters, /items/1/reading_pa wrong_type, /items/2/kind unknown_kind"
	if strings.Join(got, ", ") != want {
		t.Errorf("got %v", got)
	}
}

func TestFormats(t *testing.T) {
	c, err := LoadContract([]byte(smallContract))
	if err != nil {
		t.Fatal(err)
	}
	for text, ok := range map[string]bool{
		"2026-10-14T09:30:00-05:00": true, "2026-10-14T09:30:00.123456789Z": true, "2024-02-29T00:00:00Z": true,
		"2026-10-14T09:30:00,5Z": false, "2026-10-14t09:30:00z": false, "2026-10-14T09:30:00": false, "0000-01-01T00:00:00Z": false,
		"2026-10-14T09:30:00+16:00": false, "2026-10-14T24:00:00Z": false, "2025-02-29T00:00:00Z": false, "": false,
	} {
		v := map[string]any{"pressure_pa": 1, "flow_cfm": 5, "made_on": "2026-10-14", "taken_at": text}
		if got := len(c.CheckSchema("duct", v)) == 0; got != ok {
			t.Errorf("%q: %v", text, got)
		}
	}
}

func TestContractMistakesStopTheStart(t *testing.T) {
	for name, row := range map[string][2]string{
		"duplicate key":     {"title: small", "title: small, title: again"},
		"alias":             {"title: small", "title: &a small, x: *a"},
		"no such schema":    {"schemas/duct'", "schemas/ducts'"},
		"no such parameter": {"parameters/home'", "parameters/house'"},
		"bad schema":        {"minimum: 5", "minimum: five"},
		"bad pattern":       {"^[a-z]+$", "^[a-z+$"},
		"outside":           {"'#/components/schemas/duct'", "'https://example.org/x.json'"},
		"same operation":    {"operationId: slow", "operationId: push"},
		"untagged branch":   {"const: wrap", "minLength: 1"},
		"same kind twice":   {"const: wrap", "const: pan"},
		"binary number":     {"minimum: 5", "minimum: 0x5"},
	} {
		if !strings.Contains(smallContract, row[0]) {
			t.Fatalf("%s: nothing to replace", name)
		}
		if _, err := LoadContract([]byte(strings.Replace(smallContract, row[0], row[1], 1))); err == nil {
			t.Errorf("%s: taken", name)
		}
	}
	text, err := os.ReadFile("../../openapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := LoadContract(text); err != nil {
		t.Error(err)
	}
}

func TestServedContractKeepsItsForm(t *testing.T) {
	c, err := LoadContract([]byte(smallContract))
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(string(c.JSON), `{"openapi":"3.1.0","info":`) || !strings.Contains(string(c.JSON), `"oneOf"`) {
		t.Errorf("%.80s", c.JSON)
	}
	if string(c.YAML) != smallContract {
		t.Error("the YAML is not served as it is")
	}
}

func FuzzCheck(f *testing.F) {
	c, err := LoadContract([]byte(smallContract))
	if err != nil {
		f.Fatal(err)
	}
	f.Add([]byte(goodDuct))
	f.Add([]byte(`{"kind":"pan","reading_pa":-1,"x":null}`))
	f.Add([]byte(`{"flow_cfm":1e308,"pressure_pa":5e-324}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		v, err := DecodeAny(body)
		if err != nil {
			return
		}
		for _, schema := range []string{"duct", "item", "either"} {
			for _, fault := range c.CheckSchema(schema, v) {
				if fault.Code == "" || fault.Detail == "" || fault.Code == "invalid" {
					t.Errorf("%s: %+v", schema, fault)
				}
			}
		}
	})
}

func BenchmarkCheckDuct(b *testing.B) {
	c, err := LoadContract([]byte(smallContract))
	if err != nil {
		b.Fatal(err)
	}
	v, err := DecodeAny([]byte(`{"pressure_pa":25.1,"flow_cfm":263,"made_on":"2026-10-14","taken_at":"2026-10-14T09:30:00-05:00","shape":"round","note":"kitchen","widths_in":[4,6.5]}`))
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if faults := c.CheckSchema("duct", v); len(faults) > 0 {
			b.Fatal(faults)
		}
	}
}
