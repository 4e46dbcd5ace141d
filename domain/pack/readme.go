package pack

import (
	"fmt"
	"strings"
	"time"
)

// readme is the one page for whoever opens the folder without us.
func readme(h Head, tables []Table, rows map[string]int64, c counts, notes, figures string, views []string) []byte {
	var b strings.Builder
	p := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	p("%s", h.Name())
	p("%s\n", strings.Repeat("=", len(h.Name())))
	p("%s, program %s: %s, revision %d.", h.Organization, h.Program, h.Month, h.Revision)
	if h.Job != "" {
		p("It holds one job alone, number %d, with all that is recorded of it.", h.JobNumber)
	}
	if h.Fund != "" {
		p("It holds the jobs and the money of %s alone.", h.Fund)
	}
	p("The month runs from its first day 00:00 to the next month's, in %s.", h.TimeZone)
	p("As of %s by the clock of %s, entry %d of the program's ledger.", h.asOf().Format(time.DateTime), h.clock(), h.Position)
	if h.Demo {
		p("\nTHE DATA IS INVENTED. This package demonstrates the form only.")
	}
	if h.Unfinished {
		p("\nThe month had not ended: figures will change, and this package cannot be released.")
	}
	if h.SupersedesSHA256 != "" {
		p("\nIt replaces the file with SHA-256\n  %s", h.SupersedesSHA256)
	}
	p("\nQuestions: %s\n", h.Contact)

	p("What is inside")
	for _, t := range tables {
		p("  %-26s  %s, %d rows", "data/"+t.file(), t.Title, rows[t.Name])
	}
	p("  %-26s  types, units and meaning of every column", descriptorName)
	for _, v := range views {
		p("  %-26s  for reading and looking at", v)
	}
	if figures != "" {
		p("\nFigures, each with the file, row and column that it repeats\n%s", strings.TrimSuffix(figures, "\n"))
	}
	p(`
How to read it
  Comma-separated, UTF-8, point as decimal sign, dates as 2026-10-31. An empty
  cell means not known; it never means zero. Units stand at the end of column
  names: _cfm25 is cubic feet per minute at 25 Pa, _cents is US cents.
  A text that begins like a spreadsheet formula has one apostrophe in front;
  take that one away to get the text as it was. %d cells have one.`, c.changed)
	if notes != "" {
		p("\n%s", strings.TrimSpace(notes))
	}
	p(`
How to check it
  In this folder:  sha256sum -c manifest-sha256.txt
                   sha256sum -c tagmanifest-sha256.txt
  data/control.csv holds rows, sums and hashes of every column. Each line of
  data/reconciliation.csv adds up: previous_cumulative + new + late +
  corrections_net - voided = cumulative.`)
	if h.Job == "" {
		p(`  previous_cumulative is the cumulative of the month before.`)
	} else {
		p(`  In data/entries.csv each link is SHA-256 of previous_link followed by entry.
  SHA-256 over the links of the job's own entries, oldest first, up to the
  position of a month's package, is entries_sha256 of that package's jobs.csv.`)
	}
	if c.signer == unsigned {
		p("\nThis package is not signed.")
	} else {
		p(`
Signed with %s:
  ssh-keygen -Y verify -f ALLOWED_SIGNERS -I NAME -n %s \
    -s tagmanifest-sha256.txt.sig < tagmanifest-sha256.txt
Ask the sender for the key by another way than this file.`, c.signer, SignatureNamespace)
	}
	return []byte(b.String())
}
