package strict

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
)

// manyKeys is one object of n members.
func manyKeys(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, `,"k%d":1`, i)
	}
	return "{" + b.String()[1:] + "}"
}

func TestWhatIsNotOneValue(t *testing.T) {
	for _, row := range []struct {
		name, in string
		code     domain.Code
		pointer  string
		detail   string
	}{
		{"empty", "", domain.BadJSON, "", "empty"},
		{"two values", `{"a":1} {"b":2}`, domain.BadJSON, "", "bytes after the end"},
		{"trailing letter", `1 x`, domain.BadJSON, "", "bytes after the end"},
		{"duplicate", `{"x":[{"a":1,"a":2}]}`, domain.BadJSON, "/x/0/a", "stands twice"},
		{"duplicate by escape", `{"a":1,"\u0061":2}`, domain.BadJSON, "/a", "stands twice"},
		{"bad UTF-8", "{\"a\":\"\xff\"}", domain.BadJSON, "/a", "UTF-8"},
		{"lone surrogate", `{"a":"\ud800"}`, domain.BadJSON, "/a", ""},
		{"cut", `{"a":[1,2`, domain.BadJSON, "/a", "ends too early"},
		{"comma", `[1,]`, domain.BadJSON, "", ""},
		{"single quotes", `{'a':1}`, domain.BadJSON, "", ""},
		{"comment", `{/**/}`, domain.BadJSON, "", ""},
		{"NaN", `{"a":NaN}`, domain.BadJSON, "/a", ""},
		{"plus", `{"a":+1}`, domain.BadJSON, "/a", ""},
		{"leading zero", `{"a":01}`, domain.BadJSON, "", "byte 6"},
		{"depth 33", strings.Repeat("[", 33) + strings.Repeat("]", 33), domain.BadJSON, "", "32 levels of objects and arrays (at"},
		{"depth 100000", strings.Repeat("[", 100_000), domain.BadJSON, "", "32 levels"},
		{"deep objects", strings.Repeat(`{"a":`, 33) + "1" + strings.Repeat("}", 33), domain.BadJSON, "", "32 levels"},
		{"100k keys", manyKeys(100_000), domain.BadJSON, "", "65536 object members"},
		{"many values", "[0" + strings.Repeat(",0", 300_000) + "]", domain.BadJSON, "", "200000 values"},
		{"1e999", `{"a":[1e999]}`, domain.BadJSON, "/a/0", "float64"},
		{"-1e999", `{"a":-1e999}`, domain.BadJSON, "/a", "float64"},
		{"tiny", `{"a":1e-999999999}`, domain.BadJSON, "/a", "float64"},
		{"1 MB number", `{"a":` + strings.Repeat("9", 1<<20) + `}`, domain.BadJSON, "/a", "40 characters"},
		{"too many bad texts", "[" + strings.Repeat(`"\u0000",`, 1500) + "0]", domain.BadJSON, "/1000", "more than 1000 texts"},
		{"NUL", `{"a":"x\u0000"}`, domain.Invalid, "/a", "control characters"},
		{"escape", `{"a":"x\u001b[0m"}`, domain.Invalid, "/a", "control characters"},
		{"line end", `{"a":"x\ny"}`, domain.Invalid, "/a", "control characters"},
		{"C1", `{"a":"x\u0085y"}`, domain.Invalid, "/a", "control characters"},
		{"control in a name", `{"x/\u0007":1}`, domain.Invalid, "/x~1\u0007", "control characters"},
		{"not NFC", `{"a":"e\u0301"}`, domain.Invalid, "/a", "normalization form C"},
	} {
		t.Run(row.name, func(t *testing.T) {
			err := Decode([]byte(row.in), &struct {
				A string `json:"a,omitzero"`
			}{})
			var e *domain.Error
			if !errors.As(err, &e) {
				t.Fatal("taken")
			}
			if e.Code != row.code || !strings.Contains(e.Error(), row.detail) {
				t.Fatalf("%v", err)
			}
			if row.pointer != "" && e.Faults[0].Pointer != row.pointer {
				t.Errorf("pointer %q, want %q", e.Faults[0].Pointer, row.pointer)
			}
		})
	}
	// What only looks like structure inside a string counts for nothing.
	text := `{"a":"` + strings.Repeat(`[{:,\\\"`, 70_000) + `"}`
	if err := Decode([]byte(text), &struct {
		A string `json:"a"`
	}{}); err != nil {
		t.Errorf("structure inside a string: %v", err)
	}
}

type duct struct {
	PressurePa float64            `json:"pressure_pa" validate:"gt=0,lte=100"`
	FlowCFM    float64            `json:"flow_cfm" validate:"gte=5"`
	WidthsIn   []float64          `json:"widths_in,omitzero" validate:"omitempty,min=1,unique,dive,lte=60"`
	MadeOn     domain.Date        `json:"made_on"`
	TakenAt    *time.Time         `json:"taken_at,omitzero"`
	Shape      string             `json:"shape,omitzero" validate:"omitempty,oneof=round rectangular"`
	Note       *string            `json:"note,omitzero" validate:"omitempty,max=10"`
	Tag        string             `json:"tag,omitzero" validate:"omitempty,snake,min=2"`
	Count      int                `json:"count,omitzero" validate:"omitempty,lte=9"`
	Sizes      map[string]float64 `json:"sizes,omitzero" validate:"omitempty,max=2,dive,keys,snake,endkeys,gte=0"`
	InsideF    *float64           `json:"inside_f,omitzero" validate:"required_with=OutsideF,omitempty"`
	OutsideF   *float64           `json:"outside_f,omitzero" validate:"omitempty"`
}

// Each row lists every fault in order: pointer, code, and words of detail and fix.
func TestFaults(t *testing.T) {
	const good = `"pressure_pa":25,"flow_cfm":263,"made_on":"2026-10-14"`
	for _, row := range []struct {
		name, in string
		want     []domain.Fault
	}{
		{"good", `{` + good + `,"sizes":{"a":1},"count":2.0,"taken_at":"2026-10-14T09:30:00.5-07:00"}`, nil},
		{"all missing", `{}`, []domain.Fault{
			{Pointer: "/flow_cfm", Code: "required"}, {Pointer: "/made_on", Code: "required"}, {Pointer: "/pressure_pa", Code: "required"}}},
		{"ranges with units", `{"pressure_pa":0,"flow_cfm":4.9,"made_on":"2026-10-14","widths_in":[1,60.5]}`, []domain.Fault{
			{Pointer: "/flow_cfm", Code: "too_small", Detail: "must be 5 cfm or more; 4.9 cfm was sent"},
			{Pointer: "/pressure_pa", Code: "too_small", Detail: "must be more than 0 Pa; 0 Pa was sent"},
			{Pointer: "/widths_in/1", Code: "too_large", Detail: "must be 60 in or less; 60.5 in was sent"}}},
		{"hardly too large", `{"pressure_pa":100.00000000000000000001,"flow_cfm":4.99999999999999999999,"made_on":"2026-10-14"}`, []domain.Fault{
			{Pointer: "/flow_cfm", Code: "too_small"}, {Pointer: "/pressure_pa", Code: "too_large"}}},
		{"names", `{"Pressure_pa":25,"flowCfm":263,"made_on":"2026-10-14","is_admin":true,"a/b~c":1,"widht_in":[]}`, []domain.Fault{
			{Pointer: "/Pressure_pa", Code: "unknown_field", Detail: "known are count, flow_cfm, ", Fix: "the name is pressure_pa"},
			{Pointer: "/a~1b~0c", Code: "unknown_field"},
			{Pointer: "/flowCfm", Code: "unknown_field", Fix: "the name is flow_cfm"},
			{Pointer: "/flow_cfm", Code: "required"},
			{Pointer: "/is_admin", Code: "unknown_field"},
			{Pointer: "/pressure_pa", Code: "required"},
			{Pointer: "/widht_in", Code: "unknown_field", Fix: "the nearest name is widths_in"}}},
		{"types", `{"pressure_pa":null,"flow_cfm":"263","made_on":20261014,"count":1.5,"widths_in":{}}`, []domain.Fault{
			{Pointer: "/count", Code: "wrong_type", Detail: "must be an integer; a number was sent"},
			{Pointer: "/flow_cfm", Code: "wrong_type", Detail: "must be a number; a string was sent"},
			{Pointer: "/made_on", Code: "wrong_type", Detail: "must be a string"},
			{Pointer: "/pressure_pa", Code: "null_not_allowed", Detail: "must be a number", Fix: "leave the field out"},
			{Pointer: "/widths_in", Code: "wrong_type", Detail: "must be an array; an object was sent"}}},
		{"texts", `{"pressure_pa":1,"flow_cfm":5,"made_on":"2026-02-31","taken_at":"2026-10-14 09:30","shape":"oval","note":"12345678901","tag":"A"}`, []domain.Fault{
			{Pointer: "/made_on", Code: "no_such_day", Detail: "February 2026 has no day 31; its last is 28"},
			{Pointer: "/note", Code: "too_long", Detail: "10 characters or fewer; 11 were sent"},
			{Pointer: "/shape", Code: "not_in_list", Detail: "must be one of round, rectangular"},
			{Pointer: "/tag", Code: "bad_pattern", Detail: "^[a-z]"},
			{Pointer: "/tag", Code: "too_short", Detail: "2 characters or more"},
			{Pointer: "/taken_at", Code: "bad_format", Detail: "RFC 3339"}}},
		{"arrays", `{` + good + `,"widths_in":[]}`, []domain.Fault{{Pointer: "/widths_in", Code: "too_few_items"}}},
		{"same twice", `{` + good + `,"widths_in":[4,4.0]}`, []domain.Fault{{Pointer: "/widths_in", Code: "not_unique", Detail: "items 0 and 1"}}},
		{"maps", `{` + good + `,"sizes":{"A":1,"b":-1,"c":0}}`, []domain.Fault{
			{Pointer: "/sizes", Code: "too_many_items"}, {Pointer: "/sizes/A", Code: "unknown_field"}, {Pointer: "/sizes/b", Code: "too_small"}}},
		{"needed beside", `{` + good + `,"outside_f":40}`, []domain.Fault{{Pointer: "/inside_f", Code: "required", Detail: "beside outside_f"}}},
		{"not an object", `[]`, []domain.Fault{{Pointer: "", Code: "wrong_type", Detail: "must be an object; an array"}}},
	} {
		t.Run(row.name, func(t *testing.T) {
			faults, err := Read([]byte(row.in), &duct{})
			if err != nil {
				t.Fatal(err)
			}
			got := faults.List
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

func TestMoments(t *testing.T) {
	for text, want := range map[string]string{
		"2026-10-14T09:30:00-05:00": "", "2026-10-14T09:30:00.123456789Z": "", "2024-02-29T00:00:00Z": "",
		"2026-10-14T09:30:00,5Z": "bad_format", "2026-10-14t09:30:00z": "bad_format", "2026-10-14T09:30:00": "bad_format", "0000-01-01T00:00:00Z": "no_such_day",
		"2026-10-14T09:30:00+16:00": "bad_format", "2026-10-14T24:00:00Z": "bad_format", "2025-02-29T00:00:00Z": "no_such_day", "": "bad_format",
		"2026-10-14T09:30:00.1234567890Z": "bad_pattern", "0999-10-14T09:30:00Z": "bad_pattern",
	} {
		faults, err := Read([]byte(`{"pressure_pa":1,"flow_cfm":5,"made_on":"2026-10-14","taken_at":"`+text+`"}`), &duct{})
		if err != nil {
			t.Fatal(err)
		}
		got := ""
		if len(faults.List) > 0 {
			got = faults.List[0].Code
		}
		if got != want {
			t.Errorf("%q: %s, want %s", text, got, want)
		}
	}
}

// A hostile body has its first faults told and the others counted.
func TestManyFaults(t *testing.T) {
	faults, err := Read([]byte(manyKeys(50_000)), &duct{})
	if err != nil || len(faults.List) != toldFaults || len(faults.List)+faults.More != 50_003 {
		t.Fatalf("%d told and %d more: %v", len(faults.List), faults.More, err)
	}
	if faults.List[0].Pointer != "/flow_cfm" || faults.List[1].Pointer != "/k0" || faults.List[2].Pointer != "/k1" {
		t.Errorf("not the first: %v", faults.List[:3])
	}
}

// What a hostile body may cost: below 50 ms.
func BenchmarkRefuse(b *testing.B) {
	for name, body := range map[string]string{
		"keys":   manyKeys(60_000),
		"values": "[0" + strings.Repeat(",0", 1<<20-1) + "]",
		"depth":  strings.Repeat("[", 2<<20),
		"number": strings.Repeat("9", 2<<20),
		"texts":  "[" + strings.Repeat(`"\u0000",`, 180_000) + "0]",
	} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if err := Decode([]byte(body), &duct{}); err == nil {
					b.Fatal("taken")
				}
			}
		})
	}
}
