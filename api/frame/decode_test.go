package frame

import (
	"errors"
	"fmt"
	"reflect"
	"strings"
	"testing"

	"ductledger/domain"

	"github.com/go-json-experiment/json"
)

// manyKeys is one object of n members.
func manyKeys(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, `,"k%d":1`, i)
	}
	return "{" + b.String()[1:] + "}"
}

func TestDecodeRefuses(t *testing.T) {
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
		{"depth 33", strings.Repeat("[", 33) + strings.Repeat("]", 33), domain.BadJSON, "", "32 levels of objects and arrays (at byte 32)"},
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
		{"not NFC", `{"a":["e\u0301"]}`, domain.Invalid, "/a/0", "normalization form C"},
	} {
		t.Run(row.name, func(t *testing.T) {
			v, err := DecodeAny([]byte(row.in))
			var e *domain.Error
			if !errors.As(err, &e) {
				t.Fatalf("taken: %v", v)
			}
			if e.Code != row.code || len(e.Faults) != 1 && row.name != "empty" || !strings.Contains(e.Error(), row.detail) {
				t.Fatalf("%v", err)
			}
			if row.pointer != "" && e.Faults[0].Pointer != row.pointer {
				t.Errorf("pointer %q, want %q", e.Faults[0].Pointer, row.pointer)
			}
		})
	}
}

func TestDecodeKeepsNumbers(t *testing.T) {
	v, err := DecodeAny([]byte(` {"a":[0.10,-0,1E2,9007199254740993,0e999999999],"b":null,"c":true,"d":{},"e":"é"} `))
	if err != nil {
		t.Fatal(err)
	}
	out, err := json.Marshal(v, json.Deterministic(true))
	want := `{"a":["0.10","-0","1E2","9007199254740993","0"],"b":null,"c":true,"d":{},"e":"é"}`
	if s := strings.ReplaceAll(string(out), `"`, ``); err != nil || s != strings.ReplaceAll(want, `"`, ``) {
		t.Errorf("%s %v", out, err)
	}
	if _, err := DecodeAny([]byte(strings.Repeat("[", 32) + strings.Repeat("]", 32))); err != nil {
		t.Errorf("depth 32: %v", err)
	}
	// What only looks like structure inside a string counts for nothing.
	text := `"` + strings.Repeat(`[{:,\\\"`, 70_000) + `"`
	if _, err := DecodeAny([]byte(text)); err != nil {
		t.Errorf("structure inside a string: %v", err)
	}
}

func TestDecodeReportsAllTexts(t *testing.T) {
	v, faults, err := DecodeText([]byte(`{"items":[{"a":"\u0000"},{"a":"fine"},{"a":"\t"}]}`), RequestJSON())
	if err != nil || v == nil || len(faults) != 2 || faults[0].Pointer != "/items/0/a" || faults[1].Pointer != "/items/2/a" {
		t.Errorf("%v %v %v", v, faults, err)
	}
}

func TestDecodeInto(t *testing.T) {
	type reading struct {
		PressurePa *float64 `json:"pressure_pa"`
	}
	var in struct {
		Readings []reading `json:"readings"`
	}
	for body, want := range map[string]string{
		`{"readings":[{"pressure_pa":1},{"Pressure_pa":2}]}`: "/readings/1/Pressure_pa unknown_field",
		`{"readings":[{"pressure_pa":"x"}]}`:                 "/readings/0/pressure_pa wrong_type",
		`{"readings":7}`:                                     "/readings wrong_type",
	} {
		var e *domain.Error
		if err := DecodeInto([]byte(body), &in); !errors.As(err, &e) || e.Code != domain.Invalid ||
			e.Faults[0].Pointer+" "+e.Faults[0].Code != want {
			t.Errorf("%s: %v", body, err)
		}
	}
	if err := DecodeInto([]byte(`{"readings":`), &in); domain.CodeOf(err) != domain.BadJSON {
		t.Errorf("syntax: %v", err)
	}
	if err := DecodeInto([]byte(`{"readings":[{}]}`), &in); err != nil || in.Readings[0].PressurePa != nil {
		t.Errorf("%v %v", in, err)
	}
}

// Never a panic; what is taken means the same after it was written and read again.
func FuzzDecode(f *testing.F) {
	for _, seed := range []string{`{"a":[1,2.50,"é",null,true]}`, `[[[]]]`, `"\ud83d\ude00"`, `{"a":1,"a":2}`, `1e-400`, `0e99`, "\xff", `{"":{"":{}}}`} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		first, err := DecodeAny(body)
		if err != nil {
			if code := domain.CodeOf(err); code != domain.BadJSON && code != domain.Invalid {
				t.Fatalf("code %s", code)
			}
			return
		}
		// json.Number is a string type: as text in JSON it would gain quotes.
		text, err := json.Marshal(first, json.Deterministic(true), json.WithMarshalers(numbersAsNumbers()))
		if err != nil {
			t.Fatal(err)
		}
		second, err := DecodeAny(text)
		if err != nil || !reflect.DeepEqual(first, second) {
			t.Fatalf("%q became %q: %v", body, text, err)
		}
	})
}

// What a hostile body may cost: below 50 ms.
func BenchmarkRefuse(b *testing.B) {
	for name, body := range map[string]string{
		"keys":   manyKeys(100_000),
		"values": "[0" + strings.Repeat(",0", 1<<20-1) + "]",
		"depth":  strings.Repeat("[", 2<<20),
		"number": strings.Repeat("9", 2<<20),
		"texts":  "[" + strings.Repeat(`"\u0000",`, 180_000) + "0]",
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := DecodeAny([]byte(body)); err == nil {
					b.Fatal("taken")
				}
			}
		})
	}
}

func BenchmarkDecodeDuct(b *testing.B) {
	body := []byte(`{"pressure_pa":25.1,"flow_cfm":263,"made_on":"2026-10-14","taken_at":"2026-10-14T09:30:00-05:00","shape":"round","note":"kitchen","widths_in":[4,6.5]}`)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := DecodeAny(body); err != nil {
			b.Fatal(err)
		}
	}
}
