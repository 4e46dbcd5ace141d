package device

import (
	"cmp"
	"slices"
	"time"

	"ductledger/domain"

	"github.com/go-json-experiment/json/jsontext"
)

// note is one record as the device knows it. A content moves from Draft to
// Sending to Sent; while one is unanswered, a newer one waits in Draft.
type note struct {
	Kind  domain.Kind `json:"kind"`
	ID    domain.UUID `json:"id"`
	JobID domain.UUID `json:"job_id,omitzero"`

	Version int64          `json:"version,omitzero"` // the newest that the service told of
	Record  jsontext.Value `json:"record,omitzero"`  // its content
	Voided  bool           `json:"voided,omitzero"`

	Draft   *draft `json:"draft,omitzero"`
	Sending *draft `json:"sending,omitzero"`
	Sent    *draft `json:"sent,omitzero"`

	SentVersion  int64      `json:"sent_version,omitzero"`  // that Sent became; 0: it was refused or waits
	SentPosition int64      `json:"sent_position,omitzero"` // of that version
	AnsweredAt   *time.Time `json:"answered_at,omitzero"`
	// Once is the version that Sent became before the service lost history;
	// set while it is sent again.
	Once int64 `json:"once,omitzero"`

	HeldID    *domain.UUID   `json:"held_id,omitzero"`
	Problem   jsontext.Value `json:"problem,omitzero"`
	Contested []Contest      `json:"contested,omitzero"`

	Resident     jsontext.Value `json:"resident,omitzero"`
	ContactUntil *time.Time     `json:"contact_until_at,omitzero"`

	Dropped *time.Time `json:"dropped,omitzero"` // the job left the device's scope; what was sent is kept a while
	Stale   bool       `json:"stale,omitzero"`   // not seen again since the service lost history
}

// draft is one content on its way.
type draft struct {
	Base      int64          `json:"base,omitzero"` // the version that it was made on
	From      jsontext.Value `json:"from,omitzero"` // that version's content, for merging
	Record    jsontext.Value `json:"record,omitzero"`
	Void      string         `json:"void,omitzero"`
	Resolves  *domain.UUID   `json:"resolves,omitzero"` // the held item that it settles
	WrittenAt time.Time      `json:"written_at"`
}

// keepSent is how long what was sent stays on the device after its answer: a
// restored service may ask for it.
const keepSent = 30 * 24 * time.Hour

// oneNight is how long it stays at least after its job has left.
const oneNight = 24 * time.Hour

func (d *Device) note(k key) *note {
	n := d.notes[k]
	if n == nil {
		n = &note{Kind: k.kind, ID: k.id}
		d.notes[k] = n
	}
	return n
}

func (n *note) key() key { return key{n.Kind, n.ID} }

// owes tells whether the service has not answered the newest content.
func (n *note) owes() bool { return n.Draft != nil || n.Sending != nil }

// newest is the content that the crew sees.
func (n *note) newest() jsontext.Value {
	for _, d := range []*draft{n.Draft, n.Sending} {
		if d != nil && d.Record != nil {
			return d.Record
		}
	}
	if n.Record == nil && n.Sent != nil { // it waits for another record, or was refused
		return n.Sent.Record
	}
	return n.Record
}

// which are the notes that fit, job by job, parents before children.
func (d *Device) which(fits func(*note) bool) []*note {
	var list []*note
	for _, n := range d.notes {
		if fits(n) {
			list = append(list, n)
		}
	}
	slices.SortFunc(list, func(a, b *note) int {
		return cmp.Or(a.JobID.Compare(b.JobID), cmp.Compare(a.Kind.Rank(), b.Kind.Rank()), a.ID.Compare(b.ID))
	})
	return list
}

// expire deletes contacts that may not be kept any longer, and what was sent
// long ago of jobs that left.
func (d *Device) expire() {
	now := d.o.Now()
	for k, n := range d.notes {
		if n.Resident != nil && n.ContactUntil != nil && now.After(*n.ContactUntil) {
			n.Resident = nil // Pull asks for it again
			_ = d.save(n)    // it is deleted again at the next start
		}
		if n.Dropped != nil && now.Sub(*n.Dropped) > oneNight && (n.AnsweredAt == nil || now.Sub(*n.AnsweredAt) > keepSent) {
			_ = d.forget(k)
		}
	}
}
