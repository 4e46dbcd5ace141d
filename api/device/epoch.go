package device

import "context"

// historyLost answers epoch_changed during a push: the device marks what it
// sent as unsent, pulls, and goes on pushing.
func (d *Device) historyLost(ctx context.Context, p *Problem) error {
	d.beginAgain(p)
	if err := d.pause(ctx, 1, p); err != nil {
		return err
	}
	return d.Pull(ctx)
}

// beginAgain marks everything that the device sent and still keeps as unsent,
// as it was sent and on the same version, but what the service says that it
// shares with us. Most of it will be answered "replayed".
func (d *Device) beginAgain(p *Problem) {
	for _, n := range d.notes {
		shared := n.SentPosition > 0 && n.SentPosition <= p.SharedUpTo
		if n.Sent != nil && !shared {
			n.Once = max(n.SentVersion, n.Version)
			if n.Sending == nil {
				n.Sending = n.Sent
			}
		}
		n.stale = p.After == ""
	}
	d.mark = mark{Epoch: p.Epoch, Cursor: p.After}
	_ = d.saveMark() // without it the service says the same once more
}

// forgetStale forgets, after a pull from the beginning, what others made and
// the service no longer has.
func (d *Device) forgetStale() error {
	for k, n := range d.notes {
		if !n.stale {
			continue
		}
		n.stale = false
		n.Version, n.Record = 0, nil
		if !n.owes() && n.Sent == nil {
			if err := d.forget(k); err != nil {
				return err
			}
			continue
		}
		if err := d.save(n); err != nil {
			return err
		}
	}
	return nil
}
