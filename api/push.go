package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"ductledger/api/frame"
	"ductledger/api/strict"
	"ductledger/api/wire"
	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/ledger"
	"ductledger/storage"
	"ductledger/storage/judgment"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// push takes a batch: every item is judged by itself, and what is not accepted
// is kept.
func (s *Server) push(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	key, err := s.db.HistoryKey(ctx, caller.Program)
	if err != nil {
		return frame.Answer{}, err
	}
	began := time.Now()
	b, err := s.readBatch(caller, r)
	if err != nil {
		return frame.Answer{}, err
	}
	read := time.Now()
	s.stage("read", read.Sub(began))
	history := storage.History{Epoch: b.Epoch}
	ignored := false
	if b.Receipt != "" {
		history.Points, ignored = s.receiptPoints(nil, key, b.Receipt)
	}
	pushed, err := s.db.Push(ctx, caller, storage.Push{
		Items: b.items, ReceivedAt: r.ReceivedAt, Hold: true, ValidateOnly: r.ValidateOnly(), Report: reportOf(&b.Batch, b.offset),
		History: history,
	})
	stored := time.Now()
	s.stage("store", stored.Sub(read))
	defer func() { s.stage("answer", time.Since(stored)) }()
	if errors.Is(err, storage.ErrBusy) {
		return allAgain(b.Items, r), nil
	}
	if err != nil {
		return frame.Answer{}, epochChanged(caller, err, nil, frame.Seal{})
	}
	out := wire.BatchAnswer{
		Epoch: pushed.Epoch, ReceiptIgnored: ignored, LeftOut: b.left, ReceivedAt: ledger.Stamp(r.ReceivedAt), HeldOpenCount: pushed.HeldOpen,
		Items: make([]wire.ItemAnswer, len(b.items)), Jobs: make([]wire.JobCounts, len(pushed.Jobs)),
	}
	if pushed.Head.Position > 0 {
		out.Receipt = writeReceipt(key, pushed.Head.Point())
	}
	for i := range pushed.Items {
		out.Items[i] = s.itemAnswer(caller, &pushed.Items[i], i, &b.Items[i], b.shapes[i], r.Trace)
	}
	for i := range pushed.Items {
		if e := pushed.Items[i].Problem; pushed.Items[i].Status == intake.Retry && e != nil {
			out.RetryAfterS = e.RetryAfter.Seconds()
		}
	}
	for i, j := range pushed.Jobs {
		out.Jobs[i] = wire.JobCounts{JobID: j.JobID, MustFixCount: j.MustFix, CheckCount: j.Check, NoteCount: j.Note, NotRecordedCount: j.NotRecorded}
	}
	if r.Query.Get("findings") == "true" && !r.ValidateOnly() {
		s.addFindings(ctx, caller, out.Jobs, r.Trace)
	}
	return frame.Answer{Status: http.StatusMultiStatus, Body: out}, nil
}

// addFindings tells what the rules find in each touched job as it stands, as
// many as one answer lists. The records are stored by now: where the findings
// cannot be read the counts alone are told.
func (s *Server) addFindings(ctx context.Context, caller domain.Caller, jobs []wire.JobCounts, trace string) {
	room := int(s.limits.AnswerFindings)
	for i := range jobs {
		j, err := judgment.Read(ctx, s.db, caller, jobs[i].JobID)
		if err != nil {
			if domain.CodeOf(err) != domain.NotFound { // a job may have left the caller's scope by this very push
				s.log.Warn("the findings of a pushed job could not be read", "trace_id", trace, "job_id", jobs[i].JobID.String(), "error", frame.MaskSecrets(err.Error()))
			}
			continue
		}
		n := min(len(j.Verdict.Findings), room)
		room -= n
		jobs[i].Findings, jobs[i].FindingsMoreCount = j.Verdict.Findings[:n], len(j.Verdict.Findings)-n
	}
}

// receiptPoints appends what a receipt tells. One that this service did not write
// tells nothing: it is counted and ignored, so that an old app can always deliver.
func (s *Server) receiptPoints(points []storage.Point, key []byte, receipt string) (all []storage.Point, ignored bool) {
	point, ok := readReceipt(key, receipt)
	if !ok {
		s.count("receipt_ignored")
		return points, true
	}
	return append(points, point), false
}

// A readBatch is a batch whose items have been through all sieves that need no
// database.
type readBatch struct {
	wire.Batch
	items  []*intake.Item
	shapes []*domain.Error // what reading found in each item
	offset *float64        // of the device's clock, s
	left   []domain.Fault  // what the device tells of itself and cannot be read
}

func (s *Server) readBatch(caller domain.Caller, r *frame.Request) (*readBatch, error) {
	b := &readBatch{}
	faults, err := strict.Read(r.Body, &b.Batch)
	if err != nil {
		return nil, err
	}
	ofDevice, ofEnvelope := aboutDevice(faults.List)
	if err := (strict.Faults{List: ofEnvelope, More: faults.More}).Err(); err != nil {
		return nil, err
	}
	if len(ofDevice) > 0 {
		s.log.Warn("what a device tells of itself cannot be read and is left out", "trace_id", r.Trace, "token_id", caller.Token.String(), "error", domain.InvalidFields(ofDevice).Error())
		b.leaveOut(ofDevice, r.Body)
		b.left = ofDevice
	}
	device, err := s.deviceOf(caller, &b.Batch)
	if err != nil {
		return nil, err
	}
	b.items, b.shapes = make([]*intake.Item, len(b.Items)), make([]*domain.Error, len(b.Items))
	b.offset = clockOffset(b.SentAt, r.ReceivedAt)
	schema := schemaOf(caller, &b.Batch)
	for i := range b.Items {
		item := s.newItem(&b.Items[i], schema)
		item.SentBy(caller)
		item.Index, item.DeviceID, item.ReceivedAt, item.ClockOffsetS = i, device, r.ReceivedAt, b.offset
		b.items[i], b.shapes[i] = item, item.Problem
	}
	return b, nil
}

// aboutDevice sorts out the faults in what a device tells of itself. They
// refuse nothing: a wrong clock must not keep work in an outbox.
func aboutDevice(faults []domain.Fault) (ofDevice, rest []domain.Fault) {
	for _, f := range faults {
		if member := topMember(f); member == "sent_at" || member == "pending" {
			ofDevice = append(ofDevice, f)
		} else {
			rest = append(rest, f)
		}
	}
	return ofDevice, rest
}

// topMember is the member of the body in which a fault lies.
func topMember(f domain.Fault) string {
	name, _, _ := strings.Cut(strings.TrimPrefix(f.Pointer, "/"), "/")
	return name
}

// leaveOut takes out what a device tells of itself and cannot be read. A clock
// in another age is still a clock that is off.
func (b *readBatch) leaveOut(faults []domain.Fault, body []byte) {
	for _, f := range faults {
		switch topMember(f) {
		case "pending":
			b.Pending = nil
		case "sent_at":
			b.SentAt = nil
			var sent struct {
				At time.Time `json:"sent_at"`
			}
			if err := json.Unmarshal(body, &sent); err == nil {
				b.SentAt = &sent.At
			}
		}
	}
}

// allAgain answers a batch of which nothing was stored, since others kept
// changing the same records.
func allAgain(items []wire.Item, r *frame.Request) frame.Answer {
	out := wire.BatchAnswer{ReceivedAt: ledger.Stamp(r.ReceivedAt), RetryAfterS: storage.ErrBusy.RetryAfter.Seconds(),
		Items: make([]wire.ItemAnswer, len(items)), Jobs: []wire.JobCounts{}}
	for i := range items {
		out.Items[i] = wire.ItemAnswer{Index: i, ID: idText(&items[i]), Status: string(intake.Retry)}
	}
	return frame.Answer{Status: http.StatusMultiStatus, Body: out}
}

// idText is the id as it was sent, also where it is none.
func idText(item *wire.Item) string {
	if !item.ID.IsZero() {
		return item.ID.String()
	}
	var sent struct {
		ID string `json:"id"`
	}
	_ = json.Unmarshal(item.Raw, &sent) // of what is no object there is no id
	return sent.ID
}

func (s *Server) itemAnswer(caller domain.Caller, p *storage.PushedItem, i int, sent *wire.Item, shape *domain.Error, trace string) wire.ItemAnswer {
	a := wire.ItemAnswer{Index: i, ID: idText(sent), Status: string(p.Status), Version: p.Version, Position: p.Position}
	if p.Late && (p.Status == intake.Created || p.Status == intake.Updated) {
		a.Late = true
		a.Notes = append(a.Notes, "the job is accepted already: this is kept and moves no figure")
	}
	a.Notes = append(a.Notes, notesOf(p)...)
	if !p.HeldID.IsZero() {
		a.HeldID = &p.HeldID
	}
	if p.Entry != nil && (p.Status == intake.Conflict || p.Status == intake.Replayed && p.Current > p.Version && p.Entry.Version >= p.Current) {
		a.Current = s.entryJSON(caller, p.Entry, beside{})
	}
	if e := p.Problem; e != nil {
		if e != shape { // intake and the constraints speak of the record, or the void, alone
			at := "/record"
			if sent.Void != nil {
				at = "/void"
			}
			within := *e
			within.Faults = make([]domain.Fault, len(e.Faults))
			for n, f := range e.Faults {
				f.Pointer = at + f.Pointer
				within.Faults[n] = f
			}
			e = &within
		}
		a.Problem = frame.ProblemBody(frame.Shown(e), trace)
	}
	return a
}

// notesOf are what a person should know of an item that was taken.
func notesOf(p *storage.PushedItem) (notes []string) {
	if note := farAhead(p.Item); note != "" {
		notes = append(notes, note)
	}
	if len(p.Item.Overruled) > 0 && (p.Status == intake.Created || p.Status == intake.Updated) {
		notes = append(notes, "what the agency sets stays as it stands, whatever a crew sends there: "+strings.Join(p.Item.Overruled, ", "))
	}
	return notes
}

// aheadTolerance is how far ahead of the service's clock a reading may be dated
// without a word: crews and clocks stand in other zones.
const aheadTolerance = 24 * time.Hour

// farAhead says that a reading is dated after the day on which it came, by the
// device's own clock where that is known to be off.
func farAhead(item *intake.Item) string {
	reading, ok := item.Record.(*domain.Measurement)
	if !ok {
		return ""
	}
	now := item.ReceivedAt
	if item.ClockOffsetS != nil {
		now = now.Add(time.Duration(*item.ClockOffsetS * float64(time.Second)))
	}
	if ahead := reading.TakenAt.Sub(now); ahead > aheadTolerance {
		return fmt.Sprintf("taken_at lies %.0f days ahead of the moment at which it came: look at the device's date, and record the reading again if it is wrong", ahead.Hours()/24)
	}
	return ""
}

// deviceOf is whose outbox it is: the token's device, or the one for which
// staff deliver.
func (s *Server) deviceOf(caller domain.Caller, batch *wire.Batch) (domain.UUID, error) {
	if batch.DeviceID == nil || *batch.DeviceID == caller.Device {
		return caller.Device, nil
	}
	if caller.Scoped() {
		return domain.UUID{}, domain.Errorf(domain.Forbidden, "only the agency's staff may deliver for another device")
	}
	return *batch.DeviceID, nil
}

// schemaOf is the revision of the contract that the sender knows: a device
// that names none is of the first, the agency's own programs of the newest.
func schemaOf(caller domain.Caller, batch *wire.Batch) int {
	switch {
	case batch.Client != nil && batch.Client.Schema > 0:
		return batch.Client.Schema
	case caller.Device.IsZero():
		return currentSchema
	}
	return 1
}

// clockOffset is the device's clock less ours, in seconds to the millisecond.
func clockOffset(sentAt *time.Time, receivedAt time.Time) *float64 {
	if sentAt == nil {
		return nil
	}
	s := float64(sentAt.Sub(receivedAt).Milliseconds()) / 1000
	return &s
}

func reportOf(batch *wire.Batch, offset *float64) *storage.DeviceReport {
	if batch.Client == nil && batch.Pending == nil && offset == nil {
		return nil
	}
	report := &storage.DeviceReport{ClockOffsetS: offset, Schema: 1}
	if c := batch.Client; c != nil {
		report.AppName, report.AppVersion = c.Name, c.Version
		if c.Schema > 0 {
			report.Schema = c.Schema
		}
	}
	if p := batch.Pending; p != nil {
		report.PendingRecords, report.PendingPhotos, report.PendingJobs = p.RecordsCount, p.PhotosCount, p.JobIDs
		if p.OldestAt != nil && p.OldestAt.UTC().Year() <= 9999 { // later ones cannot be written as they are answered
			report.PendingOldestAt = p.OldestAt
		}
	}
	return report
}

type batchQuery struct {
	validateQuery
	// Tells each touched job's findings too, so that a phone has them in one exchange. Not with `validate_only`.
	Findings bool `json:"findings,omitzero" default:"false"`
}

// pushOperations are what the contract says of the operations of this file.
func pushOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"postBatch": {
			Tag: "Sync", Summary: "Deliver many records, each judged alone",
			Description: "At most 500 items and 2 MiB after inflating, in any order; parents may follow children. One bad item never stops " +
				"another: each gets its own status. Only `retry` need be sent again; what is `conflict`, `waiting` or `rejected` " +
				"is kept in `/v1/held`. `Content-Encoding: gzip` is taken.",
			Query:   batchQuery{},
			Headers: []string{"Content-Encoding"},
			Takes:   wire.Batch{},
			Example: jsontext.Value(`{"sent_at": "2026-10-14T16:02:11-07:00", "client": {"name": "Invented field app", "version": "1.4", "schema": 1}, "items": [{"kind": "measurement", "id": "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d41", "base_version": 0, "record": {"job_id": "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d21", "method": "fan_total", "stage": "before", "instrument_id": "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d14", "taken_at": "2026-10-14T09:20:00-07:00", "readings": [{"pressure_pa": 25, "flow_cfm": 318}]}}, {"kind": "opening", "id": "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d33", "base_version": 1, "void": {"reason": "recorded twice"}}]}`),
			Gives: []frame.Gives{
				{Status: 207, What: "Each item's status and each touched job's findings in numbers.", Body: wire.BatchAnswer{}},
			},
			Also: []int{409, 507},
		},
	}
}
