package api_test

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/storagetest"
)

// home is an item that is accepted from staff whenever it comes.
func home() object {
	return item(domain.HomeKind, storagetest.ID(), 0, domain.Home{SectionCount: 1})
}

func homes(n int) []any {
	list := make([]any, n)
	for i := range list {
		list[i] = home()
	}
	return list
}

const mebibyte = 1 << 20

// S12: as many items and bytes as are allowed, and not one more.
func TestS12SizesOfABatch(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	staff := a.Tokens[domain.Staff]
	for i, got := range push(a, staff, homes(500)...).Items {
		if got.Status != "created" || got.Index != i {
			t.Fatalf("item %d of 500 is %s", i, got.Status)
		}
	}
	padded := func(size int) string { return `{"items":[]}` + strings.Repeat(" ", size-len(`{"items":[]}`)) }
	unmoved(a, func() {
		p := a.Send(staff, "POST", "/v1/batches", object{"items": homes(501)}).Want(422).Problem()
		if len(p.Errors) != 1 || p.Errors[0].Pointer != "/items" || !strings.Contains(p.Errors[0].Detail, "500") {
			t.Errorf("501 items: %+v", p)
		}
		a.Send(staff, "POST", "/v1/batches", padded(2*mebibyte)).Want(207)
		p = a.Send(staff, "POST", "/v1/batches", padded(2*mebibyte+1)).Want(413).Problem()
		if p.Code != "too_large" || !strings.Contains(p.Detail, "2097152 bytes") {
			t.Errorf("2 MiB and a byte: %+v", p)
		}
		chunked, err := http.NewRequest("POST", a.URL+"/v1/batches", io.MultiReader(strings.NewReader(padded(3*mebibyte)))) // no length
		if err != nil {
			t.Fatal(err)
		}
		chunked.Header.Set("Authorization", "Bearer "+staff)
		chunked.Header.Set("Content-Type", "application/json")
		response, err := http.DefaultClient.Do(chunked)
		if err != nil {
			t.Fatal(err)
		}
		defer response.Body.Close()
		if response.StatusCode != 413 {
			t.Errorf("3 MiB without a length: %d", response.StatusCode)
		}
	}, staff)
	var page struct {
		Items []entry
		Next  string
	}
	a.Send(staff, "GET", "/v1/homes?limit=1000000", nil).Want(200).Into(&page)
	if len(page.Items) != 500 || page.Next == "" {
		t.Errorf("a page of %d, next %q", len(page.Items), page.Next)
	}
	for _, limit := range []string{"0", "-1", "1.5", "x", ""} {
		a.Send(staff, "GET", "/v1/homes?limit="+limit, nil).Want(400)
	}
}

func zipped(t testing.TB, parts ...[]byte) []byte {
	t.Helper()
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	for _, part := range parts {
		if _, err := z.Write(part); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// S13: gzip is taken on a batch, counted as it inflates, and nowhere else.
func TestS13Encodings(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	staff := a.Tokens[domain.Staff]
	one := fmt.Sprintf(`{"items":[{"kind":"home","id":%q,"record":{"section_count":1}}]}`, storagetest.ID())
	var b batchAnswer
	a.Send(staff, "POST", "/v1/batches", zipped(t, []byte(one)), "Content-Encoding", "gzip").Want(207).Into(&b)
	if b.Items[0].Status != "created" {
		t.Errorf("gzip: %+v", b.Items[0])
	}
	spaces := bytes.Repeat([]byte(" "), mebibyte)
	var bomb [][]byte
	for range 64 {
		bomb = append(bomb, spaces)
	}
	unmoved(a, func() {
		a.Send(staff, "POST", "/v1/batches", zipped(t, []byte(`{"items":[]}`), bytes.Repeat([]byte(" "), 2*mebibyte-12)), "Content-Encoding", "gzip").Want(207)
		for _, c := range []struct {
			name, path, encoding string
			body                 []byte
			status               int
		}{
			{"2 MiB and a byte inflated", "/v1/batches", "gzip", zipped(t, []byte(`{"items":[]}`), bytes.Repeat([]byte(" "), 2*mebibyte-11)), 413},
			{"a bomb", "/v1/batches", "gzip", zipped(t, bomb...), 413},
			{"not gzip", "/v1/batches", "gzip", []byte(one), 400},
			{"gzip cut short", "/v1/batches", "gzip", zipped(t, []byte(one))[:40], 400},
			{"deflate", "/v1/batches", "deflate", []byte(one), 415},
			{"br", "/v1/batches", "br", []byte(one), 415},
			{"gzip twice", "/v1/batches", "gzip, gzip", []byte(one), 415},
			{"gzip of a record", "/v1/homes/" + storagetest.ID().String(), "gzip", zipped(t, []byte(`{"section_count":1}`)), 415},
			{"gzip of a calculation", "/v1/calculations/fan-test", "gzip", zipped(t, []byte(`{}`)), 415},
		} {
			method := "POST"
			if strings.HasPrefix(c.path, "/v1/homes") {
				method = "PUT"
			}
			got := a.Send(staff, method, c.path, c.body, "Content-Encoding", c.encoding)
			if got.Status != c.status {
				t.Errorf("%s: %d, want %d: %s", c.name, got.Status, c.status, got.Body)
			}
		}
		for _, media := range []string{"application/xml", "text/plain", "application/x-www-form-urlencoded", "application/json; charset=latin1"} {
			a.Send(staff, "POST", "/v1/batches", one, "Content-Type", media).Want(415)
		}
	}, staff)
}

// S14: what would be costly to read is refused before anything is built.
func TestS14CostlyJSON(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	staff := a.Tokens[domain.Staff]
	var keys strings.Builder
	for i := range 100_000 {
		fmt.Fprintf(&keys, `"k%d":1,`, i)
	}
	at := "/v1/homes/" + storagetest.ID().String()
	unmoved(a, func() {
		for name, body := range map[string]string{
			"depth 33":        `{"items":` + strings.Repeat("[", 32) + strings.Repeat("]", 32) + `}`,
			"depth 9000":      strings.Repeat(`{"a":`, 9000) + "1" + strings.Repeat("}", 9000),
			"100,000 keys":    "{" + strings.TrimSuffix(keys.String(), ",") + "}",
			"beyond float64":  `{"section_count":1e999}`,
			"a 1 MB number":   `{"section_count":` + strings.Repeat("1", 1_000_000) + `}`,
			"a long fraction": `{"section_count":1.` + strings.Repeat("0", 100) + `1}`,
			"not UTF-8":       "{\"front_note\":\"\xff\"}",
			"NaN":             `{"floor_area_ft2":NaN}`,
			"two values":      `{"section_count":1}{"section_count":1}`,
			"a comment":       `{"section_count":1 /* one */}`,
		} {
			for _, to := range [][2]string{{"PUT", at}, {"POST", "/v1/batches"}, {"POST", "/v1/evaluations"}} {
				if p := a.Send(staff, to[0], to[1], body).Want(400).Problem(); p.Code != "bad_json" || p.Detail == "" {
					t.Errorf("%s at %s: %+v", name, to[1], p)
				}
			}
		}
	}, staff)
	a.Send(staff, "POST", "/v1/batches", `{"items":`+strings.Repeat("[", 31)+strings.Repeat("]", 31)+`}`).Want(207) // depth 32
}
