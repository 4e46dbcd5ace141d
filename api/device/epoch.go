package device

import "context"

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
	known := d.which(func(n *note) bool { return n.Version > 0 || n.Sent != nil })
	for _, n := range known {
		shared := n.SentPosition > 0 && n.SentPosition <= p.SharedUpTo
		if n.Sent != nil && !shared {
			n.Once, n.SentPosition = max(n.SentVersion, n.Version), 0
			if n.Sending == nil {
				n.Sending = n.Sent
			}
		}
		n.Stale = p.After == ""
	}
	if err := d.save(known...); err != nil {
		return err
	}
	d.mark = mark{Epoch: p.Epoch, Cursor: p.After}
	return d.saveMark() // last: without it the service says the same once more
}

// forgetStale forgets, after a pull from the beginning, what others made and
// the service no longer has, or no longer shows. What the device sent itself
// goes out of sight and is sent; it comes back with the feed if it may be seen.
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
		if n.Dropped == nil {
			n.Dropped = &now
		}
		if err := d.save(n); err != nil {
			return err
		}
	}
	return nil
}
