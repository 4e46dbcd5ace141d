package wire

import (
	"ductledger/domain"

	"github.com/go-json-experiment/json/jsontext"
)

// List is one page; without Next it is the last.
type List struct {
	Items []jsontext.Value `json:"items"`
	Next  string           `json:"next,omitzero"`
}

// Feed is one page of the feed; NextAfter is always there.
type Feed struct {
	Epoch     domain.UUID      `json:"epoch"`
	Items     []jsontext.Value `json:"items"`
	NextAfter string           `json:"next_after"`
	More      bool             `json:"more"`
}

// Start is what a device needs to begin.
type Start struct {
	ServerAt      string             `json:"server_at"`
	Epoch         domain.UUID        `json:"epoch"`
	HeadPosition  int64              `json:"head_position"`
	HeadLink      string             `json:"head_link,omitzero"`
	Device        *StartDevice       `json:"device,omitzero"`
	Client        StartClient        `json:"client"`
	Limits        map[string]float64 `json:"limits"`
	HeldOpenCount int                `json:"held_open_count"`
	Jobs          []JobSum           `json:"jobs"`
}

// StartDevice is the token's device.
type StartDevice struct {
	ID           domain.UUID        `json:"id"`
	State        domain.DeviceState `json:"state"`
	ContractorID *domain.UUID       `json:"contractor_id,omitzero"`
}

// StartClient are the revisions of the contract that the service takes.
type StartClient struct {
	MinimumSchema int `json:"minimum_schema"`
	CurrentSchema int `json:"current_schema"`
}

// JobSum tells whether a copy of a job is whole.
type JobSum struct {
	JobID       domain.UUID     `json:"job_id"`
	State       domain.JobState `json:"state"`
	RecordCount int             `json:"record_count"`
	Checksum    string          `json:"checksum"`
}
