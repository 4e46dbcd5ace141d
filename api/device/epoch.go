package device

import (
	"context"

	"ductledger/domain"
)

// historyLost answers epoch_changed during a push: the device marks what it
// sent as unsent, pulls, and goes on pushing.
func (d *Device) historyLost(ctx context.Context, p *Problem) error {
	if err := d.beginAgain(p); err != nil {
		return err
	}
	if err := d.pause(ctx, 1, p); err != nil {
		return err
	}
	return d.Pull(ctx)
}

// beginAgain marks everything that the device sent and still keeps as unsent,
// as it was sent and on the same version, but what the service says that it
// shares with us. Most of it will be answered "replayed".
func (d *Device) beginAgain(p *Problem) error {
	after := p.After
	if d.mark.Told > p.SharedUpTo {
		after = "" // the feed tells what became of that only from the beginning
	}
	known := d.which(func(n *note) bool { return n.Version > 0 || n.Sent != nil })
	for _, n := range known {
		shared := n.SentPosition > 0 && n.SentPosition <= p.SharedUpTo
		if n.Sent != nil && !shared {
			n.Once, n.SentPosition = max(n.SentVersion, n.Version), 0
			if n.Sending == nil {
				n.Sending = n.Sent
			}
		}
		n.Stale = after == ""
	}
	if err := d.save(known...); err != nil {
		return err
	}
	d.mark = mark{Epoch: p.Epoch, Cursor: after}
	return d.saveMark() // last: without it the service says the same once more
}

// pullAfresh lets the next pull begin at the beginning, since the service does
// not know the cursor. What was sent was sent to this history and stays so.
func (d *Device) pullAfresh() error {
	known := d.which(func(n *note) bool { return n.Version > 0 })
	for _, n := range known {
		n.Stale = true
	}
	if err := d.save(known...); err != nil {
		return err
	}
	d.mark.Cursor = ""
	return d.saveMark()
}

// forgetStale forgets, after a pull from the beginning, what others made and
// the service no longer has, or no longer shows. What the device wrote itself
// is sent, and goes out of sight where its job did.
func (d *Device) forgetStale() error {
	now := d.o.Now()
	for _, n := range d.which(func(n *note) bool { return n.Stale }) {
		n.Stale, n.Version, n.Record, n.Resident, n.ContactUntil = false, 0, nil, nil, nil
		if !n.owes() && n.Sent == nil {
			if err := d.forget(n.key()); err != nil {
				return err
			}
			continue
		}
		if n.Dropped == nil && (n.Kind == domain.JobKind || n.JobID.IsZero()) {
			n.Dropped = &now // it comes back with the feed if it may be seen
		}
		if err := d.save(n); err != nil {
			return err
		}
	}
	left := func(n *note) bool {
		job := d.notes[key{domain.JobKind, n.JobID}]
		return n.Dropped == nil && !n.JobID.IsZero() && (job == nil || job.Dropped != nil)
	}
	of := d.which(left)
	for _, n := range of {
		n.Dropped = &now
	}
	return d.save(of...)
}
