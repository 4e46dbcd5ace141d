package api

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"strconv"
	"time"

	"ductledger/domain"
	"ductledger/storage"
)

var cursorText = base64.RawURLEncoding

func cursorInvalid() error {
	return domain.Errorf(domain.CursorInvalid, "the cursor was not made by this service for this caller and filter; begin again without one")
}

// page makes and reads the cursors of one list: opaque, and bound to the
// program, the role and the filters.
type page [8]byte

func pageOf(caller domain.Caller, filters string) page {
	sum := sha256.Sum256([]byte(caller.Program.String() + string(caller.Role) + caller.Contractor.String() + filters))
	return page(sum[:8])
}

func (p page) write(id domain.UUID) string {
	return cursorText.EncodeToString(append(p[:], id[:]...))
}

func (p page) read(text string) (domain.UUID, error) {
	b, err := cursorText.DecodeString(text)
	if err != nil || len(b) != 24 || page(b[:8]) != p {
		return domain.UUID{}, cursorInvalid()
	}
	return domain.UUID(b[8:]), nil
}

func (p page) writeNumber(n int64) string {
	return cursorText.EncodeToString(binary.BigEndian.AppendUint64(p[:], uint64(n)))
}

func (p page) readNumber(text string) (int64, error) {
	b, err := cursorText.DecodeString(text)
	if err != nil || len(b) != 16 || page(b[:8]) != p {
		return 0, cursorInvalid()
	}
	return int64(binary.BigEndian.Uint64(b[8:])), nil
}

// A seal makes what the service tells of a program's history its own: nobody
// else has the key, so that neither a cursor nor a receipt can be made up or
// changed. It is bound to what it is used for.
type seal struct {
	key []byte
	use string
}

const sealBytes = 16

func (s seal) sum(payload []byte) []byte {
	mac := hmac.New(sha256.New, s.key)
	fmt.Fprintf(mac, "%d/%s", len(s.use), s.use)
	mac.Write(payload)
	return mac.Sum(nil)[:sealBytes]
}

func (s seal) write(payload []byte) string {
	return cursorText.EncodeToString(append(payload, s.sum(payload)...))
}

// read gives the payload back; false where the service did not write it for
// this use.
func (s seal) read(text string, size int) ([]byte, bool) {
	b, err := cursorText.DecodeString(text)
	if err != nil || len(b) != size+sealBytes {
		return nil, false
	}
	return b[:size], hmac.Equal(b[size:], s.sum(b[:size]))
}

const pointBytes = 16 + 8 + 4

func appendPoint(b []byte, p storage.Point) []byte {
	b = binary.BigEndian.AppendUint64(append(b, p.Epoch[:]...), uint64(p.Position))
	return append(b, p.Link[:]...)
}

func pointIn(b []byte) storage.Point {
	return storage.Point{Epoch: domain.UUID(b[:16]), Position: int64(binary.BigEndian.Uint64(b[16:24])), Link: [4]byte(b[24:28])}
}

// receiptSeal seals receipts: the point of the highest position of a push. What
// others made before it the device may not have pulled.
func receiptSeal(key []byte) seal { return seal{key, "receipt"} }

func writeReceipt(key []byte, p storage.Point) string {
	return receiptSeal(key).write(appendPoint(nil, p))
}

func readReceipt(key []byte, text string) (storage.Point, bool) {
	b, ok := receiptSeal(key).read(text, pointBytes)
	if !ok {
		return storage.Point{}, false
	}
	return pointIn(b), true
}

// A feedCursor is where a reader of the feed stands: the point of its effective
// position, and the position.
type feedCursor struct {
	point    storage.Point
	position int64
}

// cursorSeal binds a cursor of the feed to its kinds and to who sees what.
func cursorSeal(key []byte, caller domain.Caller, kinds, versions string) seal {
	return seal{key, "cursor " + caller.Contractor.String() + strconv.FormatBool(caller.Scoped()) + kinds + "/" + versions}
}

func (c feedCursor) write(s seal) string {
	return s.write(binary.BigEndian.AppendUint64(appendPoint(nil, c.point), uint64(c.position)))
}

func readFeedCursor(s seal, text string) (feedCursor, error) {
	b, ok := s.read(text, pointBytes+8)
	if !ok {
		return feedCursor{}, cursorInvalid()
	}
	return feedCursor{pointIn(b), int64(binary.BigEndian.Uint64(b[pointBytes:]))}, nil
}

// epochSpread is the time over which the devices of a program come back
// after a restore, so that they do not all come at once.
const epochSpread = 10 * time.Minute

// epochChanged tells a device to mark what it sent as unsent and pull again:
// from where both histories are the same, if that is known and its cursor had
// come no further. Every other error is given back.
func epochChanged(caller domain.Caller, err error, cursor *feedCursor, s seal) error {
	var changed *storage.EpochChanged
	if !errors.As(err, &changed) {
		return err
	}
	wait := time.Duration(binary.BigEndian.Uint32(caller.Token[12:])%uint32(epochSpread/time.Second)) * time.Second
	also := map[string]any{"epoch": changed.Head.Epoch, "retry_after_s": wait.Seconds()}
	if shared := changed.Shared; shared.Position > 0 {
		also["shared_up_to_position"] = shared.Position
		if cursor != nil && cursor.point == shared {
			shared.Epoch = changed.Head.Epoch
			also["after"] = feedCursor{shared, cursor.position}.write(s)
		}
	}
	return &domain.Error{Code: domain.EpochChanged, RetryAfter: max(wait, time.Second), Also: also,
		Detail: "the service's history was restored: send again what you sent and keep, then pull"}
}

// positionOf is the ledger position that a query names; 0 for the head.
func positionOf(r *request) int64 {
	n, err := strconv.ParseInt(r.Query.Get("position"), 10, 64)
	if err != nil {
		return 0 // absent; the contract lets nothing but a number in
	}
	return n
}

// A statement's cursor is a position of the ledger and a number of lines.
func writeStatementCursor(caller domain.Caller, contractor domain.UUID, m domain.Month, position, lines int64) string {
	b := statementPage(caller, contractor, m)
	return cursorText.EncodeToString(binary.BigEndian.AppendUint64(binary.BigEndian.AppendUint64(b[:], uint64(position)), uint64(lines)))
}

func readStatementCursor(caller domain.Caller, contractor domain.UUID, m domain.Month, text string) (position, lines int64, err error) {
	b, err := cursorText.DecodeString(text)
	if err != nil || len(b) != 24 || page(b[:8]) != statementPage(caller, contractor, m) {
		return 0, 0, cursorInvalid()
	}
	return int64(binary.BigEndian.Uint64(b[8:])), int64(binary.BigEndian.Uint64(b[16:])), nil
}

func statementPage(caller domain.Caller, contractor domain.UUID, m domain.Month) page {
	return pageOf(caller, "statement"+contractor.String()+string(m))
}
