package frame

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"ductledger/domain"
	"ductledger/domain/stat"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// quotaType is the type that the draft on RateLimit fields registers; its
// member "violated-policies" names the policies.
const quotaType = "https://iana.org/assignments/http-problem-types#quota-exceeded"

// A ProblemKind is what one code means on the wire.
type ProblemKind struct {
	Code   domain.Code
	Status int
	Title  string
	Retry  time.Duration // given when the error names none; zero: no Retry-After
}

// ProblemKinds is the one table from code to answer. Its order is that of the
// documentation.
func ProblemKinds() []ProblemKind {
	const soon, later, minute = time.Second, 5 * time.Second, time.Minute
	return []ProblemKind{
		{domain.BadJSON, 400, "The body is not one JSON value", 0},
		{domain.BadQuery, 400, "A query parameter or header field is unknown, repeated, missing or malformed", 0},
		{domain.BadMatch, 400, "If-Match is not one version in quotes", 0},
		{domain.CursorInvalid, 400, "The cursor was not made by this service for this caller and filter", 0},
		{domain.Unauthorized, 401, "A valid token is needed", 0},
		{domain.DeviceRevoked, 401, "The device was revoked", 0},
		{domain.Forbidden, 403, "The caller's role does not allow this", 0},
		{domain.DeviceClosing, 403, "The device is closing: it may deliver and no longer pull", 0},
		{domain.NotFound, 404, "There is nothing here that the caller may know of", 0},
		{domain.MethodNotAllowed, 405, "The method is not known at this address", 0},
		{domain.TooSlow, 408, "The body came too slowly", 0},
		{domain.InProgress, 409, "The same work is under way", soon},
		{domain.OffsetMismatch, 409, "The picture's bytes go on elsewhere", soon},
		{domain.EpochChanged, 409, "The service's history was restored or replaced", minute},
		{domain.VersionConflict, 412, "The record has another version by now", 0},
		{domain.TooLarge, 413, "The body is too large", 0},
		{domain.UnsupportedMedia, 415, "This content type or encoding is not taken here", 0},
		{domain.RangeUnsatisfiable, 416, "The range lies outside the file", 0},
		{domain.Invalid, 422, "Some values are not acceptable", 0},
		{domain.ParentMissing, 422, "A record that this one refers to is not there", 0},
		{domain.StateNotAllowed, 422, "The job cannot move to this state from where it is", 0},
		{domain.NotAcceptable, 422, "The job cannot be accepted yet", 0},
		{domain.JobNotAssigned, 422, "The job is no longer assigned to this contractor", 0},
		{domain.HomeHasOpenJob, 422, "The home has an open job already", 0},
		{domain.ExponentOutside, 422, "The fan test's exponent is out of range", 0},
		{domain.DigestMismatch, 422, "These are other bytes than the record announced", 0},
		{domain.ImageTooLarge, 422, "The picture has too many pixels", 0},
		{domain.ImageUnreadable, 422, "The picture cannot be opened", 0},
		{domain.ReplacesOther, 422, "The record cannot replace the one it names", 0},
		{domain.NotReconciled, 422, "The package does not follow from the month before", 0},
		{domain.SamePerson, 422, "Two different people are needed", 0},
		{domain.UnfinishedPeriod, 422, "The month has not ended", 0},
		{domain.ClientTooOld, 426, "The app must be updated before it can pull", 0},
		{domain.MatchRequired, 428, "A change of an existing record needs If-Match", 0},
		{domain.QuotaExceeded, 429, "The caller's rate is exceeded", soon},
		{domain.HeaderTooLarge, 431, "The header fields are too large", 0},
		{domain.Internal, 500, "The service failed", 0},
		{domain.Overloaded, 503, "The service cannot take this now", later},
		{domain.TimeLimit, 504, "The request's time limit has passed", 0},
		{domain.StorageFull, 507, "There is no space left to store this", 0},
	}
}

// kinds is the table by code.
var kinds = func() map[domain.Code]ProblemKind {
	byCode := map[domain.Code]ProblemKind{}
	for _, k := range ProblemKinds() {
		byCode[k.Code] = k
	}
	return byCode
}()

// kindOf is the row of a code; the row of Internal for a code without one.
func kindOf(code domain.Code) ProblemKind {
	if k, known := kinds[code]; known {
		return k
	}
	return kinds[domain.Internal]
}

// StatusOf is the status that a code leads to.
func StatusOf(code domain.Code) int { return kindOf(code).Status }

// ProblemType is the stable name of a code: the path of its page in the
// service's own documentation.
func ProblemType(code domain.Code) string {
	if code == domain.QuotaExceeded {
		return quotaType
	}
	return "/docs/problems/" + strings.ReplaceAll(string(code), "_", "-")
}

// Shown is what of err may be shown. An error that is not ours becomes
// Internal without a word about its text.
func Shown(err error) *domain.Error {
	var e *domain.Error
	if errors.As(err, &e) && e.Code != domain.Internal {
		return e
	}
	return domain.Errorf(domain.Internal, "the service failed; the trace id finds the cause in its log")
}

// Refused turns a computation's refusal into an answer that names the
// argument.
func Refused(err error) error {
	var r *stat.Refusal
	if !errors.As(err, &r) {
		return err
	}
	code := domain.Invalid
	if r.Code == string(domain.ExponentOutside) {
		code = domain.ExponentOutside
	}
	return &domain.Error{Code: code, Detail: r.Detail, Faults: []domain.Fault{FaultOf(r)}}
}

// FaultOf is what a computation refused, as a fault.
func FaultOf(r *stat.Refusal) domain.Fault {
	return domain.Fault{Pointer: r.Argument, Code: r.Code, Detail: r.Detail, Fix: r.Fix}
}

// WriteProblem is the only writer of errors. The header fields that belong to
// a status are set here, so that none is ever forgotten.
func WriteProblem(w http.ResponseWriter, r *http.Request, trace string, err error) {
	e := Shown(err)
	kind := kindOf(e.Code)
	h := w.Header()
	h.Del("Content-Encoding")
	h.Del("Content-Disposition")
	h.Del("ETag")
	h.Set("Content-Type", "application/problem+json")
	h.Set("Cache-Control", "no-store")
	if wait := retryAfter(e, kind); wait > 0 {
		h.Set("Retry-After", strconv.Itoa(wait))
	}
	if kind.Status == http.StatusUnauthorized {
		h.Set("WWW-Authenticate", challenge(r))
	}
	if offset, known := e.Also[UploadOffset]; known {
		h.Set("Upload-Offset", fmt.Sprint(offset))
	}
	body := ProblemBody(e, trace)
	h.Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(kind.Status)
	if r.Method != http.MethodHead {
		_, _ = w.Write(body) // who is gone reads no error either
	}
}

// UploadOffset is the member of a problem that says where an upload goes on.
const UploadOffset = "received_count"

// retryAfter is in whole seconds, rounded up: a client that waits as told is
// never early.
func retryAfter(e *domain.Error, kind ProblemKind) int {
	wait := e.RetryAfter
	if wait <= 0 {
		wait = kind.Retry
	}
	return int(math.Ceil(wait.Seconds()))
}

// challenge follows RFC 6750 §3: no error attribute for a request that brought
// no token.
func challenge(r *http.Request) string {
	if r.Header.Get("Authorization") == "" {
		return `Bearer realm="ductledger"`
	}
	return `Bearer realm="ductledger", error="invalid_token"`
}

// ProblemBody writes the members in one fixed order, those of Also last and
// sorted. A member of Also never replaces one of ours.
func ProblemBody(e *domain.Error, trace string) []byte {
	kind := kindOf(e.Code)
	members := []member{
		{"type", ProblemType(e.Code)},
		{"title", kind.Title},
		{"status", kind.Status},
		{"detail", MaskSecrets(e.Detail)},
		{"code", string(e.Code)},
		{"trace_id", trace},
	}
	faults, more := e.FirstFaults()
	if len(faults) == 0 && kind.Status == http.StatusUnprocessableEntity { // it is about the body as a whole
		faults = []domain.Fault{{Code: string(e.Code), Detail: MaskSecrets(e.Detail)}}
	}
	if len(faults) > 0 {
		members = append(members, member{"errors", faults})
		if more > 0 {
			members = append(members, member{ErrorsMore, more})
		}
	}
	own := len(members)
	for _, name := range slices.Sorted(maps.Keys(e.Also)) {
		taken := slices.ContainsFunc(members[:own], func(m member) bool { return m.name == name })
		if !taken && name != "errors" {
			members = append(members, member{name, e.Also[name]})
		}
	}
	body, err := marshalMembers(members)
	if err != nil { // a value of Also that is no JSON: answer without
		body, _ = marshalMembers(members[:own])
	}
	return body
}

// errorsMore counts the faults beside those that a problem names.
const ErrorsMore = "errors_more_count"

type member struct {
	name  string
	value any
}

func marshalMembers(members []member) ([]byte, error) {
	var out bytes.Buffer
	// A detail may quote what a client sent; broken UTF-8 in it must not turn
	// the answer into another error.
	enc := jsontext.NewEncoder(&out, jsontext.AllowInvalidUTF8(true), jsontext.AllowDuplicateNames(true)) // the names are ours
	if err := enc.WriteToken(jsontext.BeginObject); err != nil {
		return nil, err
	}
	for _, m := range members {
		if err := enc.WriteToken(jsontext.String(m.name)); err != nil {
			return nil, err
		}
		if err := json.MarshalEncode(enc, m.value, json.Deterministic(true)); err != nil {
			return nil, err
		}
	}
	err := enc.WriteToken(jsontext.EndObject)
	return bytes.TrimSuffix(out.Bytes(), []byte("\n")), err
}
