package wire

import (
	"ductledger/domain"

	"github.com/go-json-experiment/json/jsontext"
)

// List is a page of entries. Without `next` it is the last.
type List struct {
	Items []jsontext.Value `json:"items" schema:"Entry"`
	// What to give as `after` for the next page.
	Next string `json:"next,omitzero"`
}

// A page of the feed. `next_after` is always there.
type Feed struct {
	// One unbroken history of a program.
	Epoch     domain.UUID      `json:"epoch" validate:"min=1,max=64"`
	Items     []jsontext.Value `json:"items" schema:"FeedItem"`
	NextAfter string           `json:"next_after"`
	// There is more to be read at once.
	More bool `json:"more"`
	// The receipt was not written by this service; it told nothing.
	ReceiptIgnored bool `json:"receipt_ignored,omitzero"`
}

// What a device needs to start.
type Start struct {
	ServerAt string `json:"server_at"`
	// One unbroken history of a program.
	Epoch domain.UUID `json:"epoch" validate:"min=1,max=64"`
	// The place in the program's one order of accepted versions.
	HeadPosition int64 `json:"head_position"`
	// The ledger's link at the head in hexadecimal, for staff and admin. A link is the SHA-256 of the link before it (32
	// zero bytes at first) followed by the entry: the RFC 8785 form of what `GET /v1/changes?versions=all` gives to staff,
	// without `op`, `resident` and `texts_salt`, with an empty string in the place of each free text (the members of
	// `record` that are marked `x-free-text`, and the `reason` of `void`); their digest stands in `texts_digest`. So
	// anybody with the feed can recompute it, also after a text was erased.
	HeadLink string `json:"head_link,omitzero"`
	// The token's device, if it has one.
	Device *StartDevice `json:"device,omitzero"`
	// Revisions of this file that the service takes.
	Client StartClient `json:"client"`
	// Limits by name, such as items of a batch and bytes of a body.
	Limits        map[string]float64 `json:"limits"`
	HeldOpenCount int                `json:"held_open_count"`
	// The jobs in the caller's scope.
	Jobs []JobSum `json:"jobs"`
	// The pictures that the caller's device still has to send, the smallest first; at most 500 are named.
	PicturesOwed []Upload `json:"pictures_owed,omitzero"`
	// How many they are in all.
	PicturesOwedCount int `json:"pictures_owed_count,omitzero" validate:"gte=0"`
}

// StartDevice is the token's device.
type StartDevice struct {
	ID           domain.UUID        `json:"id"`
	State        domain.DeviceState `json:"state"`
	ContractorID *domain.UUID       `json:"contractor_id,omitzero"`
}

// StartClient are the revisions of the contract that the service takes.
type StartClient struct {
	MinimumSchema int `json:"minimum_schema" validate:"gte=1"`
	CurrentSchema int `json:"current_schema" validate:"gte=1"`
}

// JobSum tells whether a copy of a job is whole.
type JobSum struct {
	JobID domain.UUID `json:"job_id"`
	// The short number that people tell each other.
	Number      int64           `json:"number"`
	State       domain.JobState `json:"state"`
	RecordCount int             `json:"record_count"`
	// XOR of the first 8 bytes of SHA-256 over `kind/id/version` of the job's newest entries, voided ones too.
	Checksum string `json:"checksum" pattern:"^[0-9a-f]{16}$"`
}
