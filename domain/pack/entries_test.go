package pack_test

import (
	"bytes"
	"crypto/sha256"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ductledger/domain/pack"
)

// entriesPacked writes a job's file with three entries, the second too long for a
// cell; change may alter one.
func entriesPacked(t *testing.T, change func(int, *pack.Entry)) []byte {
	t.Helper()
	var out bytes.Buffer
	w, err := pack.NewWriter(&out, pack.Head{Program: "NORTH", Organization: "Invented", Contact: "Invented", Month: "2026-10", TimeZone: "UTC", Revision: 1, AsOf: time.Date(2026, 10, 31, 0, 0, 0, 0, time.UTC),
		Position: 9, LedgerHead: strings.Repeat("ab", 32), SchemaVersion: "1.0.0", BuildID: "test", Job: "J01982f3a-1b2c-7d3e-8f40-5a6b7c8d9e0f", JobNumber: 1042},
		[]pack.Table{pack.EntriesTable(), pack.ReconciliationTable()}, pack.WriterOptions{})
	if err != nil {
		t.Fatal(err)
	}
	texts := []string{`{"a":1}`, `{"long":"` + strings.Repeat("ü='", 20000) + `"}`, `{"b":2}`}
	err = w.WriteEntries(func(row func(*pack.Entry) error) error {
		for i, text := range texts {
			e := pack.Entry{Position: int64(i + 3), Kind: "job", ID: "01982f3a-1b2c-7d3e-8f40-5a6b7c8d9e0f", Version: int64(i + 1), RecordedAt: time.Date(2026, 10, 1, 0, 0, i, 0, time.UTC),
				Person: "=Sam", OfJob: i != 2, Text: text, Before: sha256.Sum256([]byte{byte(i)})}
			e.Link = sha256.Sum256(append(e.Before[:], text...)) // as the ledger links: domain/ledger.Next
			if change != nil {
				change(i, &e)
			}
			if err := row(&e); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	rows, err := w.Table("reconciliation")
	if err != nil {
		t.Fatal(err)
	}
	if err := rows.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// An entry that does not follow from the link before it is found by both
// verifiers, also one that stands in several rows.
func TestEntriesOfAJobFollowFromTheirLinks(t *testing.T) {
	files := [][]byte{entriesPacked(t, nil)}
	if r := verify(t, files[0], pack.VerifyOptions{}); !r.Holds || r.Name != "NORTH_2026-10_job-1042" {
		t.Fatal(r.Text())
	}
	for i := range 3 {
		for _, change := range []func(*pack.Entry){
			func(e *pack.Entry) { e.Text = strings.Replace(e.Text, `"}`, `x"}`, 1) + " " },
			func(e *pack.Entry) { e.Before[0] ^= 1 },
			func(e *pack.Entry) { e.Link[31] ^= 1 },
		} {
			altered := entriesPacked(t, func(n int, e *pack.Entry) {
				if n == i {
					change(e)
				}
			})
			if r := verify(t, altered, pack.VerifyOptions{}); r.Holds || !strings.Contains(r.Text(), "FAIL ledger: entries.csv") {
				t.Errorf("entry %d: %s", i, r.Text())
			}
			files = append(files, altered)
		}
	}
	script, err := filepath.Abs("../../deploy/verify_package.py")
	if err != nil {
		t.Fatal(err)
	}
	for i, file := range files {
		zipPath, folder := unpacked(t, file)
		if says, code := run(t, folder, nil, "python3", "-B", script, zipPath); code != min(i, 1) || i > 0 && !strings.Contains(says, "entries.csv") {
			t.Errorf("%d, by the script: %d %s", i, code, says)
		}
	}
}
