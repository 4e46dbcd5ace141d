package month

import (
	"context"
	"errors"
	"fmt"
	"io"

	"ductledger/domain"
	"ductledger/storage"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
)

// packageBlock is how much of a part is read at once, in bytes.
const packageBlock = packagePart / 8

// OpenFile reads a stored file at any place. One block stays in memory until
// another is asked for. It is not for use by several goroutines at once.
type File struct {
	pack  *Package
	read  func(block int64, into []byte) ([]byte, error)
	block int64
	bytes []byte
}

// OpenFile begins to read the file of a package that the caller was given.
// Each block is a transaction of its own: a slow reader holds none open.
func OpenFile(ctx context.Context, db *storage.DB, caller domain.Caller, p *Package) *File {
	return &File{pack: p, block: -1, read: func(block int64, into []byte) (b []byte, err error) {
		err = db.In(ctx, caller.Program, storage.Reading, func(t *storage.Tx) error {
			b, err = readBlock(t, p, block, into)
			return err
		})
		return b, err
	}}
}

// packageFile reads a file inside the transaction.
func packageFile(t *storage.Tx, p *Package) *File {
	return &File{pack: p, block: -1, read: func(block int64, into []byte) ([]byte, error) { return readBlock(t, p, block, into) }}
}

// ReadAt is as io.ReaderAt has it.
func (f *File) ReadAt(b []byte, at int64) (n int, err error) {
	if at < 0 {
		return 0, errors.New("a place in a file is not negative")
	}
	for n < len(b) {
		if at >= f.pack.Bytes {
			return n, io.EOF
		}
		if err := f.load(at / packageBlock); err != nil {
			return n, err
		}
		from := at % packageBlock
		if from >= int64(len(f.bytes)) {
			return n, io.ErrUnexpectedEOF
		}
		copied := copy(b[n:], f.bytes[from:])
		n, at = n+copied, at+int64(copied)
	}
	return n, nil
}

func (f *File) load(block int64) (err error) {
	if block == f.block {
		return nil
	}
	f.block = -1
	if f.bytes, err = f.read(block, f.bytes[:0]); err == nil {
		f.block = block
	}
	return err
}

// Parts are stored without compression, so that a piece of one costs no more.
const packageBlockSQL = `
SELECT substring(q.bytes FROM @from FOR @count) AS bytes FROM month_package_part AS q
WHERE q.program_id = @program_id AND q.month = @month AND q.fund_source = @fund AND q.revision = @revision AND q.part = @part`

// readBlock appends a block to into, without another copy of it in memory.
func readBlock(t *storage.Tx, p *Package, block int64, into []byte) ([]byte, error) {
	at := block * packageBlock
	args := storage.Args{"program_id": t.Program, "month": string(p.Month), "fund": p.Fund, "revision": p.Revision, "part": at / packagePart, "from": at%packagePart + 1, "count": packageBlock}
	t.Queue(packageBlockSQL, args).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			var b pgtype.DriverBytes
			if err := rows.Scan(&b); err != nil {
				return err
			}
			into = append(into, b...)
		}
		return rows.Err()
	})
	if err := t.Flush(); err != nil {
		return nil, err
	}
	if len(into) == 0 { // no part is empty
		return nil, fmt.Errorf("package %s: part %d is not there", p.FileName, at/packagePart)
	}
	return into, nil
}

// NoteDownload writes into the audit who takes a package's file.
func NoteDownload(ctx context.Context, db *storage.DB, caller domain.Caller, p *Package, what string) error {
	return db.In(ctx, caller.Program, storage.Writing, func(t *storage.Tx) error {
		return t.Audit(caller, "package_downloaded", domain.UUID{}, p.audited()+", "+what)
	})
}
