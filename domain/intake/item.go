package intake

import (
	"fmt"
	"time"

	"ductledger/domain"
	"ductledger/domain/ledger"

	"github.com/go-json-experiment/json"
)

// Item is one record, or the voiding of one, as it arrived.
type Item struct {
	Index       int // its place in the batch; -1 for a held item that comes along
	Kind        domain.Kind
	ID          domain.UUID
	BaseVersion int64
	Record      domain.Record // nil for a void
	Body        []byte        // the record in the form of RFC 8785
	Void        string        // the reason, of a void
	Digest      ledger.Digest // of the content apart from its free texts: the body, or the void object
	Texts       []string      // the free texts of the content
	Resolves    domain.UUID   // the held item that this one settles
	Raw         []byte        // the item as it came, for held
	Keep        []string      // members newer than the app that sent it: their stored values stay
	AsSent      []byte        // the body before the office's members were put back; nil: it holds none of a crew's
	Overruled   []string      // members of a crew's item that the office sets and that stand otherwise than they were sent
	Problem     *domain.Error // why its shape is refused, if it is

	// Who made it and when it came; of a held item its own, not the batch's.
	HeldID          domain.UUID
	By              *domain.Caller // of a held item that comes along; nil: the caller of the batch
	DeviceID        domain.UUID
	TokenID         domain.UUID
	PersonID        domain.UUID // who held the token
	AppliedBy       domain.UUID // the token that applied a held item, and its person
	AppliedByPerson domain.UUID
	ReceivedAt      time.Time
	ClockOffsetS    *float64
}

// SentBy says whose item it is.
func (i *Item) SentBy(caller domain.Caller) {
	i.TokenID, i.PersonID, i.DeviceID = caller.Token, caller.Person, caller.Device
}

// Take gives the item its record, of which body is the form of RFC 8785.
func (i *Item) Take(record domain.Record, body []byte) {
	bare, texts := domain.SplitTexts(i.Kind, body)
	i.Record, i.Body, i.Digest, i.Texts = record, body, ledger.ContentDigest(bare), nil
	for _, t := range texts {
		i.Texts = append(i.Texts, t.Text)
	}
}

// TakeVoid makes the item the voiding of its record.
func (i *Item) TakeVoid(reason string) {
	i.Void, i.Digest, i.Texts = reason, ledger.ContentDigest(ledger.VoidContent), []string{reason}
}

// Key names a record.
type Key struct {
	Kind domain.Kind
	ID   domain.UUID
}

// Key is the record that the item is about.
func (i *Item) Key() Key { return Key{i.Kind, i.ID} }

// Status is what became of an item.
type Status string

// The statuses; only Retry need be sent again.
const (
	Created  Status = "created"
	Updated  Status = "updated"
	Replayed Status = "replayed"
	Conflict Status = "conflict"
	Waiting  Status = "waiting"
	Rejected Status = "rejected"
	Retry    Status = "retry"
)

// Accepted tells the statuses that make a version.
func (s Status) Accepted() bool { return s == Created || s == Updated }

// Decision is what became of one item.
type Decision struct {
	Item     *Item
	Status   Status
	Version  int64         // the version that was made, or that is the same
	Position int64         // of the version that was made, once it has one
	Current  int64         // the newest version, if it is another; 0 if none is known to the caller
	Problem  *domain.Error // of conflict, waiting and rejected
	Missing  domain.Ref    // of waiting
	JobID    domain.UUID   // of its job, once known
	// ContractorID is whose it is, of what belongs to a contractor and to no job.
	ContractorID domain.UUID
	Late         bool
	// StartedByCrew stands for the job after it, of a version of a job.
	StartedByCrew bool
	// ResidentRevision counts the changes of a home\'s resident, of a version
	// that such a change made.
	ResidentRevision int64
	// Corrects tells a correction: its job's result begins anew, accepted as before.
	Corrects bool
	// Made by the service in consequence of another item: a review moves its job.
	Consequence bool
	Body        []byte        // what the ledger keeps, of an accepted version: a void keeps the record's
	Void        *domain.Void  // of an accepted void
	Texts       *domain.Texts // of an accepted version, once it has a position
	moves       *Item         // the job's new version, of a review that moves it
}

// NewItem makes the item of a record that is written by the program itself.
func NewItem(kind domain.Kind, id domain.UUID, record domain.Record) (*Item, error) {
	raw, err := json.Marshal(record)
	if err != nil {
		return nil, fmt.Errorf("write a %s: %w", kind, err)
	}
	body, err := ledger.Canonical(raw)
	if err != nil {
		return nil, fmt.Errorf("write a %s: %w", kind, err)
	}
	item := &Item{Kind: kind, ID: id, Raw: body}
	item.Take(record, body)
	return item, nil
}
