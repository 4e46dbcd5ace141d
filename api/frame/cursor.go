package frame

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"fmt"

	"ductledger/domain"
)

var cursorText = base64.RawURLEncoding

func CursorInvalid() error {
	return domain.Errorf(domain.CursorInvalid, "the cursor was not made by this service for this caller and filter; begin again without one")
}

// Page makes and reads the cursors of one list: opaque, and bound to the
// program, the role and the filters.
type Page [8]byte

func PageOf(caller domain.Caller, filters string) Page {
	sum := sha256.Sum256([]byte(caller.Program.String() + string(caller.Role) + caller.Contractor.String() + filters))
	return Page(sum[:8])
}

func (p Page) Write(id domain.UUID) string {
	return cursorText.EncodeToString(append(p[:], id[:]...))
}

func (p Page) Read(text string) (domain.UUID, error) {
	b, err := cursorText.DecodeString(text)
	if err != nil || len(b) != 24 || Page(b[:8]) != p {
		return domain.UUID{}, CursorInvalid()
	}
	return domain.UUID(b[8:]), nil
}

func (p Page) WriteNumbers(numbers ...int64) string {
	b := p[:]
	for _, n := range numbers {
		b = binary.BigEndian.AppendUint64(b, uint64(n))
	}
	return cursorText.EncodeToString(b)
}

func (p Page) ReadNumbers(text string, into ...*int64) error {
	b, err := cursorText.DecodeString(text)
	if err != nil || len(b) != len(p)+8*len(into) || Page(b[:len(p)]) != p {
		return CursorInvalid()
	}
	for i, n := range into {
		*n = int64(binary.BigEndian.Uint64(b[len(p)+8*i:]))
	}
	return nil
}

// A Seal makes what the service tells of a program's history its own: nobody
// else has the key, so that neither a cursor nor a receipt can be made up or
// changed. It is bound to what it is used for.
type Seal struct {
	key []byte
	use string
}

func NewSeal(key []byte, use string) Seal { return Seal{key, use} }

const sealBytes = 16

func (s Seal) sum(payload []byte) []byte {
	mac := hmac.New(sha256.New, s.key)
	fmt.Fprintf(mac, "%d/%s", len(s.use), s.use)
	mac.Write(payload)
	return mac.Sum(nil)[:sealBytes]
}

func (s Seal) Write(payload []byte) string {
	return cursorText.EncodeToString(append(payload, s.sum(payload)...))
}

// Read gives the payload back; false where the service did not write it for
// this use.
func (s Seal) Read(text string, size int) ([]byte, bool) {
	b, err := cursorText.DecodeString(text)
	if err != nil || len(b) != size+sealBytes {
		return nil, false
	}
	return b[:size], hmac.Equal(b[size:], s.sum(b[:size]))
}
