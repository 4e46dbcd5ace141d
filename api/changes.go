package api

import (
	"context"
	"net/http"
	"strconv"
	"strings"
	"time"

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
func (s *Server) sync(ctx context.Context, caller domain.Caller, _ *request) (answer, error) {
	start, err := s.db.Sync(ctx, caller)
	if err != nil {
		return answer{}, err
	}
	out := wire.Start{
		ServerAt: ledger.Stamp(s.now()), Epoch: start.Head.Epoch, HeadPosition: start.Head.Position,
		Client:        wire.StartClient{MinimumSchema: s.schema, CurrentSchema: currentSchema},
		Limits:        map[string]float64{"batch_items_count": 500, "body_bytes_count": float64(s.limits.BodyBytes), "page_entries_count": maxPage, "wait_s": 25},
		HeldOpenCount: start.HeldOpen, Jobs: []wire.JobSum{},
	}
	if !caller.Scoped() && caller.Role != domain.Funder {
		out.HeadLink = start.Head.Link.String()
	}
	if d := start.Device; d != nil {
		out.Device = &wire.StartDevice{ID: caller.Device, State: d.State, ContractorID: d.ContractorID}
	}
	for _, j := range start.Jobs {
		out.Jobs = append(out.Jobs, wire.JobSum{JobID: j.JobID, State: j.State, RecordCount: j.Count, Checksum: j.Checksum.String()})
	}
	return answer{Body: out}, nil
}

// changes answers the next page of what the caller may see.
func (s *Server) changes(ctx context.Context, caller domain.Caller, r *request) (answer, error) {
	if caller.DeviceClosing {
		return answer{}, domain.Errorf(domain.DeviceClosing, "the device is closing: it may deliver what it has, and no longer pull")
	}
	if !caller.Device.IsZero() && caller.AppSchema < s.schema {
		return answer{}, domain.Errorf(domain.ClientTooOld, "the app knows revision %d of the contract, %d is the oldest that can pull; what it has to deliver is still taken", caller.AppSchema, s.schema)
	}
	kinds, versions := r.Query.Get("kinds"), r.Query.Get("versions")
	q := storage.FeedQuery{Limit: r.limit(), Newest: versions == "latest"}
	if kinds != "" {
		for word := range strings.SplitSeq(kinds, ",") {
			if _, known := domain.RowOf(domain.Kind(word)); !known {
				return answer{}, domain.Errorf(domain.BadQuery, "kinds: there is no kind %q", logged(word))
			}
			q.Kinds = append(q.Kinds, domain.Kind(word))
		}
	}
	filter := filterOf(caller, kinds, versions)
	after := r.Query.Get("after")
	var marks []mark // the cursor before the receipt: only it has a place in the new history
	var err error
	if q.After, marks, err = placeOf(caller, after, filter); err != nil {
		return answer{}, err
	}
	if receipt := r.Query.Get("receipt"); receipt != "" {
		m, err := readMark(receipt)
		if err != nil {
			return answer{}, err
		}
		marks = append(marks, m)
	}
	q.Claim = claimOf(caller, "", marks...)
	feed, err := s.pull(ctx, caller, r, q)
	if err != nil {
		return answer{}, s.openEpoch(ctx, caller, err)
	}
	s.notePull(ctx, caller, q.After.Effective)
	out := wire.Feed{Epoch: feed.Head.Epoch, Items: make([]jsontext.Value, len(feed.Items)), More: feed.More}
	for i, item := range feed.Items {
		out.Items[i] = s.feedItemJSON(caller, item)
	}
	out.NextAfter = mark{epoch: feed.Head.Epoch, place: feed.Next, link: linkPart(feed.Link), filter: filter}.String()
	if len(feed.Items) == 0 && after != "" {
		out.NextAfter = after
	}
	return answer{Header: http.Header{"Etag": {`"` + out.NextAfter + `"`}}, Body: out}, nil
}

// pull reads a page, and waits for news as long as the caller asked when there
// is none.
func (s *Server) pull(ctx context.Context, caller domain.Caller, r *request, q storage.FeedQuery) (storage.Feed, error) {
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
		err = r.aside(ctx, func(ctx context.Context) error {
			return s.news.wait(ctx, caller.Program, feed.Head.Position, left)
		})
		if err != nil {
			return feed, nil // too many wait, or the service ends: an early, empty answer
		}
	}
}

// placeOf reads a cursor, and the mark that it is; "0" and none are the
// beginning, and who sees the whole program may give a bare position.
func placeOf(caller domain.Caller, after string, filter [4]byte) (storage.Place, []mark, error) {
	if after == "" || after == "0" {
		return storage.Place{}, nil, nil
	}
	if position, err := strconv.ParseInt(after, 10, 64); err == nil && position >= 0 && !caller.Scoped() {
		return storage.Place{Effective: position, Position: position}, nil, nil
	}
	m, err := readMark(after)
	if err == nil && m.filter != filter {
		err = cursorInvalid()
	}
	return m.place, []mark{m}, err
}

func (s *Server) feedItemJSON(caller domain.Caller, item storage.FeedItem) jsontext.Value {
	if item.Entry != nil {
		return s.entryJSON(caller, item.Entry, beside{op: "put", resident: item.Resident})
	}
	return jsontext.Value(`{"job_id":"` + item.DropJob.String() + `","op":"drop","position":` + strconv.FormatInt(item.Place.Position, 10) +
		`,"reason":"` + item.DropReason + `"}`)
}

// jobEntries answers one job whole, for a device whose copy of it differs.
func (s *Server) jobEntries(ctx context.Context, caller domain.Caller, r *request) (answer, error) {
	id, err := pathID(r)
	if err != nil {
		return answer{}, err
	}
	entries, err := s.db.JobEntries(ctx, caller, id)
	if err != nil {
		return answer{}, err
	}
	out := wire.List{Items: make([]jsontext.Value, len(entries))}
	for i := range entries {
		out.Items[i] = s.entryJSON(caller, &entries[i], beside{})
	}
	return answer{Body: out}, nil
}
