package storage

import (
	"cmp"
	"crypto/sha256"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/rules"

	"github.com/go-json-experiment/json"
)

// ResultRow is a row of job_result; its fields are the columns, and every
// statement about whole rows is made from them.
type ResultRow struct {
	ProgramID         [16]byte
	JobID             [16]byte
	Serial            int32
	HomeID            [16]byte
	ContractorID      [16]byte
	CrewLeadID        *[16]byte
	Class             string
	PayBasis          string
	FundSource        *string // that pays for it, by the rules it was judged by
	State             string
	Outcome           *string
	FloorAreaFt2      *float64
	BeforeTenths      *int64
	AfterTenths       *int64
	Extrapolated      bool
	BelowRange        bool
	MustFixCount      int32
	CheckCount        int32
	NoteCount         int32
	NotRecordedCount  int32
	Excluded          bool
	PicturesOwedCount int32
	AskedCount        *int32
	EnergyMethod      *string
	EnergySavedKwh    *int64
	Result            string
	Verdict           *string
	RuleSetID         *[16]byte
	MethodVersion     string
	Inputs            string
	InputDigest       []byte
	JudgedAtPosition  int64

	// What counts moments on the way: the assignment, the first sending in with
	// the counts of that moment, and since when the job counts.
	AssignedAt            time.Time
	SentInAt              *time.Time
	FirstMustFixCount     *int32
	FirstNotRecordedCount *int32
	ReturnedCount         int32
	CountedAt             *time.Time

	AcceptedPosition *int64
	AcceptedAt       *time.Time
	AcceptedMonth    *string
	WorkedBy         [][16]byte
	Questions        []string
	Measurable       *bool
	StrayCutCount    *int32
	Steps            *string
	Method           *string
	Quality          *string
	Together         *int64
	UntilPosition    *int64
}

// ResultColumns are the columns in the order of the fields.
var ResultColumns = columnsOf[ResultRow]()

var (
	resultInsertSQL = `
INSERT INTO job_result (` + ListOf(ResultColumns, "") + `) VALUES (` + ListOf(ResultColumns, "@") + `)`
	resultUpdateSQL = `
UPDATE job_result SET (` + ListOf(ResultColumns, "") + `) = (` + ListOf(ResultColumns, "@") + `)
WHERE program_id = @program_id AND job_id = @job_id AND serial = @serial`
	resultReadSQL = `
SELECT ` + ListOf(ResultColumns, "r.") + `
FROM job_result AS r WHERE r.program_id = @program_id AND r.job_id = @job_id AND r.serial = @serial`
)

// A frozen result ends where the job is opened again, voided or left by a person's
// decision about statistics; what stood until then can still be asked for.
const resultEndSQL = `
UPDATE job_result SET until_position = @position
WHERE program_id = @program_id AND job_id = @job_id AND serial = @serial AND until_position IS NULL`

// writeResults queues the results of the touched jobs: an open one's row is
// overwritten. A frozen one is left alone: later work is late and moves no figure.
func (t *Tx) writeResults(head *lockedHead, judged []*judgedJob) error {
	for _, j := range judged {
		serial, sql := max(j.touched.serial, 1), resultUpdateSQL
		if j.touched.serial == 0 {
			sql = resultInsertSQL
		}
		accepted := j.job.State == domain.Accepted && !j.void
		if j.touched.standing.Frozen {
			if accepted && !j.corrected && j.excluded() == j.wasExcluded() && j.picturesOwed() == j.touched.standing.PicturesOwedCount {
				continue
			}
			t.Queue(resultEndSQL, Args{"program_id": t.Program, "job_id": j.jobID, "serial": serial, "position": head.Position})
			if accepted {
				if err := t.repeatResult(head, j, serial); err != nil {
					return err
				}
				continue
			}
			serial, sql = serial+1, resultInsertSQL
		}
		row, err := j.row(head, serial)
		if err != nil {
			return err
		}
		row.ProgramID = t.Program
		row.WorkedBy = j.workedBy()
		t.Queue(sql, ArgsOf(row))
	}
	return nil
}

// picturesOwed are those that the payment of an accepted job still waits for:
// fewer than at its acceptance, never more.
func (j *judgedJob) picturesOwed() int32 {
	return min(int32(j.result.PicturesOwed), j.touched.standing.PicturesOwedCount)
}

// repeatResult lets the same acceptance stand from this position on, counted
// otherwise: a person's decision about statistics, or a picture that arrived,
// changes nothing that was frozen; a correction changes what the records come to,
// and not the way that led there.
func (t *Tx) repeatResult(head *lockedHead, j *judgedJob, serial int) error {
	var row *ResultRow
	One(t, &row, resultReadSQL, Args{"program_id": t.Program, "job_id": j.jobID, "serial": serial})
	if err := t.Flush(); err != nil {
		return err
	}
	if row == nil {
		return ErrRaceLost
	}
	old := *row
	if j.corrected {
		var err error
		if row, err = j.row(head, serial+1); err != nil {
			return err
		}
		row.ProgramID, row.WorkedBy = t.Program, j.workedBy()
		row.AssignedAt, row.SentInAt, row.ReturnedCount, row.CountedAt = old.AssignedAt, old.SentInAt, old.ReturnedCount, old.CountedAt
		row.FirstMustFixCount, row.FirstNotRecordedCount = old.FirstMustFixCount, old.FirstNotRecordedCount
		row.AcceptedAt, row.AcceptedMonth = old.AcceptedAt, old.AcceptedMonth
	}
	row.Serial, row.Excluded, row.AcceptedPosition, row.UntilPosition = old.Serial+1, j.excluded(), &head.Position, nil
	row.PicturesOwedCount = j.picturesOwed()
	t.Queue(resultInsertSQL, ArgsOf(row))
	return nil
}

const leadsSQL = `
SELECT k.record_id, e.contractor_id
FROM unnest(@leads::uuid[]) AS k(record_id)
CROSS JOIN LATERAL (SELECT x.contractor_id FROM entry AS x
    WHERE x.program_id = @program_id AND x.kind = 'crew_member' AND x.record_id = k.record_id AND x.until_position IS NULL OFFSET 0) AS e
WHERE e.contractor_id IS NOT NULL`

type leadRow struct{ RecordID, ContractorID [16]byte }

// readLeads queues the question whose leads led the work of jobs that are
// accepted. A lead may have been another contractor's, of whom the job's facts
// tell nothing.
func (t *Tx) readLeads(judged []*judgedJob) {
	for _, j := range judged {
		if leads := j.leads(); j.job.State == domain.Accepted && !j.void && (!j.touched.standing.Frozen || j.corrected) && len(leads) > 0 {
			All(t, &j.leadRows, leadsSQL, Args{"program_id": t.Program, "leads": leads})
		}
	}
}

// workedBy are the contractors of the leads of the work visits, the first first.
func (j *judgedJob) workedBy() (list [][16]byte) {
	if len(j.leadRows) == 0 {
		return nil
	}
	for _, lead := range j.leads() {
		for _, r := range j.leadRows {
			if domain.UUID(r.RecordID) == lead && !slices.Contains(list, r.ContractorID) {
				list = append(list, r.ContractorID)
			}
		}
	}
	return list
}

// row is what the job comes to, as it is kept; serial is its place among the
// job's results.
func (j *judgedJob) row(head *lockedHead, serial int) (*ResultRow, error) {
	result, err := json.Marshal(j.result)
	if err != nil {
		return nil, fmt.Errorf("write the result of job %s: %w", j.jobID, err)
	}
	state := string(j.job.State)
	if j.void {
		state = "void"
	}
	inputs, digest, err := j.inputs()
	if err != nil {
		return nil, err
	}
	counts := j.verdict.Counts
	row := &ResultRow{
		JobID: j.jobID, Serial: int32(serial), HomeID: j.job.HomeID, ContractorID: j.job.ContractorID,
		CrewLeadID: idArg(j.crewLead()), Class: j.class(), PayBasis: string(j.job.PayBasis), FundSource: OrNull(j.fund()), State: state,
		Outcome: OrNull(string(j.job.Outcome)), FloorAreaFt2: j.floorArea(), BeforeTenths: j.result.BeforeTenths,
		AfterTenths: j.result.AfterTenths, Extrapolated: j.result.Extrapolated, BelowRange: j.result.BelowRange,
		MustFixCount: int32(counts.MustFix), CheckCount: int32(counts.Check), NoteCount: int32(counts.Note), NotRecordedCount: int32(counts.NotRecorded),
		Excluded: j.excluded(), PicturesOwedCount: int32(j.result.PicturesOwed), Result: string(result), RuleSetID: idArg(j.setID), MethodVersion: j.result.MethodVersion,
		Inputs: inputs, InputDigest: digest[:], JudgedAtPosition: head.Position,
		Method: OrNull(string(j.result.Method)), Quality: OrNull(string(j.result.Quality)), Together: j.together(),
	}
	if e := j.result.Energy; e != nil && e.SavedKWh != nil {
		row.EnergyMethod, row.EnergySavedKwh = &e.Method, e.SavedKWh
	}
	j.moments(row, head.RecordedAt, serial != j.touched.serial)
	if asked := j.asked(); asked > 0 {
		row.AskedCount = &asked
	}
	if j.job.State == domain.SentIn || j.job.State == domain.Accepted {
		row.Questions = j.questions()
	}
	if j.job.State != domain.Accepted || j.void {
		return row, nil
	}
	verdict, err := json.Marshal(j.verdict)
	if err != nil {
		return nil, fmt.Errorf("write the verdict on job %s: %w", j.jobID, err)
	}
	month := string(domain.MonthOf(head.RecordedAt, j.outside.Zone))
	row.Verdict, row.AcceptedPosition, row.AcceptedAt, row.AcceptedMonth = OrNull(string(verdict)), &head.Position, &head.RecordedAt, &month
	if row.CountedAt = j.touched.standing.CountedAt; row.CountedAt == nil {
		row.CountedAt = row.AcceptedAt // a job counts in the period of its first acceptance, also after it was opened again
	}
	return row, j.forStatistics(row)
}

// asked counts what the reviewer of a job that is sent in has to answer: open
// findings that ask him, and what looks unusual.
func (j *judgedJob) asked() (count int32) {
	if j.job.State != domain.SentIn || j.void {
		return 0
	}
	for _, f := range j.verdict.Open(j.assembled.Reviews) {
		if f.Severity == rules.Check {
			count++
		}
	}
	return count + int32(len(rules.Ask(j.assembled, j.result)))
}

// moments fills what counts moments on the way; what a row of the same serial
// says already stays.
func (j *judgedJob) moments(row *ResultRow, at time.Time, begins bool) {
	before := j.touched.standing
	if begins || before.AssignedAt == nil {
		before = standing{}
	}
	row.AssignedAt, row.ReturnedCount = at, int32(j.returnedCount)
	if before.AssignedAt != nil {
		row.AssignedAt = *before.AssignedAt
		row.ReturnedCount += *before.ReturnedCount
	}
	row.SentInAt, row.FirstMustFixCount, row.FirstNotRecordedCount = before.SentInAt, before.FirstMustFixCount, before.FirstNotRecordedCount
	if j.sentIn && row.SentInAt == nil {
		mustFix := row.MustFixCount - int32(j.verdict.PicturesOwed()) // records come before pictures: no fault of the crew's
		row.SentInAt, row.FirstMustFixCount, row.FirstNotRecordedCount = &at, &mustFix, &row.NotRecordedCount
	}
}

// inputs names what the result was made of: the ledger positions of the job's
// records, of those outside it and of the replaced versions that rules look at,
// and the facts that stand in no record. The digest is over kinds, ids and
// versions, so that it does not depend on where in the ledger they stand.
func (j *judgedJob) inputs() (text string, digest [32]byte, err error) {
	var b, line []byte
	h := sha256.New()
	list := func(name string, entries []domain.Entry) {
		b = fmt.Appendf(b, `%q:[`, name)
		h.Write([]byte(name + "\n"))
		for i := range entries {
			e := &entries[i]
			if i > 0 {
				b = append(b, ',')
			}
			b = strconv.AppendInt(b, e.Position, 10)
			line = append(append(line[:0], e.Kind...), '/')
			line = append(e.ID.Append(line), '/')
			line = append(strconv.AppendInt(line, e.Version, 10), '\n')
			h.Write(line)
		}
		b = append(b, "],"...)
	}
	outside := slices.Clone(j.outside.Entries)
	slices.SortFunc(outside, func(x, y domain.Entry) int { return x.ID.Compare(y.ID) })
	past := slices.Clone(j.outside.Past)
	slices.SortFunc(past, func(x, y domain.Entry) int { return cmp.Or(x.ID.Compare(y.ID), cmp.Compare(x.Version, y.Version)) })
	b = append(b, '{')
	list("records", j.entries)
	list("outside", outside)
	list("past", past)
	more, err := json.Marshal(j.factsUsed())
	if err != nil {
		return "", digest, fmt.Errorf("write the inputs of job %s: %w", j.jobID, err)
	}
	fmt.Fprintf(h, "%s\n%s\n%s", more, j.setID, j.result.MethodVersion)
	b = fmt.Appendf(b, `"facts":%s}`, more)
	return string(b), [32]byte(h.Sum(nil)), nil
}

// numberEntries tells the judged jobs where in the ledger the entries stand that
// this push made, and which states they passed on the way.
func numberEntries(judged []*judgedJob, accepted []intake.Decision) {
	at := make(map[intake.Key]int64, len(accepted))
	versions := make(map[intake.VersionKey]int64, len(accepted))
	for i := range accepted {
		d := &accepted[i]
		at[d.Item.Key()], versions[intake.VersionKey{Key: d.Item.Key(), Version: d.Version}] = d.Position, d.Position
	}
	for _, j := range judged {
		before := j.touched.state()
		for i := range accepted {
			if job, ok := accepted[i].Item.Record.(*domain.Job); ok && accepted[i].Item.ID == j.jobID {
				j.sentIn = j.sentIn || job.State == domain.SentIn
				if job.State == domain.Returned && before != domain.Returned {
					j.returnedCount++
				}
				before = job.State
			}
		}
		for _, entries := range [][]domain.Entry{j.entries, j.outside.Entries} {
			for i := range entries {
				if e := &entries[i]; e.Position == 0 {
					e.Position = at[intake.Key{Kind: e.Kind, ID: e.ID}]
				}
			}
		}
		for i := range j.outside.Past {
			if e := &j.outside.Past[i]; e.Position == 0 { // it came and was replaced in one push
				e.Position = versions[intake.VersionKey{Key: intake.Key{Kind: e.Kind, ID: e.ID}, Version: e.Version}]
			}
		}
	}
}

// fund is the fund that pays for the job; what cannot be told among several is
// told from what was never asked for.
func (j *judgedJob) fund() string {
	fund := j.set.Fund(j.job.FundSource)
	if fund == "" && len(j.set.Funds()) > 1 {
		return domain.WithoutFund
	}
	return fund
}

// crewLead is who led the first work visit.
func (j *judgedJob) crewLead() domain.UUID {
	var first *domain.Visit
	for _, v := range j.assembled.Visits {
		if v.Record.LeadID != nil && v.Record.CallBackID == nil && (first == nil || v.Record.VisitedOn < first.VisitedOn) {
			first = v.Record
		}
	}
	if first == nil {
		return domain.UUID{}
	}
	return *first.LeadID
}

func (j *judgedJob) class() string {
	if home := j.assembled.Home.Record; home != nil {
		return home.Class()
	}
	return "single"
}

func (j *judgedJob) floorArea() *float64 {
	if home := j.assembled.Home.Record; home != nil {
		return home.FloorAreaFt2
	}
	return nil
}

// excluded tells whether a person took the job out of statistics, by the
// newest of such reviews; wasExcluded the same before this push.
func (j *judgedJob) excluded() bool    { return excludedBy(j.entries) }
func (j *judgedJob) wasExcluded() bool { return excludedBy(j.touched.entries) }

func excludedBy(entries []domain.Entry) bool {
	newest, excluded := int64(-1), false
	for i := range entries {
		review, ok := entries[i].Record.(*domain.Review)
		if !ok || entries[i].Void != nil || review.Decision != domain.Exclude && review.Decision != domain.Include {
			continue
		}
		at := entries[i].Position
		if at == 0 {
			at = math.MaxInt64 // it comes now
		}
		if at > newest {
			newest, excluded = at, review.Decision == domain.Exclude
		}
	}
	return excluded
}

// ResultInputs is what job_result.inputs holds: with the ledger it is all that
// the row was made from, so that it can be made again.
type ResultInputs struct {
	Records []int64   `json:"records"` // positions of the job's records
	Outside []int64   `json:"outside"` // positions of home, contractor, people, papers, instruments
	Past    []int64   `json:"past"`    // positions of replaced versions that rules look at
	Facts   factsUsed `json:"facts"`
}

// factsUsed are the facts of a result that stand in no record of their own:
// what other jobs, devices and counts said at that moment.
type factsUsed struct {
	HomesLed    []homesLedUsed   `json:"homes_led,omitempty"` // of the people of this job's visits
	Earlier     []earlierUsed    `json:"earlier_jobs,omitempty"`
	SamePhotos  []samePhotoUsed  `json:"same_photos,omitempty"`
	SameTests   []domain.UUID    `json:"same_readings_job_ids,omitempty"`
	Pending     []pendingUsed    `json:"pending_devices,omitempty"`
	OtherVisits []otherVisitUsed `json:"other_visits,omitempty"`
	LateSince   int64            `json:"late_since,omitzero"` // of a correction: the position behind which late work was left out
	LikePhotos  []likePhotoUsed  `json:"like_photos,omitempty"`
	// Photos whose pictures had not arrived; only where something waits for them.
	PicturesOwed []domain.UUID `json:"pictures_owed,omitempty"`
}

type homesLedUsed struct {
	CrewMemberID domain.UUID `json:"crew_member_id"`
	HomesCount   int         `json:"homes_count"`
}

type earlierUsed struct {
	JobID      domain.UUID `json:"job_id"`
	AcceptedOn domain.Date `json:"accepted_on"`
}

type samePhotoUsed struct {
	SHA256 string        `json:"sha256"`
	JobIDs []domain.UUID `json:"job_ids"`
}

type pendingUsed struct {
	DeviceID     domain.UUID `json:"device_id"`
	RecordsCount int         `json:"records_count"`
	PhotosCount  int         `json:"photos_count"`
}

type otherVisitUsed struct {
	CrewMemberID domain.UUID `json:"crew_member_id"`
	JobID        domain.UUID `json:"job_id"`
	ArrivedAt    time.Time   `json:"arrived_at"`
	LeftAt       time.Time   `json:"left_at"`
}

type likePhotoUsed struct {
	PhotoID      domain.UUID `json:"photo_id"`
	OtherPhotoID domain.UUID `json:"other_photo_id"`
	OtherJobID   domain.UUID `json:"other_job_id"`
	DifferBits   int         `json:"differ_bits"`
}

// factsUsed are those of the judged job, in a fixed order.
func (j *judgedJob) factsUsed() (f factsUsed) {
	if j.corrected {
		f.LateSince = *j.touched.standing.LateSince
	}
	for _, member := range j.people() {
		if n := j.outside.HomesLed[member]; n > 0 {
			f.HomesLed = append(f.HomesLed, homesLedUsed{member, n})
		}
	}
	for _, e := range j.outside.Earlier {
		f.Earlier = append(f.Earlier, earlierUsed(e))
	}
	for _, p := range j.outside.SamePhotos {
		f.SamePhotos = append(f.SamePhotos, samePhotoUsed{p.SHA256, sortedIDs(p.JobIDs)})
	}
	f.SameTests = sortedIDs(j.outside.SameTests)
	for _, d := range j.outside.Pending {
		f.Pending = append(f.Pending, pendingUsed(d))
	}
	for _, v := range j.outside.OtherVisits {
		f.OtherVisits = append(f.OtherVisits, otherVisitUsed(v))
	}
	for _, l := range j.outside.LikePhotos {
		f.LikePhotos = append(f.LikePhotos, likePhotoUsed(l))
	}
	if j.set != nil && j.set.AwaitsPictures() {
		for i := range j.entries {
			if e := &j.entries[i]; e.BytesState.Owed() {
				f.PicturesOwed = append(f.PicturesOwed, e.ID)
			}
		}
		f.PicturesOwed = sortedIDs(f.PicturesOwed)
	}
	slices.SortFunc(f.LikePhotos, func(a, b likePhotoUsed) int {
		return cmp.Or(a.PhotoID.Compare(b.PhotoID), a.OtherPhotoID.Compare(b.OtherPhotoID))
	})
	slices.SortFunc(f.Earlier, func(a, b earlierUsed) int { return a.JobID.Compare(b.JobID) })
	slices.SortFunc(f.SamePhotos, func(a, b samePhotoUsed) int { return cmp.Compare(a.SHA256, b.SHA256) })
	slices.SortFunc(f.Pending, func(a, b pendingUsed) int { return a.DeviceID.Compare(b.DeviceID) })
	slices.SortFunc(f.OtherVisits, func(a, b otherVisitUsed) int {
		return cmp.Or(a.JobID.Compare(b.JobID), a.CrewMemberID.Compare(b.CrewMemberID), a.ArrivedAt.Compare(b.ArrivedAt))
	})
	return f
}

// people are the leads and crews of the job's visits, once each, by id.
func (j *judgedJob) people() (ids []domain.UUID) {
	for _, v := range j.assembled.Visits {
		if v.Record.LeadID != nil {
			ids = append(ids, *v.Record.LeadID)
		}
		ids = append(ids, v.Record.CrewIDs...)
	}
	return slices.Compact(sortedIDs(ids))
}

func sortedIDs(ids []domain.UUID) []domain.UUID {
	return slices.SortedFunc(slices.Values(ids), domain.UUID.Compare)
}

// outside is what the facts and the records outside a job were.
func (f *factsUsed) outside(zone *time.Location, entries []domain.Entry) rules.Outside {
	o := rules.Outside{Zone: zone, Entries: entries, HomesLed: make(map[domain.UUID]int, len(f.HomesLed)), SameTests: f.SameTests}
	for _, h := range f.HomesLed {
		o.HomesLed[h.CrewMemberID] = h.HomesCount
	}
	for _, e := range f.Earlier {
		o.Earlier = append(o.Earlier, rules.EarlierJob(e))
	}
	for _, p := range f.SamePhotos {
		o.SamePhotos = append(o.SamePhotos, rules.SamePhoto(p))
	}
	for _, d := range f.Pending {
		o.Pending = append(o.Pending, rules.PendingDevice(d))
	}
	for _, v := range f.OtherVisits {
		o.OtherVisits = append(o.OtherVisits, rules.OtherVisit(v))
	}
	for _, l := range f.LikePhotos {
		o.LikePhotos = append(o.LikePhotos, rules.LikePhoto(l))
	}
	return o
}

// setPictures gives the photos among a job's records the state that their
// pictures had then: arrived, but for those that are named.
func (f *factsUsed) setPictures(entries []domain.Entry) {
	for i := range entries {
		if e := &entries[i]; e.Kind == domain.PhotoKind {
			e.BytesState = domain.BytesStored
			if slices.Contains(f.PicturesOwed, e.ID) {
				e.BytesState = domain.BytesAwaited
			}
		}
	}
}
