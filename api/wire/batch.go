package wire

import (
	"time"

	"ductledger/api/strict"
	"ductledger/domain"
	"ductledger/domain/rules"

	"github.com/go-json-experiment/json/jsontext"
)

// Many records at once. Each item is judged alone: one that is not as told here is refused by itself and kept, and
// never stops another. All but `items` is expected of a device and may be absent.
type Batch struct {
	// One unbroken history of a program.
	Epoch string `json:"epoch,omitzero" validate:"omitempty,min=1,max=64"`
	// Proof of the highest position of a push. A device sends its newest one with each pull and push.
	Receipt string `json:"receipt,omitzero" validate:"omitempty,min=1,max=200"`
	// The device's clock when it sent.
	SentAt *time.Time `json:"sent_at,omitzero"`
	// For staff who deliver a device's outbox for it.
	DeviceID *domain.UUID `json:"device_id,omitzero"`
	Client   *Client      `json:"client,omitzero"`
	Pending  *Pending     `json:"pending,omitzero"`
	// The items, in any order; none is a sign of life.
	Items []Item `json:"items" validate:"max=500" schema:"BatchItem"`
}

// Client is the app that sends. Schema is its revision of the contract.
type Client struct {
	Name    string `json:"name,omitzero" validate:"omitempty,min=1,max=120"`
	Version string `json:"version,omitzero" validate:"omitempty,min=1,max=60"`
	// The revision of this file that the app knows; absent means 1.
	Schema int `json:"schema,omitzero" validate:"omitempty,gte=1,lte=1000000"`
}

// What the device still has to deliver.
type Pending struct {
	RecordsCount int           `json:"records_count,omitzero" validate:"omitempty,gte=0"`
	PhotosCount  int           `json:"photos_count,omitzero" validate:"omitempty,gte=0"`
	OldestAt     *time.Time    `json:"oldest_at,omitzero"`
	JobIDs       []domain.UUID `json:"job_ids,omitzero" validate:"omitempty,max=500,unique"`
}

// One item of a batch, with either `record` or `void`.
type Item struct {
	Kind domain.Kind `json:"kind"`
	ID   domain.UUID `json:"id"`
	// The version that was edited; 0 for a new record.
	BaseVersion int64 `json:"base_version,omitzero" validate:"omitempty,gte=0"`
	// A record of the kind; it is checked against the kind's own schema.
	Record strict.Record `json:"record,omitzero"`
	Void   *Reason       `json:"void,omitzero"`
	// The held item that this one settles.
	Resolves *domain.UUID `json:"resolves,omitzero"`

	Raw    jsontext.Value `json:"-"` // as it came
	Faults strict.Faults  `json:"-"` // of this item alone
}

// Keep makes an item one that is judged by itself.
func (i *Item) Keep(raw []byte, faults strict.Faults) { i.Raw, i.Faults = raw, faults }

// Reason is why a record no longer counts.
type Reason struct {
	Reason string `json:"reason" validate:"min=1,max=2000" text:"free"`
}

// Each item's status, in the order of the items, and each touched job's findings in numbers.
type BatchAnswer struct {
	// One unbroken history of a program.
	Epoch domain.UUID `json:"epoch,omitzero" validate:"min=1,max=64"`
	// Proof of the highest position of a push. A device sends its newest one with each pull and push.
	Receipt string `json:"receipt,omitzero" validate:"min=1,max=200"`
	// The receipt was not written by this service; it told nothing, and the items were taken all the same.
	ReceiptIgnored bool `json:"receipt_ignored,omitzero"`
	// What of `sent_at` and `pending` could not be read and was left out; the items were taken all the same.
	LeftOut       []domain.Fault `json:"left_out,omitzero"`
	ReceivedAt    string         `json:"received_at"`
	HeldOpenCount int            `json:"held_open_count"`
	// Seconds after which items with `retry` may be sent again.
	RetryAfterS float64      `json:"retry_after_s,omitzero" validate:"gte=0"`
	Items       []ItemAnswer `json:"items"`
	Jobs        []JobCounts  `json:"jobs"`
}

// What became of one item. `created`, `updated` and `replayed` are accepted; `conflict`, `waiting` and `rejected` are
// kept as held items; `retry` alone need be sent again.
type ItemAnswer struct {
	Index int `json:"index" validate:"gte=0,lte=499"`
	// The item's id as sent.
	ID     string `json:"id,omitzero"`
	Status string `json:"status" validate:"oneof=created updated replayed conflict waiting rejected retry"`
	// The version of a record, 1 and up.
	Version int64 `json:"version,omitzero" validate:"gte=1"`
	// The place in the program's one order of accepted versions.
	Position int64 `json:"position,omitzero"`
	// It came after its job was accepted: it is kept and moves no figure.
	Late bool `json:"late,omitzero"`
	// What a person should know of an item that was taken.
	Notes   []string       `json:"notes,omitzero"`
	HeldID  *domain.UUID   `json:"held_id,omitzero"`
	Current jsontext.Value `json:"current,omitzero" schema:"Entry"`
	Problem jsontext.Value `json:"problem,omitzero" schema:"Problem"`
}

// A touched job's findings in numbers.
type JobCounts struct {
	JobID            domain.UUID `json:"job_id"`
	MustFixCount     int         `json:"must_fix_count"`
	CheckCount       int         `json:"check_count"`
	NoteCount        int         `json:"note_count"`
	NotRecordedCount int         `json:"not_recorded_count"`
	// What the rules find in the job now, where `findings` asks for it.
	Findings []rules.Finding `json:"findings,omitzero"`
	// Findings beyond those that one answer lists.
	FindingsMoreCount int `json:"findings_more_count,omitzero"`
}
