package device

import (
	"time"

	"ductledger/domain"
	"ductledger/domain/ledger"

	"github.com/go-json-experiment/json/jsontext"
)

// Kept is what the device keeps of one record, for tests.
type Kept struct {
	Kind         domain.Kind
	ID           domain.UUID
	JobID        domain.UUID
	Version      int64
	Record       jsontext.Value
	Voided       bool
	Dropped      bool
	Resident     jsontext.Value
	ContactUntil *time.Time
}

// Kept lists all of it.
func (d *Device) Kept() (list []Kept) {
	for _, n := range d.which(func(*note) bool { return true }) {
		list = append(list, Kept{n.Kind, n.ID, n.JobID, n.Version, n.Record, n.Voided, n.Dropped != nil, n.Resident, n.ContactUntil})
	}
	return list
}

// Sums are the checksums of the jobs on the device.
func (d *Device) Sums() map[domain.UUID]ledger.Checksum { return d.sums() }

// LoseCursor gives the device a cursor that the service does not know.
func (d *Device) LoseCursor() { d.mark.Cursor = "AAAA" }

// Cursor is where the device stands in the feed.
func (d *Device) Cursor() string { return d.mark.Cursor }
