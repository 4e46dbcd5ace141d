package storage

import (
	"context"
	"errors"
	"fmt"
	"io"

	"ductledger/domain"
)

const packagePartSQL = `
SELECT q.bytes FROM month_package_part AS q
WHERE q.program_id = @program_id AND q.month = @month AND q.revision = @revision AND q.part = @part`

// PackageFile reads a stored file at any place. Each part is a transaction of
// its own and stays in memory until another is asked for: a slow reader holds
// no transaction open. It is not for use by several goroutines at once.
type PackageFile struct {
	db     *DB
	ctx    context.Context // of the one reading that this value lives for
	caller domain.Caller
	pack   *Package
	part   int64
	bytes  []byte
}

// PackageFile begins to read the file of a package that the caller was given.
func (db *DB) PackageFile(ctx context.Context, caller domain.Caller, p *Package) *PackageFile {
	return &PackageFile{db: db, ctx: ctx, caller: caller, pack: p, part: -1}
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

func (f *PackageFile) load(part int64) error {
	if part == f.part {
		return nil
	}
	type partRow struct{ Bytes []byte }
	var row *partRow
	err := f.db.in(f.ctx, f.caller.Program, reading, func(t *tx) error {
		one(t, &row, packagePartSQL, named{"program_id": t.program, "month": string(f.pack.Month), "revision": f.pack.Revision, "part": part}.pgx())
		return t.flush()
	})
	if err == nil && row == nil {
		err = fmt.Errorf("package %s: part %d is not there", f.pack.FileName, part)
	}
	if err != nil {
		return err
	}
	f.part, f.bytes = part, row.Bytes
	return nil
}

// NoteDownload writes into the audit who takes a package's file.
func (db *DB) NoteDownload(ctx context.Context, caller domain.Caller, p *Package, what string) error {
	return db.in(ctx, caller.Program, writing, func(t *tx) error {
		return t.writeAudit(caller, "package_downloaded", domain.UUID{}, p.audited()+", "+what)
	})
}
