package device

import (
	"context"
	"errors"
	"net/url"
	"slices"
	"time"

	"ductledger/api/wire"
	"ductledger/domain"
	"ductledger/domain/ledger"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Pull reads the feed to its end. A job may be shown once Pull has returned.
func (d *Device) Pull(ctx context.Context) error {
	d.expire()
	for {
		query := url.Values{"after": {orElse(d.mark.Cursor, "0")}, "limit": {"500"}}
		if d.mark.Receipt != "" {
			query.Set("receipt", d.mark.Receipt)
		}
		var feed wire.Feed
		err := d.get(ctx, "/v1/changes?"+query.Encode(), &feed)
		var problem *Problem
		switch {
		case errors.As(err, &problem) && problem.Code == "epoch_changed":
			if err := d.beginAgain(problem); err != nil {
				return err
			}
			continue
		case errors.As(err, &problem) && problem.Code == string(domain.CursorInvalid) && d.mark.Cursor != "":
			if err := d.pullAfresh(); err != nil {
				return err
			}
			continue
		case err != nil:
			return err
		}
		for _, item := range feed.Items {
			if err := d.take(ctx, item); err != nil {
				return err
			}
		}
		d.mark.Epoch, d.mark.Cursor = feed.Epoch.String(), feed.NextAfter
		if err := d.saveMark(); err != nil {
			return err
		}
		if !feed.More {
			return errors.Join(d.forgetStale(), d.renew(ctx))
		}
	}
}

// halfLease is when the device asks for a contact again: half of the time for
// which the service gives it.
const halfLease = 84 * time.Hour

// renew asks for the contacts anew whose time ends soon or has ended. The feed
// brings a home only when it changed.
func (d *Device) renew(ctx context.Context) error {
	soon := d.o.Now().Add(halfLease)
	for _, n := range d.which(func(n *note) bool { return n.Dropped == nil && n.ContactUntil != nil && soon.After(*n.ContactUntil) }) {
		var home entry
		if err := d.get(ctx, "/v1/homes/"+n.ID.String(), &home); err != nil {
			return err
		}
		if err := errors.Join(d.takeEntry(&home), d.saveMark()); err != nil {
			return err
		}
	}
	return nil
}

// take takes in one item of the feed. Items that it does not understand are
// of a newer service, and skipped.
func (d *Device) take(ctx context.Context, text jsontext.Value) error {
	var e entry
	if err := json.Unmarshal(text, &e); err != nil {
		return nil
	}
	switch e.Op {
	case "put":
		if e.Kind.Rank() < 0 {
			return nil
		}
		return d.takeEntry(&e)
	case "drop":
		return d.drop(ctx, e.JobID)
	}
	return nil
}

func (d *Device) takeEntry(e *entry) error {
	n := d.note(key{e.Kind, e.ID})
	d.mark.toldOf(e.Position)
	known := n.Version
	if n.Stale { // of the history that was lost
		known = 0
	}
	n.JobID, n.Stale, n.Dropped = e.JobID, false, nil
	if e.Version >= known {
		n.Version, n.Record, n.Voided = e.Version, e.Record, e.Void != nil
	}
	if e.Kind == domain.HomeKind { // without a contact it was erased
		n.Resident, n.ContactUntil = e.Resident, nil
		var until time.Time
		if e.ContactUntil != nil && json.Unmarshal(e.ContactUntil, &until) == nil {
			n.ContactUntil = &until
		}
	}
	return d.save(n)
}

// drop sends what the device still has of a job that is no longer its own,
// then deletes the resident's contact and all else of it. What was sent stays
// out of sight for a while.
func (d *Device) drop(ctx context.Context, job domain.UUID) error {
	of := d.which(func(n *note) bool { return n.JobID == job })
	owes := slices.ContainsFunc(of, (*note).owes)
	if home := d.homeOf(job); home != nil {
		home.Resident, home.ContactUntil = nil, nil
		if err := d.save(home); err != nil {
			return err
		}
		of = append(of, home)
	}
	if owes {
		if err := d.Push(ctx); err != nil {
			return err
		}
	}
	now := d.o.Now()
	for _, n := range of {
		if n.Sent == nil && !n.owes() {
			if err := d.forget(n.key()); err != nil {
				return err
			}
			continue
		}
		n.Record, n.Dropped = nil, &now
		if err := d.save(n); err != nil {
			return err
		}
	}
	return nil
}

// homeOf is the home of a job, where no other job on the device is there.
func (d *Device) homeOf(job domain.UUID) *note {
	home := func(n *note) (id domain.UUID) {
		var record domain.Job
		if text := n.newest(); text != nil && json.Unmarshal(text, &record) == nil {
			id = record.HomeID
		}
		return id
	}
	own := d.notes[key{domain.JobKind, job}]
	if own == nil {
		return nil
	}
	id := home(own)
	for k, n := range d.notes {
		if k.kind == domain.JobKind && k.id != job && n.Dropped == nil && home(n) == id {
			return nil
		}
	}
	return d.notes[key{domain.HomeKind, id}]
}

// Check compares the sum over each job's versions with the service's, and
// fetches a job that differs whole. So a silent difference is found and cured.
func (d *Device) Check(ctx context.Context) (cured int, err error) {
	var start wire.Start
	if err := d.get(ctx, "/v1/sync", &start); err != nil {
		return 0, err
	}
	sums := d.sums()
	for _, job := range start.Jobs {
		if sums[job.JobID].String() == job.Checksum {
			continue
		}
		if err := d.fetch(ctx, job.JobID); err != nil {
			return cured, err
		}
		cured++
	}
	return cured, nil
}

// sums are the checksums over what the device has of each job.
func (d *Device) sums() map[domain.UUID]ledger.Checksum {
	sums := map[domain.UUID]ledger.Checksum{}
	for k, n := range d.notes {
		if !n.JobID.IsZero() && n.Version > 0 && n.Dropped == nil {
			sums[n.JobID] = sums[n.JobID].Add(k.kind, k.id, n.Version)
		}
	}
	return sums
}

// fetch replaces the device's copy of a job; what it has not delivered stays.
func (d *Device) fetch(ctx context.Context, job domain.UUID) error {
	var list wire.List
	if err := d.get(ctx, "/v1/jobs/"+job.String()+"/entries", &list); err != nil {
		return err
	}
	for k, n := range d.notes {
		if n.JobID != job {
			continue
		}
		n.Version, n.Record, n.Voided = 0, nil, false
		if !n.owes() && n.Sent == nil {
			if err := d.forget(k); err != nil {
				return err
			}
		}
	}
	for _, text := range list.Items {
		var e entry
		if err := json.Unmarshal(text, &e); err != nil || e.Kind.Rank() < 0 {
			continue
		}
		if err := d.takeEntry(&e); err != nil {
			return err
		}
	}
	return d.saveMark()
}
