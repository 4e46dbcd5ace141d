package pack

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// A Head says what a package is: whose, of which month, and as of when.
type Head struct {
	Program          string         // the program's code: letters, digits, dashes
	Organization     string         // who sends it
	Contact          string         // whom to ask
	Month            string         // 2026-10, in TimeZone, half-open
	Fund             string         // whose jobs and money alone it holds, a word of the program's; empty: all
	Job              string         // J and its id: the file of one job; empty: a month's
	JobNumber        int64          // that people tell each other
	TimeZone         string         // IANA name
	Zone             *time.Location // TimeZone, for what people read; nil: UTC, and said
	Revision         int            // 1, 2, …; a fix is a new revision
	Demo             bool           // invented data
	Unfinished       bool           // the month had not ended
	AsOf             time.Time      // when Position was recorded
	Position         int64          // last ledger entry that counts
	LedgerHead       string         // chain link of that entry: 64 hexadecimal digits
	PreviousPosition int64          // position of the package of the month before; 0 when there is none
	PreviousSHA256   string         // of that package's file; empty when there is none
	SupersedesSHA256 string         // of the revision before; empty for revision 1
	SchemaVersion    string         // of the tables: 1.0.0
	BuildID          string         // of the program that wrote it
}

// Name is the file's name without .zip, and the folder inside:
// PROGRAM_2026-10_r1, PROGRAM_2026-10_FUND_r1 of one fund, PROGRAM_2026-10_job-1042
// of one job, with _DEMO for invented data. A dash stands for the underscore of a
// fund's word, since that parts the name.
func (h Head) Name() string {
	name := h.Program + "_" + h.Month
	if h.Fund != "" {
		name += "_" + strings.ReplaceAll(h.Fund, "_", "-")
	}
	if h.Job != "" {
		name += "_job-" + itoa(h.JobNumber)
	} else {
		name += "_r" + strconv.Itoa(h.Revision)
	}
	if h.Demo {
		name += "_DEMO"
	}
	return name
}

// asOf is the moment by the clock that people of the program read.
func (h Head) asOf() time.Time {
	if h.Zone == nil {
		return h.AsOf.UTC()
	}
	return h.AsOf.In(h.Zone)
}

// clock names that clock.
func (h Head) clock() string {
	if h.Zone == nil {
		return "UTC"
	}
	return h.TimeZone
}

// FileName is Name with its ending.
func (h Head) FileName() string { return h.Name() + ".zip" }

var (
	programForm = regexp.MustCompile(`^[A-Za-z0-9-]{1,40}$`)
	sha256Form  = regexp.MustCompile(`^[0-9a-f]{64}$`)
	fundForm    = regexp.MustCompile(`^[a-z][a-z0-9_]{0,59}$`)
	jobForm     = regexp.MustCompile(`^J[0-9a-f-]{36}$`)
	versionForm = regexp.MustCompile(`^[0-9]{1,6}\.[0-9]{1,6}\.[0-9]{1,6}$`)
)

// check reports everything in the head that cannot be.
func (h Head) check() error {
	var errs []error
	need := func(ok bool, format string, args ...any) {
		if !ok {
			errs = append(errs, fmt.Errorf(format, args...))
		}
	}
	_, badMonth := month(h.Month)
	need(programForm.MatchString(h.Program), "program %q: 1 to 40 letters, digits and dashes are expected", h.Program)
	need(badMonth == "", "month %q: 2026-10 is the form", h.Month)
	need(h.Fund == "" || fundForm.MatchString(h.Fund), "fund %q: 1 to 60 small letters, digits and underscores are expected", h.Fund)
	need(h.Job == "" && h.JobNumber == 0 || jobForm.MatchString(h.Job) && h.JobNumber > 0, "job %q, number %d: J and an id are expected, and a number", h.Job, h.JobNumber)
	need(h.Revision >= 1 && h.Revision <= 9999, "revision %d: 1 to 9999 are possible", h.Revision)
	need(h.Position >= 0, "position %d: it cannot be negative", h.Position)
	need(h.PreviousPosition >= 0 && h.PreviousPosition <= h.Position, "previous position %d: 0 to %d are possible", h.PreviousPosition, h.Position)
	need(sha256Form.MatchString(h.LedgerHead), "ledger head %q: 64 lower-case hexadecimal digits are expected", h.LedgerHead)
	need(h.PreviousSHA256 == "" || sha256Form.MatchString(h.PreviousSHA256), "previous package %q: 64 lower-case hexadecimal digits are expected", h.PreviousSHA256)
	need(h.SupersedesSHA256 == "" || sha256Form.MatchString(h.SupersedesSHA256), "superseded package %q: 64 lower-case hexadecimal digits are expected", h.SupersedesSHA256)
	need((h.Revision == 1) == (h.SupersedesSHA256 == ""), "revision %d: the first supersedes nothing, every other names what it supersedes", h.Revision)
	need(versionForm.MatchString(h.SchemaVersion), "schema version %q: 1.0.0 is the form", h.SchemaVersion)
	need(h.AsOf.Year() >= 1980 && h.AsOf.Year() <= 2107, "as-of %s: a zip holds years 1980 to 2107", h.AsOf.Format(time.RFC3339))
	for _, s := range []struct{ what, text string }{{"organization", h.Organization}, {"contact", h.Contact}, {"time zone", h.TimeZone}, {"build id", h.BuildID}} {
		need(s.text != "" && oneLine(s.text), "%s %q: one line of 1 to 200 bytes of text is expected", s.what, s.text)
	}
	return errors.Join(errs...)
}

func oneLine(s string) bool {
	return len(s) <= 200 && s == strings.TrimSpace(s) && strings.ToValidUTF8(s, "") == s &&
		!strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f || r == '\u2028' || r == '\u2029' })
}

// asOfForm has six decimals, as every time that the ledger stamps.
const asOfForm = "2006-01-02T15:04:05.000000Z"

// counts are what is known of a package only when all rows are written.
type counts struct {
	octets, streams int64 // of the payload
	changed         int64 // text cells with a guard
	signer          string
}

// bagInfo writes bag-info.txt. The labels with a dash in their middle that
// RFC 8493 reserves come first.
func (h Head) bagInfo(c counts) []byte {
	var b strings.Builder
	line := func(label, value string) {
		if value != "" {
			b.WriteString(label + ": " + value + "\n")
		}
	}
	line("Source-Organization", h.Organization)
	line("Contact-Name", h.Contact)
	line("External-Identifier", h.Name())
	line("Bagging-Date", h.AsOf.UTC().Format(time.DateOnly))
	line("Payload-Oxum", itoa(c.octets)+"."+itoa(c.streams))
	line("Program", h.Program)
	line("Month", h.Month)
	line("Fund-Source", h.Fund)
	line("Job", h.Job)
	if h.Job != "" {
		line("Job-Number", itoa(h.JobNumber))
	}
	line("Time-Zone", h.TimeZone)
	line("Month-Finished", strconv.FormatBool(!h.Unfinished))
	line("Revision", strconv.Itoa(h.Revision))
	line("Demo", strconv.FormatBool(h.Demo))
	line("As-Of", h.AsOf.UTC().Format(asOfForm))
	line("Position", itoa(h.Position))
	line("Ledger-Head", h.LedgerHead)
	line("Previous-Position", itoa(h.PreviousPosition))
	line("Previous-SHA256", h.PreviousSHA256)
	line("Supersedes-SHA256", h.SupersedesSHA256)
	line("Schema-Version", h.SchemaVersion)
	line("Build-Id", h.BuildID)
	line("Changed-Cells", itoa(c.changed))
	line("Signature", c.signer)
	return []byte(b.String())
}

// labels are the values of bag-info.txt by their label.
func labels(text []byte) map[string]string {
	m := map[string]string{}
	for line := range strings.Lines(string(text)) {
		label, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), ": ")
		m[label] = value
	}
	return m
}

// parseBagInfo reads what bagInfo wrote; the errors are for the reader of a
// file that somebody changed.
func parseBagInfo(text []byte) (h Head, c counts, err error) {
	m := labels(text)
	var errs []error
	whole := func(label string) int64 {
		v, err := strconv.ParseInt(m[label], 10, 64)
		if err != nil {
			errs = append(errs, fmt.Errorf("%s %q is not a whole number", label, m[label]))
		}
		return v
	}
	h = Head{
		Program: m["Program"], Organization: m["Source-Organization"], Contact: m["Contact-Name"], Month: m["Month"], Fund: m["Fund-Source"],
		TimeZone: m["Time-Zone"], Revision: int(whole("Revision")), Demo: m["Demo"] == "true", Unfinished: m["Month-Finished"] == "false",
		Position: whole("Position"), LedgerHead: m["Ledger-Head"], PreviousPosition: whole("Previous-Position"),
		PreviousSHA256: m["Previous-SHA256"], SupersedesSHA256: m["Supersedes-SHA256"],
		SchemaVersion: m["Schema-Version"], BuildID: m["Build-Id"],
	}
	if h.Job = m["Job"]; h.Job != "" {
		h.JobNumber = whole("Job-Number")
	}
	c.changed, c.signer = whole("Changed-Cells"), m["Signature"]
	if h.AsOf, err = time.Parse(asOfForm, m["As-Of"]); err != nil {
		errs = append(errs, fmt.Errorf("As-Of %q is not a time in UTC with six decimals", m["As-Of"]))
	}
	if _, err := fmt.Sscanf(m["Payload-Oxum"], "%d.%d", &c.octets, &c.streams); err != nil {
		errs = append(errs, fmt.Errorf("Payload-Oxum %q is not octets, a point and files", m["Payload-Oxum"]))
	}
	if len(errs) == 0 {
		errs = append(errs, h.check())
	}
	if err = errors.Join(errs...); err == nil && string(h.bagInfo(c)) != string(text) {
		err = errors.New("has labels or an order that the writer does not use")
	}
	return h, c, err
}
