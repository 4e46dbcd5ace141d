package api

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"strconv"
	"time"

	"ductledger/domain"
	"ductledger/domain/ledger"
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

// A mark is a place in one unbroken history: the epoch, the place, and the
// beginning of the chain's link there, by which a reader notices that the
// history behind it was lost or replaced.
type mark struct {
	epoch  domain.UUID
	place  storage.Place
	link   [4]byte
	filter [4]byte
}

const markBytes = 16 + 8 + 8 + 4 + 4

func (m mark) String() string {
	b := append(make([]byte, 0, markBytes), m.epoch[:]...)
	b = binary.BigEndian.AppendUint64(b, uint64(m.place.Effective))
	b = binary.BigEndian.AppendUint64(b, uint64(m.place.Position))
	b = append(append(b, m.link[:]...), m.filter[:]...)
	return cursorText.EncodeToString(b)
}

func readMark(text string) (m mark, err error) {
	b, err := cursorText.DecodeString(text)
	if err != nil || len(b) != markBytes {
		return m, cursorInvalid()
	}
	m.epoch = domain.UUID(b[:16])
	m.place = storage.Place{Effective: int64(binary.BigEndian.Uint64(b[16:])), Position: int64(binary.BigEndian.Uint64(b[24:]))}
	m.link, m.filter = [4]byte(b[32:36]), [4]byte(b[36:])
	return m, nil
}

// cursor tells a cursor of the feed from a receipt, which has no filter: what
// others made before a device's push that device may not have pulled.
func (m mark) cursor() bool { return m.filter != [4]byte{} }

// receiptOf is the mark of the highest position of a push.
func receiptOf(head storage.Head) string {
	return mark{epoch: head.Epoch, place: storage.Place{Effective: head.Position, Position: head.Position}, link: linkPart(head.Link)}.String()
}

// filterOf binds a cursor of the feed to its kinds and to who sees what.
func filterOf(caller domain.Caller, kinds, versions string) [4]byte {
	sum := sha256.Sum256([]byte(caller.Program.String() + caller.Contractor.String() + strconv.FormatBool(caller.Scoped()) + kinds + "/" + versions))
	return [4]byte(sum[:4])
}

// claimOf is what a request says of our past: the epoch that it thinks of and
// the marks that it holds. One of another epoch, and a mark that our chain does
// not know, are refused before anything else is done.
func claimOf(caller domain.Caller, epoch string, marks ...mark) storage.Claim {
	if epoch == "" && len(marks) == 0 {
		return storage.Claim{}
	}
	places := make([]int64, len(marks))
	for i, m := range marks {
		places[i] = m.place.Effective
	}
	return storage.Claim{Places: places, Judge: func(head storage.Head, links []ledger.Digest) error {
		for i, m := range marks {
			switch {
			case m.epoch != head.Epoch, epoch != "" && epoch != head.Epoch.String():
				return epochChanged(caller, head, m, links[i])
			case m.place.Effective > head.Position, m.link != linkPart(links[i]):
				return &lostHistory{head: head, position: m.place.Effective}
			}
		}
		if epoch != "" && epoch != head.Epoch.String() {
			return epochChanged(caller, head, mark{}, ledger.Digest{})
		}
		return nil
	}}
}

// A lostHistory says that a device knows what our ledger does not have.
type lostHistory struct {
	head     storage.Head
	position int64
}

func (*lostHistory) Error() string { return "a device knows positions that the ledger has not" }

// openEpoch begins a new history where err says that the old one lost
// something, and gives every other error back.
func (s *Server) openEpoch(ctx context.Context, caller domain.Caller, err error) error {
	var lost *lostHistory
	if !errors.As(err, &lost) {
		return err
	}
	s.log.Error("history was lost: a device knows positions that the ledger has not; a new epoch opens",
		"program", caller.Program.String(), "position", lost.position, "head", lost.head.Position)
	head, err := s.db.OpenEpoch(ctx, caller, lost.head.Epoch, lost.Error())
	if err != nil {
		return err
	}
	return epochChanged(caller, head, mark{}, ledger.Digest{})
}

// epochSpread is the time over which the devices of a program come back
// after a restore, so that they do not all come at once.
const epochSpread = 10 * time.Minute

// epochChanged tells a device to mark what it sent as unsent and pull again:
// from where both histories are the same, if that is known and it had come no
// further.
func epochChanged(caller domain.Caller, head storage.Head, m mark, link ledger.Digest) error {
	wait := time.Duration(binary.BigEndian.Uint32(caller.Token[12:])%uint32(epochSpread/time.Second)) * time.Second
	also := map[string]any{"epoch": head.Epoch, "retry_after_s": wait.Seconds()}
	if head.Shared && m.place.Effective > 0 && m.place.Effective <= head.EpochFrom && m.link == linkPart(link) {
		// The link proves that both histories are the same up to here. The head at
		// the restore proves it not: who comes from an older epoch may know
		// positions that an earlier restore lost and others have since filled.
		also["shared_up_to_position"] = m.place.Effective
		if m.cursor() {
			m.epoch = head.Epoch
			also["after"] = m.String()
		}
	}
	return &domain.Error{Code: domain.EpochChanged, RetryAfter: max(wait, time.Second), Also: also,
		Detail: "the service's history was restored: send again what you sent and keep, then pull"}
}

// linkPart is what a mark keeps of a link.
func linkPart(link ledger.Digest) [4]byte { return [4]byte(link[:4]) }

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
