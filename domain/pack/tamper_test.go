package pack_test

import (
	"bytes"
	"crypto/ed25519"
	"encoding/csv"
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ductledger/domain/pack"
)

// failing gives the checks that do not hold.
func failing(r pack.Report) (out []pack.Check) {
	for _, c := range r.Checks {
		if !c.Holds {
			out = append(out, c)
		}
	}
	return out
}

// rows reads a file of the package with another program's parser.
func rows(t testing.TB, file []byte) [][]string {
	t.Helper()
	r := csv.NewReader(bytes.NewReader(file))
	out, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func csvBytes(t testing.TB, rows [][]string) []byte {
	t.Helper()
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.UseCRLF = true
	if err := w.WriteAll(rows); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// Somebody alters one cell, to another value that its column allows, and makes
// every digest right again: file, row and column are named all the same.
func TestOneAlteredCellIsNamed(t *testing.T) {
	file, _ := small().write(t)
	folder, names, members := unzip(t, file)
	other := map[string]string{
		"contractor_id": "C9", "name": "x", "job_id": "J9", "accepted_on": "2026-10-30", "accepted_at": "2026-10-30T00:00:00Z", "month": "2026-09",
		"after_cfm25": "120.8", "paid_cents": "45001", "passed": "true", "outcome": "partial", "label": "y",
		"measure": "other", "kind": "measure", "unit": "things", "excluded_count": "4",
	}
	altered := 0
	for _, name := range []string{"data/contractors.csv", "data/jobs.csv", "data/reconciliation.csv"} {
		all := rows(t, members[name])
		for i := 1; i < len(all); i++ {
			for j, column := range all[0] {
				old := all[i][j]
				value := other[column]
				if value == "" {
					value = "77"
				}
				if value == old {
					value = ""
				}
				all[i][j] = value
				changed := map[string][]byte{}
				for k, v := range members {
					changed[k] = v
				}
				changed[name] = csvBytes(t, all)
				all[i][j] = old
				changed["bag-info.txt"] = reoxum(members["bag-info.txt"], changed)
				redigest(names, changed)
				r := verify(t, rezip(t, folder, names, changed), pack.VerifyOptions{})
				if !contains(failing(r), pack.CheckControl, strings.TrimPrefix(name, "data/"), int64(i+1), column) {
					t.Errorf("%s row %d column %s: %q → %q was not named:\n%s", name, i+1, column, old, value, r.Text())
				}
				altered++
			}
		}
	}
	if altered != 6+40+30 {
		t.Errorf("altered %d cells", altered)
	}
}

func contains(checks []pack.Check, name, file string, row int64, column string) bool {
	for _, c := range checks {
		if c.Name == name && c.File == file && c.Row == row && c.Column == column {
			return true
		}
	}
	return false
}

// reoxum makes the payload's size right again.
func reoxum(info []byte, members map[string][]byte) []byte {
	octets, streams := 0, 0
	for name, m := range members {
		if strings.HasPrefix(name, "data/") {
			octets += len(m)
			streams++
		}
	}
	lines := strings.Split(string(info), "\n")
	for i, line := range lines {
		if strings.HasPrefix(line, "Payload-Oxum: ") {
			lines[i] = fmt.Sprintf("Payload-Oxum: %d.%d", octets, streams)
		}
	}
	return []byte(strings.Join(lines, "\n"))
}

// An altered cell of control.csv is told from an altered cell of the table.
func TestAlteredControlLineIsNamed(t *testing.T) {
	file, _ := small().write(t)
	folder, names, members := unzip(t, file)
	all := rows(t, members["data/control.csv"])
	for j, value := range map[int]string{3: "1", 4: "219.1", 5: "x0000000000000000", 6: "x0000000000000001"} {
		i := 8 // jobs.csv, after_cfm25
		if j == 5 {
			i = 3 // jobs.csv, job_id
		}
		old := all[i][j]
		all[i][j] = value
		changed := map[string][]byte{}
		for k, v := range members {
			changed[k] = v
		}
		changed["data/control.csv"] = csvBytes(t, all)
		all[i][j] = old
		changed["bag-info.txt"] = reoxum(members["bag-info.txt"], changed)
		redigest(names, changed)
		r := verify(t, rezip(t, folder, names, changed), pack.VerifyOptions{})
		if !contains(failing(r), pack.CheckControl, "control.csv", int64(i+1), all[0][j]) {
			t.Errorf("column %s: %q → %q was not named:\n%s", all[0][j], old, value, r.Text())
		}
	}
}

// Any one altered byte of any member is found without the help of the zip's
// own CRC; the zip is packed anew.
func TestAnyAlteredByteIsFound(t *testing.T) {
	file, _ := small().write(t)
	folder, names, members := unzip(t, file)
	key := testKey.Public().(ed25519.PublicKey)
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom(names).Draw(t, "member")
		at := rapid.IntRange(0, len(members[name])-1).Draw(t, "at")
		flip := byte(rapid.IntRange(1, 255).Draw(t, "flip"))
		changed := map[string][]byte{}
		for k, v := range members {
			changed[k] = v
		}
		m := bytes.Clone(members[name])
		m[at] ^= flip
		changed[name] = m
		packed := rezip(t, folder, names, changed)
		r, err := pack.Verify(bytes.NewReader(packed), int64(len(packed)), pack.VerifyOptions{PublicKey: key})
		if err == nil && r.Holds {
			t.Fatalf("%s byte %d ^ %#x holds", name, at, flip)
		}
	})
}
