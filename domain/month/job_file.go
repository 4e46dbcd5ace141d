package month

import (
	"strings"
	"time"

	"ductledger/domain"
	"ductledger/domain/pack"
)

// Names of the tables that only the file of a job has.
const (
	findingsTable = "findings"
	photosTable   = "photos"
	reportedTable = "reported"
)

// JobFileTables describes the file of one job, in the order of writing: those of
// the month's package that tell of a job, and what an auditor asks for besides.
func JobFileTables() []pack.Table {
	return []pack.Table{JobOfFile().Table, MeasurementsOfFile().Table, PhotosOfFile().Table, FindingsOfFile().Table, PaymentsOfFile().Table,
		Corrections().Table, Reported().Table, pack.EntriesTable(), pack.ReconciliationTable(), CodesUsed().Table, LedgerAt().Table}
}

// JobOfFile, MeasurementsOfFile and PaymentsOfFile are tables of the month's
// package: the rows are the same, what they refer to besides is not there.
func JobOfFile() pack.TableOf[JobRow] {
	t := Jobs()
	t.ForeignKeys, t.Title = nil, "The job, as it stands"
	t.Description = "The row that the package of the month has of the job, as it stands at this file's position; none while it is not accepted."
	return t
}

func MeasurementsOfFile() pack.TableOf[ReadingRow] { return Measurements() }

func PaymentsOfFile() pack.TableOf[PaymentRow] {
	t := Payments()
	t.ForeignKeys = []pack.ForeignKey{{Columns: []string{"job_id"}, Table: JobsTable}}
	return t
}

// A FilePhoto is a photo of the job, and where its picture stands.
type FilePhoto struct {
	PhotoID domain.UUID
	Photo   *domain.Photo
	Void    bool
	State   domain.BytesState
	File    string // in this file; empty where it is left out
}

func PhotosOfFile() pack.TableOf[FilePhoto] {
	type R = FilePhoto
	return pack.Define(pack.Table{
		Name: photosTable, Title: "Photos of the job",
		Description: "One row for each photo as it stands. picture_sha256 is of the picture as it was taken; what stands in this file was encoded anew, turned upright, with nothing but its pixels.",
		PrimaryKey:  []string{"photo_id"},
	},
		field("photo_id", pack.ID, "", photoLetter+exampleID, "The photo: P and its id",
			text(func(p *R) string { return PhotoRef(p.PhotoID) })),
		field("stage", pack.Code, "", "after", "When in the work it was taken",
			text(func(p *R) string { return string(p.Photo.Stage) }), required, oneOf("photo_stage")),
		field("taken_at", pack.DateTime, "", "2026-10-14T14:22:00-07:00", "By the device's clock, as it was sent",
			text(func(p *R) string { return p.Photo.TakenAt.Format(time.RFC3339Nano) }), required),
		field("subjects", pack.Text, "", "trunk_end x01982f3a-1b2c-7d3e-8f40-5a6b7c8d9e0f", "What it shows: kind and record_id in entries.csv, with spaces between",
			text((*R).subjects)),
		field("voided", pack.Boolean, "", "false", "It was voided",
			truth(func(p *R) bool { return p.Void }), required),
		field("bytes_count", pack.Integer, "bytes", "2473112", "Size of the picture as it was taken",
			integer(func(p *R) int64 { return p.Photo.BytesCount }), notNegative),
		field("picture_sha256", pack.Text, "", "x9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08", "x and the SHA-256 of the picture as it was taken",
			text(func(p *R) string { return "x" + p.Photo.SHA256 }), required),
		field("bytes_state", pack.Text, "", "stored", "Where the picture stands: awaited, partial, refused, stored or erased",
			text(func(p *R) string { return string(p.State) }), required),
		field("file", pack.Text, "", "view/photo-01982f3a-1b2c-7d3e-8f40-5a6b7c8d9e0f.jpg", "The picture in this file; empty where it has not arrived, was erased, cannot be shown or was not asked for",
			text(func(p *R) string { return p.File })),
	)
}

func (p *FilePhoto) subjects() string {
	list := make([]domain.Subject, len(p.Photo.Subjects))
	for i, s := range p.Photo.Subjects {
		list[i] = domain.Subject{Kind: s.Kind, ID: s.ID}
	}
	return subjectsText(list)
}

// subjectsText names records as entries.csv has them.
func subjectsText(list []domain.Subject) string {
	names := make([]string, len(list))
	for i, s := range list {
		names[i] = string(s.Kind) + " x" + s.ID.String()
	}
	return strings.Join(names, " ")
}

// A FileFinding is what a rule found, as it was when the job was accepted, or as
// it stands.
type FileFinding struct {
	Number   int64
	Accepted int64 // place of the acceptance; 0: as the job stands
	Rule     string
	Outcome  string
	Severity string
	Cure     string
	Detail   string
	Subjects []domain.Subject
}

func FindingsOfFile() pack.TableOf[FileFinding] {
	type R = FileFinding
	return pack.Define(pack.Table{
		Name: findingsTable, Title: "What the rules found",
		Description: "One row for each finding of each acceptance, as it was frozen, and of the job as it stands where it is not accepted. A waived finding has none; its waiver stands in entries.csv. No finding does not mean that work or home is without danger.",
		PrimaryKey:  []string{"finding_id"},
	},
		field("finding_id", pack.ID, "", "F1", "F and its place in this table",
			text(func(f *R) string { return "F" + pack.Scaled(f.Number, 0) })),
		field("accepted_position", pack.Integer, "", "4711", "Place in the ledger of the acceptance that froze it; empty where the job is not accepted",
			optional(func(f *R) *int64 {
				if f.Accepted == 0 {
					return nil
				}
				return &f.Accepted
			})),
		field("rule", pack.Text, "", "crossover_collar_screws", "The rule",
			text(func(f *R) string { return f.Rule }), required),
		field("outcome", pack.Text, "", "broken", "broken or not_recorded",
			text(func(f *R) string { return f.Outcome }), required),
		field("severity", pack.Text, "", "check", "must_fix, check or note",
			text(func(f *R) string { return f.Severity }), required),
		field("cure", pack.Text, "", "on_site", "What could put it right",
			text(func(f *R) string { return f.Cure })),
		field("detail", pack.Text, "", "3 fasteners through the tabs at end A; the program wants 4.", "What was found, with values and limits",
			text(func(f *R) string { return f.Detail }), required),
		field("subjects", pack.Text, "", "crossover x01982f3a-1b2c-7d3e-8f40-5a6b7c8d9e0f", "Of what: kind and record_id in entries.csv, with spaces between",
			text(func(f *R) string { return subjectsText(f.Subjects) })),
	)
}

// A ReportedIn is a package of the job's month.
type ReportedIn struct {
	Name       string
	Month      domain.Month
	Fund       string
	State      string
	Position   int64
	SHA256     string
	ReleasedAt time.Time
	Entries    []byte // the links of the job's entries up to there
}

func Reported() pack.TableOf[ReportedIn] {
	type R = ReportedIn
	return pack.Define(pack.Table{
		Name: reportedTable, Title: "Packages that were handed out",
		Description: "Released packages of the job's month, those that a later revision replaced included, each with what its jobs.csv must say of the job's entries if it shows the job.",
		PrimaryKey:  []string{"package_name"},
	},
		field("package_name", pack.Text, "", "NORTH_2026-10_r1", "The package",
			text(func(p *R) string { return p.Name })),
		field("month", pack.Month, "", "2026-10", "Its month",
			text(func(p *R) string { return string(p.Month) }), required),
		field("fund_source", pack.Text, "", "state_fund", "Whose it is; empty where it holds all",
			text(func(p *R) string { return p.Fund })),
		field("state", pack.Text, "", "released", "released or superseded",
			text(func(p *R) string { return p.State }), required),
		field("position", pack.Integer, "", "4711", "Where in the ledger it was cut",
			integer(func(p *R) int64 { return p.Position }), required),
		field("package_sha256", pack.Text, "", "x9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08", "x and the SHA-256 of its file",
			text(func(p *R) string { return "x" + p.SHA256 }), required),
		field("released_at", pack.DateTime, "", "2026-11-04T21:03:11.250000Z", "When it was released, in UTC",
			moment(func(p *R) time.Time { return p.ReleasedAt }), required),
		field("entries_sha256", pack.Text, "", "x9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08", "x and the SHA-256 of the links of the job's own entries up to there",
			text(func(p *R) string { return digestCell(p.Entries) }), required),
	)
}

// JobFileNotes is what README.txt says of the contents.
const JobFileNotes = `What this is
  The file of one job for whoever audits it: what the crew recorded, in all
  versions, what the rules found, who decided what, what was paid, and in which
  packages it was reported. data/jobs.csv has the row of the month's package, as
  it stands at the entry above.
  Measured figures have their uncertainty; they say nothing about the state of
  the home beyond them. Estimates of energy are estimates.
  No resident's name, telephone number or address is recorded in it. People
  wrote the free texts, where they were asked for, and took the pictures: hand
  them on with care.`
