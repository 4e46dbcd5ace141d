package api

import (
	"context"
	"encoding/binary"
	"errors"
	"net/http"
	"strconv"
	"strings"
	"time"

	"ductledger/api/frame"
	"ductledger/api/wire"
	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/storage"

	"github.com/go-json-experiment/json/jsontext"
)

// The revisions of the contract that are taken: an older app may still
// deliver, but no longer pull.
const (
	minimumSchema = 1
	currentSchema = 1
)

// sync answers what a device needs to begin.
func (s *Server) sync(ctx context.Context, caller domain.Caller, _ *frame.Request) (frame.Answer, error) {
	start, err := s.db.Sync(ctx, caller)
	if err != nil {
		return frame.Answer{}, err
	}
	out := wire.Start{
		ServerAt: ledger.Stamp(s.now()), Epoch: start.Head.Epoch, HeadPosition: start.Head.Position,
		Client:        wire.StartClient{MinimumSchema: s.schema, CurrentSchema: currentSchema},
		Limits:        map[string]float64{"batch_items_count": 500, "body_bytes_count": float64(s.limits.BodyBytes), "page_entries_count": frame.MaxPage, "wait_s": 25},
		HeldOpenCount: start.HeldOpen, Jobs: []wire.JobSum{},
	}
	if !caller.Scoped() && caller.Role != domain.Funder {
		out.HeadLink = start.Head.Link.String()
	}
	if d := start.Device; d != nil {
		out.Device = &wire.StartDevice{ID: caller.Device, State: d.State, ContractorID: d.ContractorID}
	}
	for _, j := range start.Jobs {
		out.Jobs = append(out.Jobs, wire.JobSum{JobID: j.JobID, Number: j.Number, State: j.State, RecordCount: j.Count, Checksum: j.Checksum.String()})
	}
	return frame.Answer{Body: out}, s.owed(ctx, caller, &out)
}

// kindWords are the names of all kinds.
var kindWords = func() string {
	words := make([]string, len(domain.Kinds))
	for i, row := range domain.Kinds {
		words[i] = string(row.Kind)
	}
	return strings.Join(words, ", ")
}()

// changes answers the next page of what the caller may see.
func (s *Server) changes(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	if caller.DeviceClosing {
		return frame.Answer{}, domain.Errorf(domain.DeviceClosing, "the device is closing: it may deliver what it has, and no longer pull")
	}
	if !caller.Device.IsZero() && caller.AppSchema < s.schema {
		return frame.Answer{}, domain.Errorf(domain.ClientTooOld, "the app knows revision %d of the contract, %d is the oldest that can pull; what it has to deliver is still taken", caller.AppSchema, s.schema)
	}
	kinds, versions := r.Query.Get("kinds"), r.Query.Get("versions")
	q := storage.FeedQuery{Limit: r.Limit(), Newest: versions == "latest"}
	if kinds != "" {
		for word := range strings.SplitSeq(kinds, ",") {
			if _, known := domain.RowOf(domain.Kind(word)); !known {
				return frame.Answer{}, domain.At("/kinds", domain.BadQuery, "kinds: there is no kind %q; there are %s", frame.Logged(word), kindWords)
			}
			q.Kinds = append(q.Kinds, domain.Kind(word))
		}
	}
	key, err := s.db.HistoryKey(ctx, caller.Program)
	if err != nil {
		return frame.Answer{}, err
	}
	sealed := cursorSeal(key, caller, kinds, versions)
	after := r.Query.Get("after")
	cursor, err := startAt(&q, caller, after, sealed)
	if err != nil {
		return frame.Answer{}, err
	}
	ignored := false
	if receipt := r.Query.Get("receipt"); receipt != "" {
		q.History.Points, ignored = s.receiptPoints(q.History.Points, key, receipt)
	}
	feed, err := s.pull(ctx, caller, r, q)
	if err != nil {
		return frame.Answer{}, epochChanged(caller, err, cursor, sealed)
	}
	s.notePull(ctx, caller, q.After.Effective)
	out := wire.Feed{Epoch: feed.Head.Epoch, Items: make([]jsontext.Value, len(feed.Items)), More: feed.More, ReceiptIgnored: ignored}
	for i, item := range feed.Items {
		out.Items[i] = s.feedItemJSON(caller, item)
	}
	out.NextAfter = feedCursor{feed.Point, feed.Next.Position}.write(sealed)
	if len(feed.Items) == 0 && after != "" {
		out.NextAfter = after
	}
	return frame.Answer{Header: http.Header{"Etag": {`"` + out.NextAfter + `"`}}, Body: out}, nil
}

// pull reads a page, and waits for news as long as the caller asked when there
// is none.
func (s *Server) pull(ctx context.Context, caller domain.Caller, r *frame.Request, q storage.FeedQuery) (storage.Feed, error) {
	seconds, err := strconv.Atoi(r.Query.Get("wait_s"))
	if err != nil {
		seconds = 0 // absent; the contract lets nothing but a number in
	}
	end := time.Now().Add(time.Duration(seconds) * time.Second)
	for {
		feed, err := s.db.Changes(ctx, caller, q)
		left := time.Until(end)
		if err != nil || len(feed.Items) > 0 || left <= 0 {
			return feed, err
		}
		err = r.Aside(ctx, func(ctx context.Context) error {
			return s.notifier.wait(ctx, caller.Program, feed.Head.Position, left)
		})
		if err != nil {
			return feed, nil // too many wait, or the service ends: an early, empty answer
		}
	}
}

// startAt lets the query begin where after says, and gives the cursor that it
// is; "0" and none are the beginning, and who sees the whole program may give a
// bare position, which tells nothing of the history.
func startAt(q *storage.FeedQuery, caller domain.Caller, after string, sealed frame.Seal) (*feedCursor, error) {
	if after == "" || after == "0" {
		return nil, nil
	}
	if position, err := strconv.ParseInt(after, 10, 64); err == nil && position >= 0 && !caller.Scoped() {
		q.After = storage.Place{Effective: position, Position: position}
		return nil, nil
	}
	cursor, err := readFeedCursor(sealed, after)
	if err != nil {
		return nil, err
	}
	q.After = storage.Place{Effective: cursor.point.Position, Position: cursor.position}
	q.History.Points = []storage.Point{cursor.point}
	return &cursor, nil
}

func (s *Server) feedItemJSON(caller domain.Caller, item storage.FeedItem) jsontext.Value {
	if item.Entry != nil {
		return s.entryJSON(caller, item.Entry, beside{op: "put", resident: item.Resident})
	}
	return jsontext.Value(`{"home_id":"` + item.DropHome.String() + `","job_id":"` + item.DropJob.String() + `","op":"drop","position":` + strconv.FormatInt(item.Place.Position, 10) +
		`,"reason":"` + item.DropReason + `"}`)
}

// jobEntries answers one job whole, for a device whose copy of it differs.
func (s *Server) jobEntries(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err != nil {
		return frame.Answer{}, err
	}
	entries, err := s.db.JobEntries(ctx, caller, id)
	if err != nil {
		return frame.Answer{}, err
	}
	out := wire.List{Items: make([]jsontext.Value, len(entries))}
	for i := range entries {
		out.Items[i] = s.entryJSON(caller, &entries[i], beside{})
	}
	return frame.Answer{Body: out}, nil
}

type changesQuery struct {
	// `0`, or the last `next_after`. Roles that see the whole program may give a position.
	After string `json:"after,omitzero" validate:"omitempty,min=1,max=200" default:"0"`
	frame.LimitQuery
	// How long the answer may wait for news, in seconds. It may come earlier, and empty.
	WaitS int `json:"wait_s,omitzero" validate:"omitempty,gte=0,lte=25" default:"0"`
	// Only these kinds, separated by commas. It makes a cursor of its own.
	Kinds string `json:"kinds,omitzero" validate:"omitempty,max=400" pattern:"^[a-z_]+(,[a-z_]+)*$"`
	// Every version or the newest only; roles with a scope get the newest only.
	Versions string `json:"versions,omitzero" validate:"omitempty,oneof=all latest"`
	// The newest receipt that the device has.
	Receipt string `json:"receipt,omitzero" validate:"omitempty,min=1,max=200"`
}

// changesOperations are what the contract says of the operations of this file.
func changesOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"getSync": {
			Tag: "Sync", Summary: "What a device needs to start",
			Description: "Epoch, head, limits, and per job in the caller's scope the count and checksum of its newest entries. A device " +
				"whose own checksum differs drops its copy of that job and reads `/v1/jobs/{id}/entries`.",
			Gives: []frame.Gives{
				{Status: 200, What: "The start.", Body: wire.Start{}},
			},
			Also: []int{426},
		},
		"getChanges": {
			Tag: "Sync", Summary: "What is new for the caller",
			Description: "Every accepted version in one fixed order, cut to what the caller may see. Roles with a scope (field, " +
				"contractor, inspector) get each record once, in its newest version; the others get all versions unless they ask " +
				"for the latest. A job that leaves the scope comes as an item with `op` `drop`: delete the job and every record that names " +
				"it in `job_id`; its home in `home_id`, the home's resident and their contact too, unless another job at that home is " +
				"still on the device; and what only they refer to, such as a crew member of another firm. Pull until `more` is false.",
			Query:   changesQuery{},
			Headers: []string{"If-None-Match"},
			Gives: []frame.Gives{
				{Status: 200, What: "A page of the feed. Its ETag is the cursor.", Body: wire.Feed{}, Headers: []string{"ETag"}},
				{Status: 304, What: "The caller has the newest already."},
			},
			Also: []int{409, 426},
		},
		"entriesOfJob": {
			Tag: "Sync", Summary: "One job whole, newest versions, voided ones too",
			Description: "From one moment. For a device whose checksum of the job differs from that of `/v1/sync`: it drops its copy and takes this one.",
			Gives: []frame.Gives{
				{Status: 200, What: "A page of entries.", Body: wire.List{}},
			},
		},
	}
}

const pointBytes = 16 + 8 + 4

func appendPoint(b []byte, p storage.Point) []byte {
	b = binary.BigEndian.AppendUint64(append(b, p.Epoch[:]...), uint64(p.Position))
	return append(b, p.Link[:]...)
}

func pointIn(b []byte) storage.Point {
	return storage.Point{Epoch: domain.UUID(b[:16]), Position: int64(binary.BigEndian.Uint64(b[16:24])), Link: [4]byte(b[24:28])}
}

// receiptSeal seals receipts: the point of the highest position of a push. What
// others made before it the device may not have pulled.
func receiptSeal(key []byte) frame.Seal { return frame.NewSeal(key, "receipt") }

func writeReceipt(key []byte, p storage.Point) string {
	return receiptSeal(key).Write(appendPoint(nil, p))
}

func readReceipt(key []byte, text string) (storage.Point, bool) {
	b, ok := receiptSeal(key).Read(text, pointBytes)
	if !ok {
		return storage.Point{}, false
	}
	return pointIn(b), true
}

// A feedCursor is where a reader of the feed stands: the point of its effective
// position, and the position.
type feedCursor struct {
	point    storage.Point
	position int64
}

// cursorSeal binds a cursor of the feed to its kinds and to who sees what.
func cursorSeal(key []byte, caller domain.Caller, kinds, versions string) frame.Seal {
	return frame.NewSeal(key, "cursor "+caller.Contractor.String()+strconv.FormatBool(caller.Scoped())+kinds+"/"+versions)
}

func (c feedCursor) write(s frame.Seal) string {
	return s.Write(binary.BigEndian.AppendUint64(appendPoint(nil, c.point), uint64(c.position)))
}

func readFeedCursor(s frame.Seal, text string) (feedCursor, error) {
	b, ok := s.Read(text, pointBytes+8)
	if !ok {
		return feedCursor{}, frame.CursorInvalid()
	}
	return feedCursor{pointIn(b), int64(binary.BigEndian.Uint64(b[pointBytes:]))}, nil
}

// epochSpread is the time over which the devices of a program come back
// after a restore, so that they do not all come at once.
const epochSpread = 10 * time.Minute

// epochChanged tells a device to mark what it sent as unsent and pull again:
// from where both histories are the same, if that is known and its cursor had
// come no further. Every other error is given back.
func epochChanged(caller domain.Caller, err error, cursor *feedCursor, s frame.Seal) error {
	var changed *storage.EpochChanged
	if !errors.As(err, &changed) {
		return err
	}
	wait := time.Duration(binary.BigEndian.Uint32(caller.Token[12:])%uint32(epochSpread/time.Second)) * time.Second
	also := map[string]any{"epoch": changed.Head.Epoch, "retry_after_s": wait.Seconds()}
	if shared := changed.Shared; shared.Position > 0 {
		also["shared_up_to_position"] = shared.Position
		if cursor != nil && cursor.point == shared {
			shared.Epoch = changed.Head.Epoch
			also["after"] = feedCursor{shared, cursor.position}.write(s)
		}
	}
	return &domain.Error{Code: domain.EpochChanged, RetryAfter: max(wait, time.Second), Also: also,
		Detail: "the service's history was restored: send again what you sent and keep, then pull"}
}
