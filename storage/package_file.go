package storage

import (
	"context"
	"errors"
	"fmt"
	"io"

	"ductledger/domain"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
)

// PackageFile reads a stored file at any place. One part stays in memory until
// another is asked for. It is not for use by several goroutines at once.
type PackageFile struct {
	pack  *Package
	read  func(part int64, into []byte) ([]byte, error)
	part  int64
	bytes []byte
}

// PackageFile begins to read the file of a package that the caller was given.
// Each part is a transaction of its own: a slow reader holds none open.
func (db *DB) PackageFile(ctx context.Context, caller domain.Caller, p *Package) *PackageFile {
	return &PackageFile{pack: p, part: -1, read: func(part int64, into []byte) (b []byte, err error) {
		err = db.in(ctx, caller.Program, reading, func(t *tx) error {
			b, err = t.packagePart(p, part, into)
			return err
		})
		return b, err
	}}
}

// packageFile reads a file inside the transaction.
func (t *tx) packageFile(p *Package) *PackageFile {
	return &PackageFile{pack: p, part: -1, read: func(part int64, into []byte) ([]byte, error) { return t.packagePart(p, part, into) }}
}

// ReadAt is as io.ReaderAt has it.
func (f *PackageFile) ReadAt(b []byte, at int64) (n int, err error) {
	if at < 0 {
		return 0, errors.New("a place in a file is not negative")
	}
	for n < len(b) {
		if at >= f.pack.Bytes {
			return n, io.EOF
		}
		if err := f.load(at / packagePart); err != nil {
			return n, err
		}
		from := at % packagePart
		if from >= int64(len(f.bytes)) {
			return n, io.ErrUnexpectedEOF
		}
		copied := copy(b[n:], f.bytes[from:])
		n, at = n+copied, at+int64(copied)
	}
	return n, nil
}

func (f *PackageFile) load(part int64) (err error) {
	if part == f.part {
		return nil
	}
	f.part = -1
	if f.bytes, err = f.read(part, f.bytes[:0]); err == nil {
		f.part = part
	}
	return err
}

const packagePartSQL = `
SELECT q.bytes FROM month_package_part AS q
WHERE q.program_id = @program_id AND q.month = @month AND q.revision = @revision AND q.part = @part`

// packagePart appends a part to into, without another copy of it in memory.
func (t *tx) packagePart(p *Package, part int64, into []byte) ([]byte, error) {
	args := named{"program_id": t.program, "month": string(p.Month), "revision": p.Revision, "part": part}
	t.queue(packagePartSQL, args.pgx()).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			var b pgtype.DriverBytes
			if err := rows.Scan(&b); err != nil {
				return err
			}
			into = append(into, b...)
		}
		return rows.Err()
	})
	if err := t.flush(); err != nil {
		return nil, err
	}
	if len(into) == 0 { // no part is empty
		return nil, fmt.Errorf("package %s: part %d is not there", p.FileName, part)
	}
	return into, nil
}

// NoteDownload writes into the audit who takes a package's file.
func (db *DB) NoteDownload(ctx context.Context, caller domain.Caller, p *Package, what string) error {
	return db.in(ctx, caller.Program, writing, func(t *tx) error {
		return t.writeAudit(caller, "package_downloaded", domain.UUID{}, p.audited()+", "+what)
	})
}
