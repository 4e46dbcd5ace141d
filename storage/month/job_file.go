package month

import (
	"bytes"
	"context"
	"encoding/hex"
	"fmt"
	"io"
	"time"

	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/domain/month"
	"ductledger/domain/pack"
	"ductledger/domain/rules"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
)

// JobFileOptions are what goes into the file of a job besides.
type JobFileOptions struct {
	Options
	Texts bool // what people wrote
	// Picture gives a picture that may be shown, with the name of its file; nil
	// leaves all out. It is asked with no transaction open.
	Picture func(context.Context, domain.UUID) (name string, open func(context.Context) (io.ReadCloser, error), err error)
}

// JobFile is a file of a job that was written.
type JobFile struct {
	Name     string
	Written  pack.Written
	Position int64
}

type jobFileRow struct {
	Number        int64
	HomeID        [16]byte
	AcceptedMonth *string
	FundSource    *string
}

const jobFileSQL = `
SELECT j.number, j.home_id, f.accepted_month, f.fund_source
FROM job AS j
LEFT JOIN LATERAL (SELECT r.accepted_month, r.fund_source FROM job_result AS r
    WHERE r.program_id = j.program_id AND r.job_id = j.id AND r.accepted_position IS NOT NULL ORDER BY r.serial LIMIT 1) AS f ON true
WHERE j.program_id = @program_id AND j.id = @job`

// WriteJobFile writes all that is recorded of a job, as a package that verifies
// itself and can be held against those of the job's month. What is in the
// database is read from one snapshot; pictures follow.
func WriteJobFile(ctx context.Context, db *storage.DB, caller domain.Caller, job domain.UUID, out io.Writer, o JobFileOptions) (f JobFile, err error) {
	w := &jobFile{job: job, texts: o.Texts}
	err = db.In(ctx, caller.Program, storage.Snapshot, func(t *storage.Tx) error { return w.read(t, caller, o) })
	if err != nil {
		return f, err
	}
	if o.Picture != nil {
		for i := range w.photos {
			if err := w.picture(ctx, &w.photos[i], o); err != nil {
				return f, err
			}
		}
	}
	if err := w.write(ctx, out, o); err != nil {
		return f, err
	}
	f = JobFile{Name: w.head.FileName(), Position: w.plan.Position}
	f.Written, err = w.pack.Close()
	return f, err
}

// jobFile is what is gathered of one job; nothing of it grows with the program.
type jobFile struct {
	reader
	job     domain.UUID
	texts   bool
	head    pack.Head
	pack    *pack.Writer
	history *month.History

	rows        []month.JobRow
	payments    []month.PaymentRow
	readings    []month.ReadingRow
	photos      []month.FilePhoto
	pictures    []openPicture
	findings    []month.FileFinding
	corrections []month.Correction
	reported    []month.ReportedIn
	entries     []pack.Entry
}

type openPicture struct {
	name string
	open func(context.Context) (io.ReadCloser, error)
}

func (w *jobFile) read(t *storage.Tx, caller domain.Caller, o JobFileOptions) error {
	*w = jobFile{job: w.job, texts: w.texts} // a transaction that lost a race begins again
	w.t = t
	visible := false
	var row *jobFileRow
	var head *storage.Head
	t.QueueVisible(&visible, caller, domain.JobKind, w.job)
	storage.One(t, &row, jobFileSQL, storage.Args{"program_id": t.Program, "job": w.job})
	t.QueueHead(&head)
	if err := t.Flush(); err != nil {
		return err
	}
	if !visible || row == nil {
		return storage.NotFound(domain.JobKind)
	}
	if err := w.open(row, head); err != nil {
		return err
	}
	w.head = w.plan.head(o.BuildID)
	w.head.Fund, w.head.Job, w.head.JobNumber = "", month.JobRef(w.job), row.Number
	for _, step := range []func() error{w.readHistory, w.readJob, w.readMeasurements, w.readPhotos, w.readFindings, w.readReported, func() error { return w.readEntries(row.HomeID) }} {
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}

// open plans the file as the package of the job's month would be at the head; of
// a job that is not accepted, of this month.
func (w *jobFile) open(row *jobFileRow, head *storage.Head) (err error) {
	p := &Plan{Range: month.Range{Position: head.Position}, AsOf: head.RecordedAt, Link: head.Link, Epoch: head.Epoch, Revision: 1}
	w.plan = p
	if p.Program, err = w.t.Settings(); err != nil {
		return err
	}
	if p.Zone, err = p.Program.Zone(); err != nil {
		return err
	}
	today := domain.MonthOf(w.t.Now, p.Zone)
	if p.Month = today; row.AcceptedMonth != nil {
		p.Month = domain.Month(*row.AcceptedMonth)
	}
	p.Finished = p.Month < today
	if p.Funds, err = fundsAt(w.t, p.Month); err != nil {
		return err
	}
	if err := w.reader.open(); err != nil {
		return err
	}
	w.args["job"], w.args["digests"] = w.job, true
	return nil
}

const jobFileHistorySQL = monthAcceptancesSQL + `
    AND r.job_id = @job` + monthHistoryOrderSQL

// readHistory reads what stood when, and what moved.
func (w *jobFile) readHistory() error {
	return w.eachHistory(jobFileHistorySQL, func(h *month.History) error {
		kept := *h
		w.history = &kept
		return h.Corrections(&w.plan.Range, func(c *month.Correction) error {
			c.ReportedIn = domain.MonthOf(c.At, w.plan.Zone)
			w.corrections = append(w.corrections, *c)
			return nil
		})
	})
}

const jobFileJobSQL = monthStandingJobsSQL + `
    AND r.job_id = @job` + monthJobsOrderSQL

func (w *jobFile) readJob() error {
	return w.eachJob(jobFileJobSQL, func(j *month.AcceptedJob, work *month.Work) error {
		row, accepted := *work, *j
		w.rows = append(w.rows, month.JobRow{AcceptedJob: &accepted, Work: &row, Contractor: month.ContractorRef(j.ContractorID), CountedAs: month.CountedNew, AcceptedOn: domain.DateOf(j.AcceptedAt, w.plan.Zone)})
		for i := range work.Pay.Lines {
			line := work.Pay.Lines[i]
			w.payments = append(w.payments, month.PaymentRow{JobID: w.job, Number: int64(i + 1), Contractor: month.ContractorRef(j.ContractorID), PayLine: &line})
		}
		return nil
	})
}

const jobFileReadingsSQL = `
SELECT r.job_id, m.measurement_id, m.left_out, l.voided_at IS NOT NULL AS void, l.body` + monthMeasuredSQL + `
    AND r.job_id = @job
ORDER BY m.measurement_id`

func (w *jobFile) readMeasurements() error {
	return storage.Each(w.t, jobFileReadingsSQL, w.args, func(r *monthMeasurementRow) error {
		record, err := domain.Decode(domain.MeasurementKind, []byte(r.Body))
		if err != nil {
			return fmt.Errorf("measurement %s: %w", domain.UUID(r.MeasurementID), err)
		}
		m := record.(*domain.Measurement)
		for i := range m.Readings {
			w.readings = append(w.readings, month.ReadingRow{MeasurementID: r.MeasurementID, JobID: r.JobID, Number: int64(i + 1), Measurement: m, Reading: &m.Readings[i], LeftOut: r.LeftOut, Void: r.Void})
		}
		return nil
	})
}

type jobFilePhotoRow struct {
	PhotoID [16]byte
	Body    string
	Void    bool
	State   string
}

const jobFilePhotosSQL = `
SELECT e.record_id AS photo_id, e.body, e.voided_at IS NOT NULL AS void, p.state
FROM entry AS e
JOIN picture AS p ON p.program_id = e.program_id AND p.photo_id = e.record_id
WHERE e.program_id = @program_id AND e.job_id = @job AND e.kind = 'photo' AND e.until_position IS NULL
ORDER BY e.record_id`

func (w *jobFile) readPhotos() error {
	return storage.Each(w.t, jobFilePhotosSQL, w.args, func(r *jobFilePhotoRow) error {
		record, err := domain.Decode(domain.PhotoKind, []byte(r.Body))
		if err != nil {
			return fmt.Errorf("photo %s: %w", domain.UUID(r.PhotoID), err)
		}
		w.photos = append(w.photos, month.FilePhoto{PhotoID: r.PhotoID, Photo: record.(*domain.Photo), Void: r.Void, State: domain.BytesState(r.State)})
		return nil
	})
}

type jobFileVerdictRow struct {
	AcceptedPosition int64
	Verdict          string
}

const jobFileVerdictsSQL = `
SELECT r.accepted_position, r.verdict
FROM job_result AS r
WHERE r.program_id = @program_id AND r.job_id = @job AND r.accepted_position IS NOT NULL
ORDER BY r.serial`

// readFindings takes what each acceptance froze, and of a job that is not
// accepted what the rules find now.
func (w *jobFile) readFindings() error {
	add := func(position int64, v *rules.Verdict) {
		for i := range v.Findings {
			f := &v.Findings[i]
			w.findings = append(w.findings, month.FileFinding{Number: int64(len(w.findings) + 1), Accepted: position, Rule: f.Rule, Outcome: string(f.Outcome),
				Severity: string(f.Severity), Cure: string(f.Cure), Detail: f.Detail, Subjects: f.Subjects})
		}
	}
	err := storage.Each(w.t, jobFileVerdictsSQL, w.args, func(r *jobFileVerdictRow) error {
		var v rules.Verdict
		if err := json.Unmarshal([]byte(r.Verdict), &v); err != nil {
			return fmt.Errorf("verdict at position %d: %w", r.AcceptedPosition, err)
		}
		add(r.AcceptedPosition, &v)
		return nil
	})
	if err != nil || len(w.rows) > 0 {
		return err
	}
	judged, err := w.t.JudgeStored(w.job)
	if err == nil {
		add(0, &judged.Verdict)
	}
	return err
}

type jobFilePackageRow struct {
	Month      string
	FundSource string
	State      string
	Position   int64
	SHA256     []byte `db:"sha256"`
	FileName   string
	ReleasedAt time.Time
	Entries    []byte
}

const jobFilePackagesSQL = `
SELECT p.month, p.fund_source, p.state, p.position, p.sha256, p.file_name, p.released_at,
    (SELECT` + entriesDigestSQL + ` FROM entry AS l WHERE l.program_id = p.program_id AND l.job_id = @job AND l.position <= p.position) AS entries
FROM month_package AS p
WHERE p.program_id = @program_id AND p.month = @month AND p.released_at IS NOT NULL
ORDER BY p.released_at, p.fund_source, p.revision`

func (w *jobFile) readReported() error {
	return storage.Each(w.t, jobFilePackagesSQL, w.args, func(r *jobFilePackageRow) error {
		if r.Entries == nil { // cut before the job was there
			return nil
		}
		w.reported = append(w.reported, month.ReportedIn{Name: r.FileName, Month: domain.Month(r.Month), Fund: r.FundSource, State: r.State, Position: r.Position,
			SHA256: hex.EncodeToString(r.SHA256), ReleasedAt: r.ReleasedAt, Entries: r.Entries})
		return nil
	})
}

type jobFileEntryRow struct {
	storage.EntryRow
	Link   []byte
	Before []byte
	Person *string
}

// The job's own entries and its home's, all versions; of what stands outside,
// the versions that it was judged by, and the rules themselves.
const jobFilePositionsSQL = `
SELECT l.position FROM entry AS l WHERE l.program_id = @program_id AND l.job_id = @job AND l.position <= @position
UNION SELECT h.position FROM entry AS h WHERE h.program_id = @program_id AND h.kind = 'home' AND h.record_id = @home_id AND h.position <= @position
UNION SELECT x.position::bigint FROM job_result AS r CROSS JOIN LATERAL jsonb_array_elements_text(r.inputs::jsonb -> 'outside') AS x(position)
    WHERE r.program_id = @program_id AND r.job_id = @job
UNION SELECT s.position FROM job_result AS r JOIN entry AS s ON s.program_id = r.program_id AND s.kind = 'rule_set' AND s.record_id = r.rule_set_id AND s.position <= @position
    WHERE r.program_id = @program_id AND r.job_id = @job`

const jobFileEntriesSQL = `
SELECT` + storage.EntryColumns + `, e.link, coalesce((SELECT b.link FROM entry AS b WHERE b.program_id = e.program_id AND b.position = e.position - 1), decode(repeat('00', 32), 'hex')) AS before,
    (SELECT n.name FROM person AS n WHERE n.program_id = e.program_id AND n.person_id = e.person_id) AS person
FROM entry AS e
WHERE e.program_id = @program_id AND e.position = ANY (@positions)
ORDER BY e.position`

func (w *jobFile) readEntries(home [16]byte) error {
	w.args["home_id"] = home
	var positions []int64
	err := storage.Each(w.t, jobFilePositionsSQL, w.args, func(r *struct{ Position int64 }) error {
		positions = append(positions, r.Position)
		return nil
	})
	if err != nil {
		return err
	}
	w.args["positions"] = positions
	return storage.Each(w.t, jobFileEntriesSQL, w.args, func(r *jobFileEntryRow) error {
		e, err := r.Entry(false)
		if err != nil {
			return err
		}
		held := ledger.Bare(e, []byte(r.Body))
		out := pack.Entry{Position: e.Position, Kind: string(e.Kind), ID: e.ID.String(), Version: e.Version, RecordedAt: e.RecordedAt, Person: storage.OrZero(r.Person),
			OfJob: e.JobID == w.job, Void: e.Void != nil, Text: string(ledger.AppendEntry(nil, &held)), Before: [32]byte(r.Before), Link: [32]byte(r.Link)}
		if w.texts && len(r.Texts) > 0 {
			texts, err := json.Marshal(r.Texts[1:])
			if err == nil {
				texts, err = ledger.Canonical(texts)
			}
			if err != nil {
				return err
			}
			out.FreeTexts, out.Salt = string(texts), "x"+r.Texts[0]
		}
		w.entries = append(w.entries, out)
		return nil
	})
}

// picture opens the picture of a photo; one that cannot be shown is left out.
func (w *jobFile) picture(ctx context.Context, p *month.FilePhoto, o JobFileOptions) error {
	if p.State != domain.BytesStored || p.Void {
		return nil
	}
	name, open, err := o.Picture(ctx, p.PhotoID)
	if domain.CodeOf(err) == domain.NotFound || err == nil && name == "" {
		return nil
	}
	if err != nil {
		return err
	}
	p.File = "view/" + name
	w.pictures = append(w.pictures, openPicture{name, open})
	return nil
}

func (w *jobFile) write(ctx context.Context, out io.Writer, o JobFileOptions) (err error) {
	w.pack, err = pack.NewWriter(out, w.head, month.JobFileTables(), pack.WriterOptions{Key: o.Key, Notes: month.JobFileNotes})
	if err != nil {
		return err
	}
	measures, err := w.measures()
	if err != nil {
		return err
	}
	for _, step := range []func() error{
		func() error { return fileRows(w, month.JobOfFile(), w.rows) },
		func() error { return fileRows(w, month.MeasurementsOfFile(), w.readings) },
		func() error { return fileRows(w, month.PhotosOfFile(), w.photos) },
		func() error { return fileRows(w, month.FindingsOfFile(), w.findings) },
		func() error { return fileRows(w, month.PaymentsOfFile(), w.payments) },
		func() error { return fileRows(w, month.Corrections(), w.corrections) },
		func() error { return fileRows(w, month.Reported(), w.reported) },
		w.writeEntries,
		func() error { return fileRows(w, pack.Reconciliation(), measures) },
		func() error { return fileRows(w, month.CodesUsed(), month.Codes()) },
		func() error { return fileRows(w, month.LedgerAt(), ledgerFacts(w.plan)) },
	} {
		if err := step(); err != nil {
			return err
		}
	}
	for _, p := range w.pictures {
		if err := w.writePicture(ctx, p); err != nil {
			return err
		}
	}
	return nil
}

// measures are what the job adds to the program's figures, as it stands.
func (w *jobFile) measures() ([]pack.ReconciliationRow, error) {
	var stands month.Sums
	if w.history != nil {
		stands = w.history.SumsAt(w.plan.Position)
	}
	return month.Reconcile(month.Sums{}, month.Movement{New: stands}, stands)
}

func (w *jobFile) writeEntries() error {
	return w.pack.WriteEntries(func(row func(*pack.Entry) error) error {
		for i := range w.entries {
			if err := row(&w.entries[i]); err != nil {
				return err
			}
		}
		return nil
	})
}

// writePicture puts one picture into the file, at most one in memory.
func (w *jobFile) writePicture(ctx context.Context, p openPicture) error {
	file, err := p.open(ctx)
	if err != nil {
		return err
	}
	var all bytes.Buffer
	_, err = all.ReadFrom(file)
	if closing := file.Close(); err == nil {
		err = closing
	}
	if err != nil {
		return err
	}
	return w.pack.View(p.name, &all)
}

func fileRows[R any](w *jobFile, table pack.TableOf[R], rows []R) error {
	out, err := w.pack.Table(table.Name)
	if err != nil {
		return err
	}
	for i := range rows {
		if err := table.Row(out, &rows[i]); err != nil {
			return err
		}
	}
	return out.Close()
}

// NoteJobFile writes into the audit who takes the file of a job, and what of it.
func NoteJobFile(ctx context.Context, db *storage.DB, caller domain.Caller, job domain.UUID, what string) error {
	return db.In(ctx, caller.Program, storage.Writing, func(t *storage.Tx) error {
		return t.Audit(caller, "job_file_taken", job, what)
	})
}
