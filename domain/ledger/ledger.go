package ledger

import (
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strconv"
	"time"

	"ductledger/domain"

	"github.com/go-json-experiment/json/jsontext"
)

// Digest is a SHA-256.
type Digest [32]byte

// String gives the digest in hexadecimal.
func (d Digest) String() string { return hex.EncodeToString(d[:]) }

// Canonical is the RFC 8785 form of one JSON value. The value is copied.
func Canonical(raw []byte) ([]byte, error) {
	value := jsontext.Value(raw).Clone()
	if err := value.Canonicalize(); err != nil {
		return nil, err
	}
	return value, nil
}

// ContentDigest is what two equal contents have in common. canonical must come
// from Canonical.
func ContentDigest(canonical []byte) Digest { return sha256.Sum256(canonical) }

// VoidContent is the content of a version that voids a record; its reason is a
// free text and stands apart.
var VoidContent = []byte(`{"reason":""}`)

// TextsDigest is SHA-256 of the salt and the texts, an array in the form of
// RFC 8785: those of the record in their order, then the reason of a void.
func TextsDigest(salt []byte, texts []string) Digest {
	b := append(slices.Clone(salt), '[')
	for i, text := range texts {
		if i > 0 {
			b = append(b, ',')
		}
		b = appendString(b, text)
	}
	return sha256.Sum256(append(b, ']'))
}

// Bare is the entry as the chain holds it: each free text left empty. bare is
// its body so.
func Bare(e domain.Entry, bare []byte) domain.Entry {
	e.Body = bare
	if e.Void != nil {
		e.Void = &domain.Void{VoidedAt: e.Void.VoidedAt}
	}
	return e
}

// Next is the link that follows previous.
func Next(previous Digest, entry []byte) Digest {
	h := sha256.New()
	h.Write(previous[:])
	h.Write(entry)
	return Digest(h.Sum(nil))
}

// Stamp is a moment as the service writes it: UTC with six decimals.
func Stamp(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000000Z") }

// AppendEntry appends the entry as staff read it, in the form of RFC 8785:
// the keys stand in their sorted order here, and the body is canonical.
func AppendEntry(b []byte, e *domain.Entry) []byte {
	b = append(b, '{')
	if !e.AppliedBy.IsZero() {
		b = appendID(b, "applied_by", e.AppliedBy)
	}
	if !e.AppliedByPerson.IsZero() {
		b = appendID(b, "applied_by_person_id", e.AppliedByPerson)
	}
	if e.ClockOffsetS != nil {
		b = append(b, `"clock_offset_s":`...)
		b = append(b, canonicalNumber(*e.ClockOffsetS)...)
		b = append(b, ',')
	}
	if !e.DeviceID.IsZero() {
		b = appendID(b, "device_id", e.DeviceID)
	}
	b = appendID(b, "id", e.ID)
	if !e.JobID.IsZero() {
		b = appendID(b, "job_id", e.JobID)
	}
	b = append(b, `"kind":"`...)
	b = append(b, e.Kind...)
	b = append(b, '"', ',')
	if e.Late {
		b = append(b, `"late":true,`...)
	}
	if !e.PersonID.IsZero() {
		b = appendID(b, "person_id", e.PersonID)
	}
	if e.Position > 0 { // what was only validated has none
		b = append(b, `"position":`...)
		b = strconv.AppendInt(b, e.Position, 10)
		b = append(b, ',')
	}
	b = append(b, `"received_at":"`...)
	b = append(b, Stamp(e.ReceivedAt)...)
	b = append(b, `","record":`...)
	b = append(b, e.Body...)
	b = append(b, `,"recorded_at":"`...)
	b = append(b, Stamp(e.RecordedAt)...)
	b = append(b, '"', ',')
	if e.ResidentRevision > 0 {
		b = append(b, `"resident_revision":`...)
		b = strconv.AppendInt(b, e.ResidentRevision, 10)
		b = append(b, ',')
	}
	if e.Texts != nil {
		b = append(b, `"texts_digest":"`...)
		b = hex.AppendEncode(b, e.Texts.Digest[:])
		b = append(b, '"', ',')
	}
	if !e.TokenID.IsZero() {
		b = appendID(b, "token_id", e.TokenID)
	}
	b = append(b, `"version":`...)
	b = strconv.AppendInt(b, e.Version, 10)
	if e.Void != nil {
		b = append(b, `,"void":{"reason":`...)
		b = appendString(b, e.Void.Reason)
		b = append(b, `,"voided_at":"`...)
		b = append(b, Stamp(e.Void.VoidedAt)...)
		b = append(b, `"}`...)
	}
	return append(b, '}')
}

func appendID(b []byte, name string, id domain.UUID) []byte {
	b = append(b, '"')
	b = append(b, name...)
	b = append(b, `":"`...)
	b = id.Append(b)
	return append(b, '"', ',')
}

// appendString quotes as RFC 8785 asks; the text is valid UTF-8 by then.
func appendString(b []byte, s string) []byte {
	quoted, err := jsontext.AppendQuote(b, s)
	if err != nil {
		return append(b, `""`...) // only invalid UTF-8, which no reader lets in
	}
	return quoted
}

func canonicalNumber(f float64) []byte {
	value := jsontext.Value(strconv.FormatFloat(f, 'g', -1, 64))
	if err := value.Canonicalize(); err != nil {
		return []byte("0") // only for a number that is none, which no reader lets in
	}
	return value
}
