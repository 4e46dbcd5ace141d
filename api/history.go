package api

import (
	"encoding/binary"
	"errors"
	"strconv"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/storage"
)

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
func receiptSeal(key []byte) frame.Seal { return frame.NewSeal(key, "receipt") }

func writeReceipt(key []byte, p storage.Point) string {
	return receiptSeal(key).Write(appendPoint(nil, p))
}

func readReceipt(key []byte, text string) (storage.Point, bool) {
	b, ok := receiptSeal(key).Read(text, pointBytes)
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
func cursorSeal(key []byte, caller domain.Caller, kinds, versions string) frame.Seal {
	return frame.NewSeal(key, "cursor "+caller.Contractor.String()+strconv.FormatBool(caller.Scoped())+kinds+"/"+versions)
}

func (c feedCursor) write(s frame.Seal) string {
	return s.Write(binary.BigEndian.AppendUint64(appendPoint(nil, c.point), uint64(c.position)))
}

func readFeedCursor(s frame.Seal, text string) (feedCursor, error) {
	b, ok := s.Read(text, pointBytes+8)
	if !ok {
		return feedCursor{}, frame.CursorInvalid()
	}
	return feedCursor{pointIn(b), int64(binary.BigEndian.Uint64(b[pointBytes:]))}, nil
}

// epochSpread is the time over which the devices of a program come back
// after a restore, so that they do not all come at once.
const epochSpread = 10 * time.Minute

// epochChanged tells a device to mark what it sent as unsent and pull again:
// from where both histories are the same, if that is known and its cursor had
// come no further. Every other error is given back.
func epochChanged(caller domain.Caller, err error, cursor *feedCursor, s frame.Seal) error {
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
