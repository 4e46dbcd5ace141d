package pack_test

import (
	"archive/zip"
	"bytes"
	"crypto/ed25519"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"
	"testing"

	"ductledger/domain/pack"
)

// packed makes a zip of members in order; a nil mode is a regular file.
func packed(t testing.TB, names []string, members map[string][]byte, change func(*zip.FileHeader)) []byte {
	t.Helper()
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for _, name := range names {
		h := &zip.FileHeader{Name: "ACME_2026-10_r1_DEMO/" + name, Method: zip.Deflate}
		if change != nil {
			change(h)
		}
		w, err := z.CreateHeader(h)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(members[name]); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// What cannot be read is an error, said before anything is unpacked.
func TestUnreadable(t *testing.T) {
	file, _ := small().write(t)
	_, names, members := unzip(t, file)
	rename := func(from, to string) func(*zip.FileHeader) {
		return func(h *zip.FileHeader) {
			if strings.HasSuffix(h.Name, from) {
				h.Name = to
			}
		}
	}
	without := func(name string) []byte {
		var left []string
		for _, n := range names {
			if n != name {
				left = append(left, n)
			}
		}
		return packed(t, left, members, nil)
	}
	encrypted := bytes.Clone(file)
	// General purpose flag of the first entry of the central directory:
	// PKWARE APPNOTE 4.3.12, offset 8.
	encrypted[bytes.Index(encrypted, []byte("PK\x01\x02"))+8] |= 1
	for _, c := range []struct {
		name string
		file []byte
		says string
	}{
		{"empty", nil, "not a zip"},
		{"not a zip", []byte("job_id\r\nJ1\r\n"), "not a zip"},
		{"truncated", file[:len(file)-30], "not a zip"},
		{"beginning only", file[:200], "not a zip"},
		{"no bagit.txt", without("bagit.txt"), "bagit.txt is missing"},
		{"no manifest", without("manifest-sha256.txt"), "manifest-sha256.txt is missing"},
		{"traversal", packed(t, names, members, rename("view/note.txt", "ACME_2026-10_r1_DEMO/../../etc/x")), "not a plain path"},
		{"absolute", packed(t, names, members, rename("view/note.txt", "/etc/x")), "not a plain path"},
		{"backslash", packed(t, names, members, rename("view/note.txt", `ACME_2026-10_r1_DEMO/..\x`)), "not a plain path"},
		{"twice", packed(t, slices.Concat(names, []string{"data/jobs.csv"}), members, nil), "stands twice"},
		{"twice but for case", packed(t, names, members, rename("view/note.txt", "ACME_2026-10_r1_DEMO/data/JOBS.csv")), "stands twice"},
		{"second folder", packed(t, names, members, rename("view/note.txt", "other/x")), "one folder is expected"},
		{"symbolic link", packed(t, names, members, func(h *zip.FileHeader) {
			if strings.HasSuffix(h.Name, "note.txt") {
				h.SetMode(fs.ModeSymlink | 0o777)
			}
		}), "not a regular file"},
		{"encrypted", encrypted, "is encrypted"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := pack.Verify(bytes.NewReader(c.file), int64(len(c.file)), pack.VerifyOptions{})
			if !errors.Is(err, pack.ErrUnreadable) || !strings.Contains(err.Error(), c.says) {
				t.Errorf("error %v, want one that says %q; report %+v", err, c.says, r)
			}
		})
	}
}

// A few kilobytes that unpack to gigabytes are refused by their announced
// size; a member that announces less than it holds, by the reader.
func TestBomb(t *testing.T) {
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for _, name := range []string{"bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt"} {
		if _, err := z.Create("P/" + name); err != nil {
			t.Fatal(err)
		}
	}
	w, err := z.Create("P/data/jobs.csv")
	if err != nil {
		t.Fatal(err)
	}
	block := make([]byte, 1<<20)
	for range 64 {
		if _, err := w.Write(block); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	_, err = pack.Verify(bytes.NewReader(out.Bytes()), int64(out.Len()), pack.VerifyOptions{MaxBytes: 32 << 20})
	if !errors.Is(err, pack.ErrUnreadable) || !strings.Contains(err.Error(), "unpacked") {
		t.Errorf("error %v", err)
	}
	if _, err := pack.Verify(bytes.NewReader(out.Bytes()), int64(out.Len()), pack.VerifyOptions{MaxBytes: 128 << 20}); err != nil {
		t.Errorf("within its limit: %v", err)
	}
}

// Files that are missing or that nobody listed.
func TestMissingAndExtraFiles(t *testing.T) {
	file, _ := small().write(t)
	_, names, members := unzip(t, file)
	members["data/extra.csv"] = []byte("a\r\n")
	members["notes.txt"] = []byte("hello\n")
	var left []string
	for _, n := range names {
		if n != "data/jobs.csv" {
			left = append(left, n)
		}
	}
	for _, c := range []struct {
		name  string
		names []string
		check string
		file  string
	}{
		{"missing", left, pack.CheckFiles, "data/jobs.csv"},
		{"extra payload", slices.Concat(names, []string{"data/extra.csv"}), pack.CheckFiles, "data/extra.csv"},
		{"extra payload is not described", slices.Concat(names, []string{"data/extra.csv"}), pack.CheckDescriptor, "data/extra.csv"},
		{"extra tag file", slices.Concat(names, []string{"notes.txt"}), pack.CheckFiles, "notes.txt"},
	} {
		r := verify(t, packed(t, c.names, members, nil), pack.VerifyOptions{})
		if !contains(failing(r), c.check, c.file, 0, "") {
			t.Errorf("%s: not named\n%s", c.name, r.Text())
		}
	}
}

func TestSignatureOfAnother(t *testing.T) {
	other := ed25519.NewKeyFromSeed(bytes.Repeat([]byte{9}, ed25519.SeedSize)).Public().(ed25519.PublicKey)
	file, _ := small().write(t)
	if r := verify(t, file, pack.VerifyOptions{PublicKey: other}); r.Holds {
		t.Error("a signature by another key holds")
	}
	c := small()
	c.opts.Key = nil
	unsigned, _ := c.write(t)
	if r := verify(t, unsigned, pack.VerifyOptions{}); !r.Holds || r.Signature != "none" {
		t.Errorf("unsigned: %s", r.Text())
	}
	if r := verify(t, unsigned, pack.VerifyOptions{PublicKey: other}); r.Holds {
		t.Error("a missing signature holds where one was asked for")
	}
	folder, names, members := unzip(t, file)
	delete(members, "tagmanifest-sha256.txt.sig")
	if r := verify(t, rezip(t, folder, names, members), pack.VerifyOptions{}); r.Holds {
		t.Error("a signature can be taken away")
	}
}

// month writes the package of one month that begins at a cumulative.
func monthPackage(t testing.TB, month string, position, previous, added int64, before []byte) []byte {
	c := small()
	c.head.Month, c.head.Position, c.head.PreviousPosition = month, position, position-100
	if before != nil {
		c.head.PreviousSHA256 = digest(before)
	}
	c.reconciliation = [][]string{
		measure(pack.ReconciliationRow{Measure: "jobs_accepted", Unit: "jobs", Previous: previous, New: added}),
	}
	file, _ := c.write(t)
	return file
}

func TestPrevious(t *testing.T) {
	before := monthPackage(t, "2025-12", 500, 10, 5, nil)
	for _, c := range []struct {
		name string
		file []byte
		says string // "" holds
	}{
		{"continues", monthPackage(t, "2026-01", 600, 15, 2, before), ""},
		{"starts elsewhere", monthPackage(t, "2026-01", 600, 16, 2, before), "jobs_accepted: is 16, the package before ends at 15"},
		{"another month", monthPackage(t, "2026-02", 600, 15, 2, before), "not of the month before"},
		{"a gap of positions", monthPackage(t, "2026-01", 700, 15, 2, before), "Previous-Position is 600"},
		{"another file", monthPackage(t, "2026-01", 600, 15, 2, []byte("x")), "Previous-SHA256"},
	} {
		r := verify(t, c.file, pack.VerifyOptions{Previous: bytes.NewReader(before), PreviousSize: int64(len(before))})
		if r.Holds != (c.says == "") || !strings.Contains(r.Text(), c.says) {
			t.Errorf("%s: want %q\n%s", c.name, c.says, r.Text())
		}
	}
	if _, err := pack.Verify(bytes.NewReader(before), int64(len(before)), pack.VerifyOptions{Previous: strings.NewReader("x"), PreviousSize: 1}); !errors.Is(err, pack.ErrUnreadable) {
		t.Errorf("a previous package that is none: %v", err)
	}
}

// A measure that the package before does not have begins where it began in
// the tables of that time: only when these were of another version.
func TestPreviousOfAnOlderVersion(t *testing.T) {
	old := monthPackage(t, "2025-12", 500, 10, 5, nil)
	for version, holds := range map[string]bool{"1.0.0": false, "1.1.0": true} {
		c := small()
		c.head.Month, c.head.Position, c.head.PreviousPosition, c.head.PreviousSHA256, c.head.SchemaVersion = "2026-01", 600, 500, digest(old), version
		c.reconciliation = [][]string{
			measure(pack.ReconciliationRow{Measure: "jobs_accepted", Unit: "jobs", Previous: 15}),
			measure(pack.ReconciliationRow{Measure: "homes_worked", Unit: "homes", Previous: 14}),
		}
		file, _ := c.write(t)
		r := verify(t, file, pack.VerifyOptions{Previous: bytes.NewReader(old), PreviousSize: int64(len(old))})
		if r.Holds != holds || !holds && !contains(failing(r), pack.CheckPrevious, "reconciliation.csv", 3, "previous_cumulative") {
			t.Errorf("version %s after 1.0.0:\n%s", version, r.Text())
		}
	}
}

// Whatever the bytes: an answer, no panic, bounded work.
func FuzzVerify(f *testing.F) {
	file, _ := small().write(f)
	f.Add(file)
	_, names, members := unzip(f, file)
	f.Add(packed(f, names, members, func(h *zip.FileHeader) { h.Method = zip.Store }))
	f.Add(packed(f, names[:3], members, nil))
	f.Add([]byte("PK\x05\x06"))
	f.Fuzz(func(t *testing.T, b []byte) {
		r, err := pack.Verify(bytes.NewReader(b), int64(len(b)), pack.VerifyOptions{MaxBytes: 1 << 20})
		if err == nil && len(r.Checks) == 0 {
			t.Error("neither an error nor a check")
		}
	})
}

// The same for one member inside a sound zip: these bytes reach the parsers.
func FuzzVerifyMember(f *testing.F) {
	file, _ := small().write(f)
	_, names, members := unzip(f, file)
	for i, name := range names {
		f.Add(uint8(i), members[name])
	}
	f.Fuzz(func(t *testing.T, which uint8, b []byte) {
		changed := map[string][]byte{}
		for k, v := range members {
			changed[k] = v
		}
		changed[names[int(which)%len(names)]] = b
		packed := packed(t, names, changed, func(h *zip.FileHeader) { h.Method = zip.Store })
		r, err := pack.Verify(bytes.NewReader(packed), int64(len(packed)), pack.VerifyOptions{MaxBytes: 1 << 20})
		if err == nil && r.Holds != bytes.Equal(b, members[names[int(which)%len(names)]]) {
			t.Errorf("%s: holds %v", names[int(which)%len(names)], r.Holds)
		}
	})
}

// A writer that was given something it must refuse.
func TestWriterRefuses(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(*pack.Writer) error
		says string
	}{
		{"wrong order", func(w *pack.Writer) error { _, err := w.Table("jobs"); return err }, "not the next in order"},
		{"cells", func(w *pack.Writer) error { s, _ := w.Table("contractors"); return s.Row("C1") }, "contractors.csv row 2: has 1 cells, the table has 2 columns"},
		{"key unknown", func(w *pack.Writer) error { s, _ := w.Table("contractors"); return s.Row("", "x") }, "contractors.csv row 2: contractor_id is empty"},
		{"id like a date", func(w *pack.Writer) error { s, _ := w.Table("contractors"); return s.Row("MAR1", "x") }, "contractor_id is not a letter"},
		{"not UTF-8", func(w *pack.Writer) error { s, _ := w.Table("contractors"); return s.Row("C1", "\xff") }, "name is not UTF-8"},
		{"early end", func(w *pack.Writer) error { _, err := w.Close(); return err }, "0 of 3 tables"},
		{"view between tables", func(w *pack.Writer) error { return w.View("a.xlsx", strings.NewReader("")) }, "after all tables"},
	} {
		w, err := pack.NewWriter(io.Discard, testHead(), testTables(), pack.WriterOptions{})
		if err != nil {
			t.Fatal(err)
		}
		err = c.do(w)
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %q", c.name, err, c.says)
		}
		if _, again := w.Close(); again == nil || fmt.Sprint(again) != fmt.Sprint(err) {
			t.Errorf("%s: Close gives %v", c.name, again)
		}
	}
}

// A line that does not add up is not written.
func TestWriterReconciles(t *testing.T) {
	w, err := pack.NewWriter(io.Discard, testHead(), testTables(), pack.WriterOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"contractors", "jobs"} {
		s, _ := w.Table(name)
		s.Close()
	}
	s, _ := w.Table("reconciliation")
	err = s.Row("jobs_accepted", "measure", "jobs", "10", "4", "1", "-1", "2", "13", "")
	var at *pack.CellError
	if !errors.As(err, &at) || at.Column != "cumulative" || at.Row != 2 {
		t.Errorf("%v", err)
	}
}
