package domain

import (
	"crypto/sha256"
	"fmt"
	"strconv"
	"time"
)

// Entry is one version of one record as the service keeps it: what the
// service knows of it stands outside, and Record is exactly what was sent.
type Entry struct {
	Kind             Kind
	ID               UUID
	Version          int64
	Position         int64 // in the program's one order of accepted versions
	JobID            UUID  // of a job its own id; zero for what belongs to none
	DeviceID         UUID  // zero when no device sent it
	TokenID          UUID
	PersonID         UUID // who held the token
	AppliedBy        UUID // the token of the staff member who applied a held item
	AppliedByPerson  UUID
	ReceivedAt       time.Time
	RecordedAt       time.Time
	Late             bool
	ClockOffsetS     *float64 // device clock minus ours, when it was told
	ResidentRevision int64
	Number           int64 // of a job, beside its history: the short one for telephones
	Void             *Void
	Body             []byte // the record in the form of RFC 8785
	Record           Record // the same, decoded
	Texts            *Texts // nil where the version has no free text
	// BytesState is, of a photo, where its picture stands now; empty where nobody
	// awaits one. It is no part of the version.
	BytesState BytesState
}

// BytesState is where the bytes of a photo's picture stand: awaited, partial
// (some have come), stored, refused (other bytes than announced, or no picture;
// it can be sent again) or erased (it had come, and its record stays).
type BytesState string

const (
	BytesAwaited BytesState = "awaited"
	BytesPartial BytesState = "partial"
	BytesStored  BytesState = "stored"
	// BytesRefused: what came was not what the record announced, or no picture
	// that can be kept. It can be sent again.
	BytesRefused BytesState = "refused"
	// BytesErased: it had arrived, and was erased by the program's rule or by staff.
	BytesErased BytesState = "erased"
)

// Owed tells a picture that somebody still has to send.
func (s BytesState) Owed() bool { return s == BytesAwaited || s == BytesPartial || s == BytesRefused }

// Texts is how the chain holds the free texts of a version without holding them.
type Texts struct {
	Digest [32]byte // of the salt and the texts
	Salt   []byte   // nil once the texts are erased
}

// Why a record no longer counts, and since when. Its body stays.
type Void struct {
	Reason   string    `json:"reason"`
	VoidedAt time.Time `json:"voided_at"`
}

// Match is a digest that records have in common which are looked for across
// homes: the same picture, the same readings to the digit, the same lead on the
// same day; and of a rule set its day, on which no other may begin. nil for all
// that is not looked for.
func Match(record Record) []byte {
	var b []byte
	switch r := record.(type) {
	case *RuleSet:
		b = fmt.Appendf(nil, "rule_set/%s", r.FromOn)
	case *Photo:
		b = fmt.Appendf(nil, "photo/%s", r.SHA256)
	case *Visit:
		if r.LeadID != nil {
			b = fmt.Appendf(nil, "visit/%s/%s", *r.LeadID, r.VisitedOn)
		}
	case *Measurement:
		b = r.match()
	}
	if b == nil {
		return nil
	}
	sum := sha256.Sum256(b)
	return sum[:]
}

// leastReadings are fewer than what two homes can have in common by chance: a
// coarse gauge repeats itself.
const leastReadings = 4

// match is over method and all pressures, flows, fan pressures and ranges; 25
// is 25.0.
func (m *Measurement) match() []byte {
	b := fmt.Appendf(nil, "measurement/%s", m.Method)
	number := func(sign byte, f *float64) {
		if b = append(b, sign); f != nil {
			b = strconv.AppendFloat(b, *f, 'g', -1, 64)
		}
	}
	count := 0
	for _, r := range m.Readings {
		if r.PressurePa == nil || r.FlowCFM == nil && r.FanPressurePa == nil {
			continue
		}
		count++
		number(':', r.PressurePa)
		number('/', r.FlowCFM)
		number('/', r.FanPressurePa)
		b = append(append(b, '/'), r.Range...)
	}
	if count < leastReadings {
		return nil
	}
	return b
}
