package pack

import "fmt"

// A Report says of a package what holds and what does not.
type Report struct {
	Holds     bool    `json:"holds"`
	Name      string  `json:"name"`      // as bag-info.txt gives it
	SHA256    string  `json:"sha256"`    // of the whole file
	Signature string  `json:"signature"` // the key's fingerprint, or none
	Checks    []Check `json:"checks"`
}

// A Check is one promise of the package. One that does not hold names file,
// row and column where it can.
type Check struct {
	Name   string `json:"name"`
	Holds  bool   `json:"holds"`
	Detail string `json:"detail,omitempty"`
	File   string `json:"file,omitempty"`
	Row    int64  `json:"row,omitempty"` // as a spreadsheet counts: the header is row 1
	Column string `json:"column,omitempty"`
}

// The checks, in the order of the report.
const (
	CheckBag        = "bag"         // bagit.txt, bag-info.txt and the names
	CheckFiles      = "files"       // nothing missing, nothing that no list names
	CheckDigests    = "digests"     // SHA-256 of every file
	CheckSignature  = "signature"   //
	CheckDescriptor = "descriptor"  // datapackage.json describes the files
	CheckSchema     = "schema"      // dialect, type and constraints of every cell
	CheckPrimaryKey = "primary_key" // no key twice
	CheckForeignKey = "foreign_key" // every reference leads somewhere
	CheckControl    = "control"     // rows, sums and hashes as control.csv says
	CheckCumulative = "cumulative"  // every line of the reconciliation adds up
	CheckPrevious   = "previous"    // and begins where the month before ended
	CheckLedger     = "ledger"      // of a job's file: its entries follow from the links before them, and are those of a month's package
	CheckReadme     = "readme"      // every figure of README.txt repeats the cell that it names
)

// maxFaults that one check lists: a wholly different file needs no more.
const maxFaults = 50

// A ledger of faults by check.
type findings struct {
	order []string
	about map[string]string // what was checked, said when it holds
	bad   map[string][]Check
	more  map[string]int
}

func newFindings() *findings {
	return &findings{about: map[string]string{}, bad: map[string][]Check{}, more: map[string]int{}}
}

// checked says that a check was made, and of what.
func (f *findings) checked(name, format string, args ...any) {
	if _, ok := f.about[name]; !ok {
		f.order = append(f.order, name)
	}
	f.about[name] = fmt.Sprintf(format, args...)
}

func (f *findings) fault(name, file string, row int64, column, format string, args ...any) {
	f.add(Check{Name: name, Detail: fmt.Sprintf(format, args...), File: file, Row: row, Column: column})
}

func (f *findings) add(c Check) {
	name := c.Name
	if _, ok := f.about[name]; !ok {
		f.checked(name, "")
	}
	if len(f.bad[name]) == maxFaults {
		f.more[name]++
		return
	}
	f.bad[name] = append(f.bad[name], c)
}

func (f *findings) report() (checks []Check, holds bool) {
	holds = true
	for _, name := range f.order {
		if len(f.bad[name]) == 0 {
			checks = append(checks, Check{Name: name, Holds: true, Detail: f.about[name]})
			continue
		}
		holds = false
		checks = append(checks, f.bad[name]...)
		if n := f.more[name]; n > 0 {
			checks = append(checks, Check{Name: name, Detail: fmt.Sprintf("and %d more", n)})
		}
	}
	return checks, holds
}

// Text is the report for a terminal, one line a check.
func (r Report) Text() string {
	s := r.Name + ": holds\n"
	if !r.Holds {
		s = r.Name + ": DOES NOT HOLD\n"
	}
	for _, c := range r.Checks {
		mark := "ok  "
		if !c.Holds {
			mark = "FAIL"
		}
		s += mark + " " + c.Name + ": "
		if c.File != "" {
			s += c.File
			if c.Row > 0 {
				s += fmt.Sprintf(" row %d", c.Row)
			}
			if c.Column != "" {
				s += " column " + c.Column
			}
			s += ": "
		}
		s += c.Detail + "\n"
	}
	return s
}
