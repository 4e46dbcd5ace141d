package wire

import "ductledger/domain"

// Upload is how far the bytes of a photo's picture have come.
type Upload struct {
	PhotoID    domain.UUID       `json:"photo_id"`
	JobID      domain.UUID       `json:"job_id,omitzero"`
	BytesState domain.BytesState `json:"bytes_state"`
	// Of the whole picture, as its record says.
	BytesCount int64 `json:"bytes_count" validate:"gte=1"`
	// How many have come and are durable: the next part begins there.
	ReceivedCount int64 `json:"received_count" validate:"gte=0"`
}

// EraseReason is why a picture is erased.
type EraseReason string

const (
	EraseShowsPerson EraseReason = "shows_person" // or what belongs to one
	EraseOtherHome   EraseReason = "other_home"
	EraseAsked       EraseReason = "asked" // by who lives there
	EraseMistake     EraseReason = "mistake"
)

// ErasePicture says why a picture is erased. The reason stands in the audit with the digest of what was erased.
type ErasePicture struct {
	Why EraseReason `json:"why"`
}
