package pictures

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"ductledger/domain"
	"ductledger/domain/picture"
	"ductledger/storage"
	"ductledger/storage/photos"
)

// Pictures are the bytes of the photos of all programs.
type Pictures struct {
	db      *storage.DB
	store   photos.Store
	limits  picture.Limits
	log     *slog.Logger
	decodes chan struct{} // places for pictures that are decoded
	large   chan struct{} // the one place for a picture that takes much memory
	writes  chan struct{} // places for transactions that wait for the store
}

// Decoded at once are so many pictures, one of them at most a large one.
const decodesAtOnce = 2

// largeBytes are what a picture takes when decoded from which on it is large: a
// photo of a common phone, 12 million pixels, is none.
const largeBytes = 48 << 20

// Written at once are so many parts: each holds a connection to the database
// until the store has answered, and a store that hangs must leave the pushes
// theirs.
const writesAtOnce = 3

// New opens the pictures over a database and a store.
func New(db *storage.DB, store photos.Store, log *slog.Logger) *Pictures {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return &Pictures{db: db, store: store, limits: picture.DefaultLimits(), log: log,
		decodes: make(chan struct{}, decodesAtOnce), large: make(chan struct{}, 1), writes: make(chan struct{}, writesAtOnce)}
}

// Check says whether the store can be written to now.
func (p *Pictures) Check(ctx context.Context) error { return p.store.Check(ctx) }

// Names of what is kept of a picture, behind those of its program and photo.
const (
	shownName     = "shown"
	thumbnailName = "thumbnail"
	originalName  = "original"
)

func nameOf(program, photo domain.UUID, name string) string {
	return program.String() + "/" + photo.String() + "/" + name
}

func partName(attempt int32, from int64) string { return fmt.Sprintf("part-%d-%09d", attempt, from) }

// row is a picture's row.
type row struct {
	PhotoID        [16]byte
	JobID          [16]byte
	SHA256         []byte `db:"sha256"`
	BytesCount     int64
	TakenAt        time.Time
	State          string
	Attempt        int32
	PartEnds       []int64
	Leftover       []string
	RefusedCode    *string
	MediaType      *string
	ShownSHA256    []byte `db:"shown_sha256"`
	ShownCount     *int64
	ThumbnailCount *int64
	OriginalKept   bool
	ErasedAt       *time.Time
}

const rowColumns = `p.photo_id, p.job_id, p.sha256, p.bytes_count, p.taken_at, p.state, p.attempt, p.part_ends, p.leftover, p.refused_code,
    p.media_type, p.shown_sha256, p.shown_count, p.thumbnail_count, p.original_kept, p.erased_at`

// received is how many bytes have come.
func (r *row) received() int64 {
	if n := len(r.PartEnds); n > 0 {
		return r.PartEnds[n-1]
	}
	return 0
}

// parts are the names of the parts, in order.
func (r *row) parts() []string {
	var names []string
	from := int64(0)
	for _, end := range r.PartEnds {
		names = append(names, partName(r.Attempt, from))
		from = end
	}
	return names
}

// spent are the parts that are needed no more, with the one that may have been
// written without its row.
func (r *row) spent() []string { return append(r.parts(), partName(r.Attempt, r.received())) }

// Upload is how far the bytes of a photo have come.
type Upload struct {
	PhotoID       domain.UUID
	JobID         domain.UUID
	State         domain.BytesState
	BytesCount    int64 // of the whole picture
	ReceivedCount int64
}

// Complete tells that nothing more is to be sent.
func (u Upload) Complete() bool {
	return u.State == domain.BytesStored || u.State == domain.BytesErased
}

func (r *row) upload() Upload {
	u := Upload{PhotoID: r.PhotoID, JobID: r.JobID, State: domain.BytesState(r.State), BytesCount: r.BytesCount, ReceivedCount: r.received()}
	if u.Complete() {
		u.ReceivedCount = u.BytesCount
	}
	return u
}

// maySendSQL: the agency, the contractor whose device sent the record, also
// when the job has left it, and who has the job in hand; an inspector, where the
// job is open to him.
const maySendSQL = `
    (NOT @scoped::boolean OR p.device_id = @device_id
    OR @role = 'field' AND EXISTS (SELECT FROM device AS d
        WHERE d.program_id = @program_id AND d.id = p.device_id AND d.contractor_id = @contractor_id OFFSET 0)
    OR @role = 'field' AND EXISTS (SELECT FROM job_scope AS s
        WHERE s.program_id = @program_id AND s.job_id = p.job_id AND s.contractor_id = @contractor_id AND s.open OFFSET 0)
    OR @role = 'inspector' AND EXISTS (SELECT FROM inspection_draw AS d
        WHERE d.program_id = @program_id AND d.job_id = p.job_id AND` + storage.InspectsSQL + ` OFFSET 0))`

const uploadSQL = `
SELECT ` + rowColumns + `
FROM picture AS p
WHERE p.program_id = @program_id AND p.photo_id = @id AND` + maySendSQL

const uploadLockSQL = uploadSQL + `
FOR NO KEY UPDATE OF p`

func senderArgs(caller domain.Caller, id domain.UUID) storage.Args {
	return storage.Args{"program_id": caller.Program, "id": id, "scoped": caller.Scoped(), "role": string(caller.Role),
		"device_id": caller.Device, "contractor_id": caller.Contractor, "person_id": caller.Person}
}

// Upload tells who may send the picture how far it has come.
func (p *Pictures) Upload(ctx context.Context, caller domain.Caller, id domain.UUID) (u Upload, err error) {
	err = p.db.In(ctx, caller.Program, storage.Reading, func(t *storage.Tx) error {
		r, err := oneRow(t, uploadSQL, senderArgs(caller, id))
		if err == nil {
			u = r.upload()
		}
		return err
	})
	return u, err
}

func oneRow(t *storage.Tx, sql string, args storage.Args) (*row, error) {
	var r *row
	storage.One(t, &r, sql, args)
	if err := t.Flush(); err != nil {
		return nil, err
	}
	if r == nil {
		return nil, domain.Errorf(domain.NotFound, "there is no such photo")
	}
	return r, nil
}

const owedSQL = `
SELECT ` + rowColumns + `
FROM picture AS p
WHERE p.program_id = @program_id AND p.device_id = @device_id AND p.owed
ORDER BY p.bytes_count, p.photo_id
LIMIT @limit`

type countRow struct{ Count int64 }

const owedCountSQL = `
SELECT count(*) AS count FROM picture AS p WHERE p.program_id = @program_id AND p.device_id = @device_id AND p.owed`

// Owed are the pictures that a device still has to send, the smallest first,
// and how many they are in all.
func (p *Pictures) Owed(ctx context.Context, caller domain.Caller, limit int) (list []Upload, count int, err error) {
	if caller.Device.IsZero() {
		return nil, 0, nil
	}
	var rows []row
	var all []countRow
	err = p.db.In(ctx, caller.Program, storage.Snapshot, func(t *storage.Tx) error {
		args := storage.Args{"program_id": caller.Program, "device_id": caller.Device, "limit": limit}
		storage.All(t, &rows, owedSQL, args)
		storage.All(t, &all, owedCountSQL, args)
		return nil
	})
	if err != nil {
		return nil, 0, err
	}
	for i := range rows {
		list = append(list, rows[i].upload())
	}
	return list, int(all[0].Count), nil
}

// Waits after which a sender may try again: a store that is away comes back, one
// that is full waits for a person.
const (
	storeWait = 10 * time.Second
	fullWait  = 10 * time.Minute
)

// told turns the store's errors into what a user may see.
func told(err error) error {
	switch {
	case errors.Is(err, photos.ErrFull):
		return fmt.Errorf("%w (%w)", &domain.Error{Code: domain.StorageFull, RetryAfter: fullWait,
			Detail: "no space is left to keep pictures; records are taken as ever. What was answered is kept: send the rest later"}, err)
	case errors.Is(err, photos.ErrUnavailable), errors.Is(err, context.DeadlineExceeded):
		return fmt.Errorf("%w (%w)", &domain.Error{Code: domain.Overloaded, RetryAfter: storeWait,
			Detail: "pictures cannot be reached now; records are taken as ever. Try again later"}, err)
	}
	return err
}

// digestText is a digest in hexadecimal.
func digestText(digest []byte) string { return hex.EncodeToString(digest) }
