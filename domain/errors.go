package domain

import (
	"errors"
	"fmt"
	"time"
)

// Code names one reason for which a request or one item of a batch is not
// accepted. Clients decide by code, people read the detail. The list grows: take
// a code that you do not know by its status.
type Code string

// The codes, by the answer they lead to. What each means on the wire, with
// its status and title, stands in api/problem.go.
const (
	BadJSON            Code = "bad_json"              // not one JSON value
	BadQuery           Code = "bad_query"             // unknown, repeated or malformed query parameter
	BadMatch           Code = "bad_if_match"          // If-Match is not one version in quotes
	CursorInvalid      Code = "cursor_invalid"        // a cursor that this service did not make for this caller and filter
	Unauthorized       Code = "unauthorized"          // no token, or not one of ours
	DeviceRevoked      Code = "device_revoked"        // the device was reported lost
	Forbidden          Code = "forbidden"             // known caller, wrong role
	DeviceClosing      Code = "device_closing"        // the device may deliver but no longer pull
	NotFound           Code = "not_found"             // nothing there that the caller may know of
	MethodNotAllowed   Code = "method_not_allowed"    //
	InProgress         Code = "in_progress"           // the same work is under way
	EpochChanged       Code = "epoch_changed"         // the service lost or replaced history (a restore)
	VersionConflict    Code = "version_conflict"      // If-Match or base_version is not the current version
	TooLarge           Code = "too_large"             // the body is over its limit
	TooSlow            Code = "too_slow"              // the body came too slowly
	UnsupportedMedia   Code = "unsupported_media"     // content type or encoding that is not taken here
	Invalid            Code = "invalid"               // the schema or the domain refuses a value
	ParentMissing      Code = "parent_missing"        // a record it refers to is not there
	StateNotAllowed    Code = "state_not_allowed"     // the job cannot move there from where it is
	NotAcceptable      Code = "not_acceptable"        // open findings or held items stop the acceptance
	JobNotAssigned     Code = "job_not_assigned"      // the job is no longer this contractor's
	HomeHasOpenJob     Code = "home_has_open_job"     // a crew may not start a second job on a home
	ClientTooOld       Code = "client_too_old"        // the app must be updated before it may pull
	MatchRequired      Code = "match_required"        // a change of an existing record needs If-Match
	QuotaExceeded      Code = "quota_exceeded"        // over the caller's rate
	HeaderTooLarge     Code = "header_too_large"      // the header fields are over their limit
	RangeUnsatisfiable Code = "range_not_satisfiable" // no byte of the file lies in the range
	ExponentOutside    Code = "exponent_out_of_range"
	Overloaded         Code = "overloaded"        // shed, or the database is away: send again later
	TimeLimit          Code = "time_limit"        // the request's time limit passed
	StorageFull        Code = "storage_full"      // no space left to store
	Internal           Code = "internal"          // a fault of ours
	DigestMismatch     Code = "digest_mismatch"   // other bytes than the record announced
	OffsetMismatch     Code = "offset_mismatch"   // a part begins elsewhere than what came before ends
	ImageTooLarge      Code = "image_too_large"   // a picture has more pixels than are decoded
	ImageUnreadable    Code = "image_unreadable"  // the bytes are what was announced, and no picture that can be opened
	ReplacesOther      Code = "replaces_other"    // replaces names another kind, job or method, or makes a circle
	NotReconciled      Code = "not_reconciled"    // the package does not follow from the month before
	SamePerson         Code = "same_person"       // two different people are needed
	UnfinishedPeriod   Code = "unfinished_period" // a month that has not ended cannot be released
)

// A Fault is one bad field of a request.
type Fault struct {
	// JSON Pointer into the request's body.
	Pointer string `json:"pointer"`
	// Short and stable, such as too_small.
	Code string `json:"code"`
	// What is wrong with limit and unit.
	Detail string `json:"detail"`
	// What to do about it.
	Fix string `json:"fix,omitempty"`
}

// Error is the one error type that reaches a user. Every other error is a
// fault of ours: its text stays in the log.
type Error struct {
	Code       Code
	Detail     string
	Faults     []Fault
	More       int            // faults beside those: a hostile body has tens of thousands
	RetryAfter time.Duration  // with 409, 429 and 503
	Also       map[string]any // further members of the answer, such as "current" or "held_id"
}

func (e *Error) Error() string {
	s := string(e.Code) + ": " + e.Detail
	faults, more := e.FirstFaults()
	for _, f := range faults {
		s += fmt.Sprintf("; %s %s", f.Pointer, f.Detail)
	}
	if more > 0 {
		s += fmt.Sprintf("; and %d more", more)
	}
	return s
}

// Errorf makes an Error whose detail is formatted.
func Errorf(code Code, format string, args ...any) *Error {
	return &Error{Code: code, Detail: fmt.Sprintf(format, args...)}
}

// At is an Error about one value, whose place is named: a JSON Pointer into the
// body, or a slash and the name of a query parameter.
func At(pointer string, code Code, format string, args ...any) *Error {
	e := Errorf(code, format, args...)
	e.Faults = []Fault{{Pointer: pointer, Code: string(code), Detail: e.Detail}}
	return e
}

// mostFaults is how many faults one answer names. Who has more mends these and
// sees the next.
const mostFaults = 100

// FirstFaults are the faults that an answer names, and how many more there are.
func (e *Error) FirstFaults() (first []Fault, more int) {
	n := min(len(e.Faults), mostFaults)
	return e.Faults[:n], len(e.Faults) - n + e.More
}

// InvalidFields is the answer to a body with bad fields; nil when there are none.
func InvalidFields(faults []Fault) error {
	if len(faults) == 0 {
		return nil
	}
	detail := "one field is not acceptable"
	if len(faults) > 1 {
		detail = fmt.Sprintf("%d fields are not acceptable", len(faults))
	}
	return &Error{Code: Invalid, Detail: detail, Faults: faults}
}

// CodeOf is the code of err, Internal for an error that is not ours to show.
func CodeOf(err error) Code {
	var e *Error
	if errors.As(err, &e) {
		return e.Code
	}
	return Internal
}
