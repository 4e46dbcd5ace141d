package wire

import (
	"time"

	"ductledger/api/strict"
	"ductledger/domain"

	"github.com/go-json-experiment/json/jsontext"
)

// EntryFacts are what the service knows of one version of a record. What does not apply is absent.
type EntryFacts struct {
	ID      domain.UUID `json:"id"`
	Version int64       `json:"version" validate:"gte=1"`
	// The place in the program's one order of accepted versions; absent of what was only tried.
	Position int64 `json:"position,omitzero" validate:"gte=0"`
	// The job that it belongs to, of a job its own id.
	JobID domain.UUID `json:"job_id,omitzero"`
	// The device that sent it.
	DeviceID domain.UUID `json:"device_id,omitzero"`
	// The token that it was sent with.
	TokenID domain.UUID `json:"token_id,omitzero" nottold:"contractor"`
	// The person who held that token; absent of a machine's.
	PersonID domain.UUID `json:"person_id,omitzero" nottold:"contractor"`
	// The token of the person who applied it from the held items.
	AppliedBy domain.UUID `json:"applied_by,omitzero" nottold:"contractor"`
	// That person.
	AppliedByPersonID domain.UUID `json:"applied_by_person_id,omitzero" nottold:"contractor"`
	// When the body was read.
	ReceivedAt time.Time `json:"received_at"`
	// When it was accepted; it never decreases with position.
	RecordedAt time.Time `json:"recorded_at"`
	// It came after its job was accepted and moves no figure.
	Late bool `json:"late,omitzero"`
	// The device's clock less ours in s.
	ClockOffsetS *float64 `json:"clock_offset_s,omitzero" nottold:"contractor"`
	// Of a home, counts the changes of its resident.
	ResidentRevision int64 `json:"resident_revision,omitzero" nottold:"contractor"`
	// Of a job, the short number that people tell each other; the service gives it, and it never changes.
	// The feed leaves it out; a device learns it from `/v1/sync`.
	Number int64 `json:"number,omitzero"`
	// SHA-256 of the salt followed by the RFC 8785 form of an array of the version's free texts: those of `record` in the
	// order in which its RFC 8785 form has them, then the `reason` of `void`. Absent where there is none.
	TextsDigest string `json:"texts_digest,omitzero" pattern:"^[0-9a-f]{64}$" nottold:"contractor"`
	// The 16 bytes of salt before the texts in `texts_digest`; absent once they are erased: then `(erased)` stands in
	// their places.
	TextsSalt string `json:"texts_salt,omitzero" pattern:"^[0-9a-f]{32}$" nottold:"contractor"`
	Void      *Void  `json:"void,omitzero"`
	// Of a home, for those who may see it.
	Resident jsontext.Value `json:"resident,omitzero" schema:"Resident" nottold:"contractor"`
	// A device deletes the resident's contact after this moment.
	ContactUntilAt *time.Time `json:"contact_until_at,omitzero" nottold:"contractor"`
	// Of a photo, where its picture stands: what is not stored is still owed. It is no part of the chain.
	BytesState domain.BytesState `json:"bytes_state,omitzero" nottold:"contractor"`
	// What a person should know of a record that was just taken; in the answer to its `PUT` alone.
	Notes []string `json:"notes,omitzero"`
	// Of a device, for those who look after it.
	Heard jsontext.Value `json:"heard,omitzero" schema:"Heard" nottold:"contractor"`
}

// Entry is one version of a record: what the service knows stands outside, and `record` is exactly what was sent; its
// schema is that of its kind, as of the day it was sent.
type Entry struct {
	EntryFacts
	Kind   domain.Kind   `json:"kind"`
	Record strict.Record `json:"record"`
}

// Void is why a record no longer counts, and since when. Its body stays.
type Void struct {
	Reason   string    `json:"reason,omitzero" text:"free"`
	VoidedAt time.Time `json:"voided_at"`
}

// FeedFacts are the facts of an entry in the feed.
type FeedFacts struct {
	Op string `json:"op" validate:"oneof=put"`
	EntryFacts
}

// FeedPut is an entry in the feed.
type FeedPut struct {
	FeedFacts
	Kind   domain.Kind   `json:"kind"`
	Record strict.Record `json:"record"`
}

// FeedDrop is a job that left the caller's scope.
type FeedDrop struct {
	Op       string      `json:"op" validate:"oneof=drop"`
	JobID    domain.UUID `json:"job_id"`
	Position int64       `json:"position" validate:"gte=0"`
	// The job's home: it goes too unless another job at it is still in the scope.
	HomeID domain.UUID `json:"home_id"`
	// Reassigned, accepted, void or ended.
	Reason string `json:"reason"`
}

// FeedItem is an entry, or a job that left the caller's scope, told apart by `op`. Unknown ops are to be skipped.
type FeedItem struct{}

// Problem is an error after RFC 9457. Clients decide by `code`.
type Problem struct {
	Type   string `json:"type" format:"uri-reference"`
	Title  string `json:"title"`
	Status int    `json:"status" validate:"gte=400,lte=599"`
	Detail string `json:"detail,omitzero"`
	// Why it was refused.
	Code domain.Code `json:"code"`
	// Finds the request in the service's log.
	TraceID string `json:"trace_id"`
	// The bad fields, the first 100 in the order of the body.
	Errors []domain.Fault `json:"errors,omitzero"`
	// How many bad fields there are beside those in `errors`.
	ErrorsMoreCount int `json:"errors_more_count,omitzero" validate:"omitempty,gte=1"`
	// Where the refused item is kept.
	HeldID domain.UUID `json:"held_id,omitzero"`
	// The current version, if the caller may see it.
	Current jsontext.Value `json:"current,omitzero" schema:"Entry"`
	// One unbroken history of a program.
	Epoch string `json:"epoch,omitzero" validate:"omitempty,min=1,max=64"`
	// Seconds after which to try again.
	RetryAfterS float64 `json:"retry_after_s,omitzero" validate:"gte=0"`
	// With `epoch_changed`, history up to here is the same in both epochs.
	SharedUpToPosition *int64 `json:"shared_up_to_position,omitzero" validate:"omitempty,gte=0"`
	// With `epoch_changed`, the caller's place in the new epoch. A caller whom any answer told of a position above
	// `shared_up_to_position` begins at 0 all the same.
	After string `json:"after,omitzero"`
	// Of an upload of a picture, how many bytes have come: go on from there.
	ReceivedCount *int64 `json:"received_count,omitzero" validate:"omitempty,gte=0"`
	// The policies whose rate is exceeded.
	ViolatedPolicies []string `json:"violated-policies,omitzero"`
}
