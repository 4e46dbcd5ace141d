package pack

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// entriesName is the table of a job's file that holds entries of the ledger.
const entriesName = "entries"

// An Entry is one version of a record as the ledger holds it.
type Entry struct {
	Position     int64
	Kind, ID     string // of the record
	Version      int64
	RecordedAt   time.Time
	Person       string // who recorded it, by name
	OfJob        bool   // else it is of the home, the contractor, its people and instruments, or the rules
	Void         bool
	Text         string // RFC 8785, each free text left empty
	FreeTexts    string // the free texts, an array in the form of RFC 8785; empty where they are left out, or erased
	Salt         string // before the texts in their digest
	Before, Link [32]byte
}

// An entryPart is a row of entries.csv: an entry too long for a cell stands in
// several.
type entryPart struct {
	*Entry
	number int64
	part   string
}

// EntriesTable describes data/entries.csv of a job's file. Of each entry
//
//	link = SHA-256(previous_link, then entry in UTF-8)
//
// and SHA-256 over the links of a job's own entries, oldest first, is
// entries_sha256 in jobs.csv of the package of a month that shows the job.
func EntriesTable() Table { return entries().Table }

func entries() TableOf[entryPart] {
	type row = entryPart
	field := func(name string, typ Type, description, example string, required bool, value func(*row, *Rows)) Field[row] {
		return Field[row]{Column{Name: name, Type: typ, Description: description, Example: example, Constraints: Constraints{Required: required}}, value}
	}
	return Define(Table{
		Name: entriesName, Title: "Entries of the ledger behind this job",
		Description: "Every version of each record of the job and its home, and of contractor, people, papers, instruments and rules those versions that the job was judged by, as the ledger holds them. link is SHA-256 of previous_link followed by entry; SHA-256 over the links of the job's own entries up to the position of a month's package is entries_sha256 of its jobs.csv.",
		PrimaryKey:  []string{"entry_id", "part_number"},
	},
		field("entry_id", ID, "E and the place in the program's one order of accepted versions", "E4711", true, func(r *row, c *Rows) { c.Text("E" + itoa(r.Position)) }),
		field("part_number", Integer, "An entry too long for a cell stands in several rows: their cells end to end", "1", true, func(r *row, c *Rows) { c.Int(r.number) }),
		field("position", Integer, "That place", "4711", true, func(r *row, c *Rows) { c.Int(r.Position) }),
		field("kind", Code, "Of the record", "measurement", true, func(r *row, c *Rows) { c.Text(r.Kind) }),
		field("record_id", ID, "x and the record's id", "x01982f3a-1b2c-7d3e-8f40-5a6b7c8d9e0f", true, func(r *row, c *Rows) { c.Text("x" + r.ID) }),
		field("version", Integer, "Of the record, from 1", "2", true, func(r *row, c *Rows) { c.Int(r.Version) }),
		field("recorded_at", DateTime, "When it was accepted, in UTC", "2026-10-14T21:03:11.250000Z", true, func(r *row, c *Rows) { c.Time(r.RecordedAt) }),
		field("person_name", Text, "Who recorded it; empty for a machine", "Sam Invented", false, func(r *row, c *Rows) { c.Text(r.Person) }),
		field("of_job", Boolean, "It belongs to the job itself", "true", true, func(r *row, c *Rows) { c.Bool(r.OfJob) }),
		field("void", Boolean, "It says that the record no longer counts", "false", true, func(r *row, c *Rows) { c.Bool(r.Void) }),
		field("entry", Text, "The entry, or a part of it, in the form of RFC 8785, with each free text left empty", `{"id":"…"}`, true, func(r *row, c *Rows) { c.Text(r.part) }),
		field("texts", Text, "Its free texts, an array in the form of RFC 8785; empty where there is none, where they are erased, and where they were not asked for", `["Cut short."]`, false, func(r *row, c *Rows) { c.Text(r.FreeTexts) }),
		field("texts_salt", Text, "x and the salt: texts_digest of entry is SHA-256 of its bytes followed by texts", "x00112233445566778899aabbccddeeff", false, func(r *row, c *Rows) { c.Text(r.Salt) }),
		field("previous_link", Text, "x and the link of the entry before, of whatever job", "x"+strings.Repeat("ab", 32), true, func(r *row, c *Rows) { c.Text("x" + hex.EncodeToString(r.Before[:])) }),
		field("link", Text, "x and the entry's own link", "x"+strings.Repeat("cd", 32), true, func(r *row, c *Rows) { c.Text("x" + hex.EncodeToString(r.Link[:])) }),
	)
}

// partBytes are the most of an entry that stand in one cell.
const partBytes = 32000

// WriteEntries writes the rows of entries.csv; each calls its argument with one
// entry after the other, oldest first.
func (w *Writer) WriteEntries(each func(func(*Entry) error) error) error {
	table := entries()
	rows, err := w.Table(entriesName)
	if err != nil {
		return err
	}
	err = each(func(e *Entry) error {
		text, texts := e.Text, e.FreeTexts
		if len(texts) > maxCell {
			return fmt.Errorf("entry %d: its texts are longer than a cell", e.Position)
		}
		for number := int64(1); ; number++ {
			end := min(len(text), partBytes)
			for end < len(text) && !utf8.RuneStart(text[end]) {
				end--
			}
			if err := table.Row(rows, &entryPart{e, number, text[:end]}); err != nil {
				return err
			}
			if text = text[end:]; text == "" {
				return nil
			}
		}
	})
	if err != nil {
		return err
	}
	return rows.Close()
}

// checkEntries follows each entry of a job's file from the link before it, and
// holds the job's own against a month's package.
func (v *verifier) checkEntries(run *tableRun) error {
	const id, position, ofJob, entry, before, link = 0, 2, 8, 10, 13, 14
	if run == nil || run.column("entry") != entry || run.column("link") != link || run.column("previous_link") != before || run.column("of_job") != ofJob {
		return nil // a month's package
	}
	v.checked(CheckLedger, "each entry follows from the link before it; no month's package was given")
	limit := int64(-1)
	shown := ""
	if v.opts.Month != nil {
		var err error
		if limit, shown, err = v.jobInMonth(); err != nil {
			return err
		}
	}
	var text bytes.Buffer
	var last []string
	var lastRow int64
	own := sha256.New()
	done := func() {
		if last == nil {
			return
		}
		from, err := hex.DecodeString(strings.TrimPrefix(last[before], "x"))
		sum := sha256.Sum256(append(from, text.Bytes()...))
		if err != nil || "x"+hex.EncodeToString(sum[:]) != last[link] {
			v.fault(CheckLedger, run.file(), lastRow, "link", "does not follow from previous_link and entry")
		}
		if at, err := strconv.ParseInt(last[position], 10, 64); err == nil && last[ofJob] == "true" && at <= limit {
			_, _ = own.Write(sum[:])
		}
	}
	err := v.eachRow(run.layout, func(row int64, cells []string) {
		if last == nil || cells[id] != last[id] {
			done()
			text.Reset()
		}
		text.WriteString(Unguard(cells[entry]))
		last, lastRow = append(last[:0], cells...), row
	})
	if err != nil {
		return err
	}
	done()
	if v.opts.Month != nil && shown != "" {
		if got := "x" + hex.EncodeToString(own.Sum(nil)); got != shown {
			v.fault(CheckLedger, run.file(), 0, "link", "the job's entries up to position %d give %s, the month's package says %s", limit, got, shown)
		} else {
			v.checked(CheckLedger, "each entry follows from the link before it; the job's up to position %d are those of the month's package", limit)
		}
	}
	return nil
}

// jobInMonth is where the month's package was cut, and what it says of the job's
// entries.
func (v *verifier) jobInMonth() (position int64, shown string, err error) {
	month, err := openContainer(v.opts.Month, v.opts.MonthSize, v.opts.MaxBytes)
	if err != nil {
		return 0, "", err
	}
	text, err := month.read(bagInfoName)
	if err != nil {
		return 0, "", err
	}
	head, _, err := parseBagInfo(text)
	if err != nil {
		return 0, "", unreadable("the month's package: %v", err)
	}
	err = Read(io.NewSectionReader(v.opts.Month, 0, v.opts.MonthSize), v.opts.MonthSize, "jobs", []string{"job_id", "entries_sha256"}, func(cells []string) error {
		if cells[0] == v.head.Job {
			shown = cells[1]
		}
		return nil
	})
	if err == nil && shown == "" {
		v.fault(CheckLedger, bagInfoName, 0, "", "the month's package %s shows no job %s", head.Name(), v.head.Job)
	}
	return head.Position, shown, err
}
