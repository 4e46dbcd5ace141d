package wire

import (
	"time"

	"ductledger/domain"

	"github.com/go-json-experiment/json/jsontext"
)

// Batch is many records at once.
type Batch struct {
	Epoch    string           `json:"epoch,omitzero"`
	Receipt  string           `json:"receipt,omitzero"`
	SentAt   *time.Time       `json:"sent_at,omitzero"`
	DeviceID *domain.UUID     `json:"device_id,omitzero"` // for staff who deliver a device's outbox
	Client   *Client          `json:"client,omitzero"`
	Pending  *Pending         `json:"pending,omitzero"`
	Items    []jsontext.Value `json:"items"`
}

// Client is the app that sends. Schema is its revision of the contract.
type Client struct {
	Name    string `json:"name,omitzero"`
	Version string `json:"version,omitzero"`
	Schema  int    `json:"schema,omitzero"`
}

// Pending is what a device still has to send.
type Pending struct {
	RecordsCount int           `json:"records_count,omitzero"`
	PhotosCount  int           `json:"photos_count,omitzero"`
	OldestAt     *time.Time    `json:"oldest_at,omitzero"`
	JobIDs       []domain.UUID `json:"job_ids,omitzero"`
}

// Item is one record, or the voiding of one.
type Item struct {
	Kind        domain.Kind    `json:"kind"`
	ID          domain.UUID    `json:"id"`
	BaseVersion int64          `json:"base_version,omitzero"`
	Record      jsontext.Value `json:"record,omitzero"`
	Void        *Reason        `json:"void,omitzero"`
	Resolves    *domain.UUID   `json:"resolves,omitzero"`
}

// Reason is why a record no longer counts.
type Reason struct {
	Reason string `json:"reason"`
}

// BatchAnswer is what became of a batch.
type BatchAnswer struct {
	Epoch         domain.UUID  `json:"epoch,omitzero"`
	Receipt       string       `json:"receipt,omitzero"`
	ReceivedAt    string       `json:"received_at"`
	HeldOpenCount int          `json:"held_open_count"`
	RetryAfterS   float64      `json:"retry_after_s,omitzero"`
	Items         []ItemAnswer `json:"items"`
	Jobs          []JobCounts  `json:"jobs"`
}

// ItemAnswer is what became of one item.
type ItemAnswer struct {
	Index    int            `json:"index"`
	ID       string         `json:"id,omitzero"`
	Status   string         `json:"status"`
	Version  int64          `json:"version,omitzero"`
	Position int64          `json:"position,omitzero"`
	HeldID   *domain.UUID   `json:"held_id,omitzero"`
	Current  jsontext.Value `json:"current,omitzero"`
	Problem  jsontext.Value `json:"problem,omitzero"`
}

// JobCounts are the findings of one touched job in numbers.
type JobCounts struct {
	JobID            domain.UUID `json:"job_id"`
	MustFixCount     int         `json:"must_fix_count"`
	CheckCount       int         `json:"check_count"`
	NoteCount        int         `json:"note_count"`
	NotRecordedCount int         `json:"not_recorded_count"`
}
