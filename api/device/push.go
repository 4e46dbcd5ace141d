package device

import (
	"context"
	"errors"
	"net/http"
	"time"

	"ductledger/api/strict"
	"ductledger/api/wire"
	"ductledger/domain"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Push sends until nothing is left. After a timeout the batch is halved, down
// to one item: a large one may never get through a thin link.
func (d *Device) Push(ctx context.Context) error {
	size, failures := d.o.BatchItems, 0
	for {
		batch := d.next(size)
		if len(batch) == 0 {
			return nil
		}
		again, err := d.send(ctx, batch)
		var problem *Problem
		switch {
		case err == nil && !again:
			failures = 0
			continue
		case errors.As(err, &problem) && problem.Code == "epoch_changed":
			if err := d.historyLost(ctx, problem); err != nil {
				return err
			}
			continue
		case err != nil && !d.again(ctx, err):
			return err
		case timedOut(err):
			size = max(len(batch)/2, 1)
		}
		if failures++; failures == d.o.Tries {
			return errors.Join(errNoAnswer, err)
		}
		if err := d.pause(ctx, failures, err); err != nil {
			return err
		}
	}
}

var errNoAnswer = errors.New("the service did not take the work; it stays on the device and is sent with the next signal")

// next takes what is to be sent: unanswered contents as they were sent, else
// the newest ones.
func (d *Device) next(size int) (batch []*note) {
	bytes := 0
	for _, n := range d.which((*note).owes) {
		bytes += len(n.newest()) + itemOverhead
		if len(batch) > 0 && (len(batch) == size || bytes > d.o.BatchBytes) {
			break
		}
		if n.Sending == nil {
			n.Sending, n.Draft = n.Draft, nil
		}
		batch = append(batch, n)
	}
	return batch
}

// itemOverhead is what an item is longer than its record, bytes.
const itemOverhead = 120

// send sends one batch and takes in the answers; again asks for a pause.
func (d *Device) send(ctx context.Context, batch []*note) (again bool, err error) {
	if err := d.save(batch...); err != nil { // what is on its way is known after a restart
		return false, err
	}
	body, err := d.batch(batch)
	if err != nil {
		return false, err
	}
	text, err := d.call(ctx, http.MethodPost, "/v1/batches", body)
	if err != nil {
		return false, err
	}
	var answer wire.BatchAnswer
	if err := json.Unmarshal(text, &answer); err != nil {
		return false, err
	}
	for _, item := range answer.Items {
		if item.Index < 0 || item.Index >= len(batch) {
			continue
		}
		again = d.answered(batch[item.Index], item) || again
	}
	for _, job := range answer.Jobs {
		d.counts[job.JobID] = job
	}
	d.mark.Epoch = answer.Epoch.String()
	if answer.Receipt != "" {
		d.mark.Receipt = answer.Receipt
	}
	return again, errors.Join(d.save(batch...), d.saveMark())
}

func (d *Device) batch(notes []*note) ([]byte, error) {
	now := d.o.Now()
	b := wire.Batch{Epoch: d.mark.Epoch, Receipt: d.mark.Receipt, SentAt: &now, Client: &d.o.Client, Pending: d.pending(notes)}
	for _, n := range notes {
		item := wire.Item{Kind: n.Kind, ID: n.ID, BaseVersion: n.Sending.Base, Record: strict.Record{Raw: n.Sending.Record}, Resolves: n.Sending.Resolves}
		if n.Sending.Void != "" {
			item.Record, item.Void = strict.Record{}, &wire.Reason{Reason: n.Sending.Void}
		}
		b.Items = append(b.Items, item)
	}
	return json.Marshal(b)
}

// pending tells what stays on the device after this batch, so that nobody
// accepts a job while work on it has not come in.
func (d *Device) pending(batch []*note) *wire.Pending {
	sent := make(map[*note]bool, len(batch))
	for _, n := range batch {
		sent[n] = true
	}
	p := &wire.Pending{}
	var oldest time.Time
	jobs := map[domain.UUID]bool{}
	for _, n := range d.which((*note).owes) {
		if sent[n] && n.Draft == nil {
			continue
		}
		p.RecordsCount++
		newest := orElse(n.Draft, n.Sending)
		if oldest.IsZero() || newest.WrittenAt.Before(oldest) {
			oldest = newest.WrittenAt
		}
		if !n.JobID.IsZero() && !jobs[n.JobID] {
			jobs[n.JobID] = true
			p.JobIDs = append(p.JobIDs, n.JobID)
		}
	}
	if p.RecordsCount > 0 {
		p.OldestAt = &oldest
	}
	p.PhotosCount = len(d.picturesOwed)
	for _, u := range d.picturesOwed {
		if !jobs[u.JobID] {
			jobs[u.JobID] = true
			p.JobIDs = append(p.JobIDs, u.JobID)
		}
	}
	return p
}

// answered takes in what became of one item; true when it must be sent again.
func (d *Device) answered(n *note, item wire.ItemAnswer) (again bool) {
	now := d.o.Now()
	d.mark.toldOf(item.Position)
	sent := n.Sending
	switch item.Status {
	case "created", "updated", "replayed":
		n.Sending, n.Sent, n.SentVersion, n.AnsweredAt = nil, sent, item.Version, &now
		n.SentPosition, n.Once, n.Problem, n.HeldID = item.Position, 0, nil, nil
		if item.Version >= n.Version {
			n.Version, n.Voided = item.Version, sent.Void != ""
			if sent.Record != nil {
				n.Record = sent.Record
			}
		}
		if n.Draft != nil { // it was written while the older content was under way
			n.Draft.Base, n.Draft.From = item.Version, n.Record
		}
		if item.Current != nil {
			d.takeCurrent(n, item.Current)
		}
	case "conflict":
		n.HeldID = item.HeldID
		d.conflict(n, item.Current)
	case "waiting":
		if n.Once > 0 && sent.Void != "" && sent.From != nil && n.Draft == nil {
			// The service lost the record that was voided: both are sent again,
			// once, since the record may wait for another itself.
			n.Sending, n.Draft, n.Once = &draft{Record: sent.From, WrittenAt: sent.WrittenAt}, sent, 0
			return false
		}
		n.refused(sent, now)
		n.HeldID = item.HeldID
	case "rejected":
		n.refused(sent, now)
		n.Once = 0 // its void does not bring it back for ever
		n.HeldID, n.Problem = item.HeldID, item.Problem
	default: // "retry", and what a newer service may say
		return true
	}
	return false
}

// refused keeps what is held by the service: a restored one may have lost it.
func (n *note) refused(sent *draft, now time.Time) {
	n.Sending, n.Sent, n.SentVersion, n.SentPosition, n.AnsweredAt = nil, sent, 0, 0, &now
}

// takeCurrent takes the newest version that came along.
func (d *Device) takeCurrent(n *note, current jsontext.Value) {
	var e entry
	if json.Unmarshal(current, &e) != nil {
		return
	}
	d.mark.toldOf(e.Position)
	if e.Version > n.Version {
		n.Version, n.Record, n.Voided = e.Version, e.Record, e.Void != nil
	}
}
