package month

import (
	"context"
	"encoding/hex"
	"fmt"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/month"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
)

// PackageState is where a package is on its way to the funder.
type PackageState string

// The states of a package. A draft becomes verified when the file that was
// stored has been read back and holds; one of an unfinished month stays a
// draft. Before that it is a build, which no funder sees.
const (
	PackageBuilding   PackageState = "building"
	PackageFailed     PackageState = "failed"
	PackageDraft      PackageState = "draft"
	PackageVerified   PackageState = "verified"
	PackageReleased   PackageState = "released"
	PackageSuperseded PackageState = "superseded"
)

// Package is one revision of a month's package. What it says of its file
// never changes.
type Package struct {
	Month            domain.Month
	Fund             string // whose it is; empty: of all that the program pays
	OnlyFund         string // of a program that had one fund alone
	Revision         int
	State            PackageState
	Position         int64
	AsOf             time.Time
	Finished         bool
	PreviousPosition int64
	PreviousSHA256   string // of the released package of the month before
	SupersedesSHA256 string // of the revision before
	FileName         string
	SHA256           string
	Bytes            int64
	Cumulative       month.Sums
	BuiltAt          time.Time
	BuiltBy          string // empty for a machine
	BuiltByPerson    domain.UUID
	ReleasedAt       *time.Time
	ReleasedBy       string
	ReleasedByPerson domain.UUID
	Build            *Build // while it is building, and when that failed
}

type packageRow struct {
	Month              string
	FundSource         string
	OnlyFund           *string
	Revision           int32
	State              string
	Position           int64
	AsOfAt             time.Time
	Finished           bool
	PreviousPosition   int64
	PreviousSHA256     []byte `db:"previous_sha256"`
	SupersedesSHA256   []byte `db:"supersedes_sha256"`
	FileName           string
	SHA256             []byte `db:"sha256"`
	BytesCount         int64
	Cumulative         string
	BuiltAt            time.Time
	BuiltByPersonID    *[16]byte
	BuiltBy            *string
	ReleasedAt         *time.Time
	ReleasedByPersonID *[16]byte
	ReleasedBy         *string
}

const packageColumns = `
    p.month, p.fund_source, p.only_fund, p.revision, p.state, p.position, p.as_of_at, p.finished, p.previous_position, p.previous_sha256, p.supersedes_sha256,
    p.file_name, p.sha256, p.bytes_count, p.cumulative, p.built_at, p.built_by_person_id, p.built_by, p.released_at,
    p.released_by_person_id, p.released_by`

func (r *packageRow) pack() (Package, error) {
	p := Package{
		Month: domain.Month(r.Month), Fund: r.FundSource, OnlyFund: storage.OrZero(r.OnlyFund), Revision: int(r.Revision), State: PackageState(r.State), Position: r.Position, AsOf: r.AsOfAt,
		Finished: r.Finished, PreviousPosition: r.PreviousPosition, PreviousSHA256: hex.EncodeToString(r.PreviousSHA256),
		SupersedesSHA256: hex.EncodeToString(r.SupersedesSHA256), FileName: r.FileName, SHA256: hex.EncodeToString(r.SHA256),
		Bytes: r.BytesCount, BuiltAt: r.BuiltAt, BuiltBy: storage.OrZero(r.BuiltBy), ReleasedAt: r.ReleasedAt, ReleasedBy: storage.OrZero(r.ReleasedBy),
		BuiltByPerson: storage.IDOf(r.BuiltByPersonID), ReleasedByPerson: storage.IDOf(r.ReleasedByPersonID),
	}
	if err := json.Unmarshal([]byte(r.Cumulative), &p.Cumulative); err != nil {
		return p, fmt.Errorf("figures of package %s r%d: %w", r.Month, r.Revision, err)
	}
	return p, nil
}

func packagesOf(rows []packageRow) (list []Package, err error) {
	list = make([]Package, len(rows))
	for i := range rows {
		if list[i], err = rows[i].pack(); err != nil {
			return nil, err
		}
	}
	return list, nil
}

// A funder sees what was released, also after a later revision replaced it.
const packageListSQL = `
SELECT` + packageColumns + `
FROM month_package AS p
WHERE p.program_id = @program_id AND p.month = @month AND (@all::boolean OR p.released_at IS NOT NULL)
    AND (@bound = '' OR p.fund_source = @bound OR p.fund_source = '' AND p.only_fund = @bound)
ORDER BY p.built_at, p.fund_source, p.revision
LIMIT @limit OFFSET @after`

// Packages reads a month's revisions of all funds that the caller may see, in the
// order in which they were built, without the first so many.
func Packages(ctx context.Context, db *storage.DB, caller domain.Caller, m domain.Month, after, limit int) (list []Package, err error) {
	err = db.In(ctx, caller.Program, storage.Reading, func(t *storage.Tx) error {
		var rows []packageRow
		var builds []buildRow
		if caller.Role != domain.Funder {
			storage.All(t, &builds, buildRowsSQL, storage.Args{"program_id": t.Program, "month": string(m)})
		}
		storage.All(t, &rows, packageListSQL, storage.Args{"program_id": t.Program, "month": string(m), "after": after, "limit": limit,
			"all": caller.Role != domain.Funder, "bound": caller.Fund})
		if err := t.Flush(); err != nil {
			return err
		}
		if list, err = packagesOf(rows); err != nil {
			return err
		}
		// A build is of the newest revision, also where its draft is stored.
		for i := range builds {
			b, err := builds[i].build()
			if err != nil {
				return err
			}
			at := slices.IndexFunc(list, func(p Package) bool { return p.Fund == b.Fund && p.Revision == b.Revision })
			switch {
			case at >= 0:
				list[at] = b.Package()
			case len(list) < limit:
				list = append(list, b.Package())
			}
		}
		return nil
	})
	return list, err
}

const packageRowSQL = `
SELECT` + packageColumns + `
FROM month_package AS p
WHERE p.program_id = @program_id AND p.month = @month AND p.fund_source = @fund AND p.revision = @revision AND (@all::boolean OR p.released_at IS NOT NULL)
    AND (@bound = '' OR p.fund_source = @bound OR p.fund_source = '' AND p.only_fund = @bound)`

// Package reads one revision.
func ReadPackage(ctx context.Context, db *storage.DB, caller domain.Caller, m domain.Month, fund string, revision int) (p Package, err error) {
	err = db.In(ctx, caller.Program, storage.Reading, func(t *storage.Tx) error {
		p, err = readPackage(t, caller, m, fund, revision)
		return err
	})
	return p, err
}

func readPackage(t *storage.Tx, caller domain.Caller, m domain.Month, fund string, revision int) (Package, error) {
	var row *packageRow
	var build *buildRow
	buildOf(t, caller, m, fund, &build)
	storage.One(t, &row, packageRowSQL, storage.Args{"program_id": t.Program, "month": string(m), "fund": fund, "revision": revision,
		"all": caller.Role != domain.Funder, "bound": caller.Fund})
	if err := t.Flush(); err != nil {
		return Package{}, err
	}
	if build != nil && int(build.Revision) == revision {
		b, err := build.build()
		if err != nil {
			return Package{}, err
		}
		return b.Package(), nil
	}
	if row == nil {
		return Package{}, domain.Errorf(domain.NotFound, "there is no such package")
	}
	return row.pack()
}

const packageNewestSQL = `
SELECT` + packageColumns + `
FROM month_package AS p
WHERE p.program_id = @program_id
ORDER BY p.built_at DESC, p.month DESC, p.revision DESC
LIMIT 1`

// NewestPackage is the one that was built last; nil when there is none.
func NewestPackage(ctx context.Context, db *storage.DB, caller domain.Caller) (newest *Package, err error) {
	err = db.In(ctx, caller.Program, storage.Reading, func(t *storage.Tx) error {
		var row *packageRow
		storage.One(t, &row, packageNewestSQL, storage.Args{"program_id": t.Program})
		if err := t.Flush(); err != nil || row == nil {
			return err
		}
		p, err := row.pack()
		newest = &p
		return err
	})
	return newest, err
}

// A MonthOf is a month of one fund that has packages.
type MonthOf struct {
	Month    domain.Month
	Fund     string
	Newest   int // revision
	Released int // the revision that is in force; 0: none
}

type monthOfRow struct {
	Month      string
	FundSource string
	Newest     int32
	Released   *int32
}

const packageMonthsSQL = `
SELECT p.month, p.fund_source, max(p.revision) AS newest, max(p.revision) FILTER (WHERE p.state = 'released') AS released
FROM month_package AS p
WHERE p.program_id = @program_id AND (@all::boolean OR p.released_at IS NOT NULL)
    AND (@bound = '' OR p.fund_source = @bound OR p.fund_source = '' AND p.only_fund = @bound)
GROUP BY p.month, p.fund_source
ORDER BY p.month DESC, p.fund_source`

// Months lists the months and funds that have packages, the newest month first.
func Months(ctx context.Context, db *storage.DB, caller domain.Caller) (list []MonthOf, err error) {
	var rows []monthOfRow
	err = db.In(ctx, caller.Program, storage.Reading, func(t *storage.Tx) error {
		storage.All(t, &rows, packageMonthsSQL, storage.Args{"program_id": t.Program, "all": caller.Role != domain.Funder, "bound": caller.Fund})
		return t.Flush()
	})
	for _, r := range rows {
		list = append(list, MonthOf{domain.Month(r.Month), r.FundSource, int(r.Newest), int(storage.OrZero(r.Released))})
	}
	return list, err
}

// named is how the audit names a month's package.
func named(m domain.Month, fund string, revision int) string {
	if fund != "" {
		fund = " " + fund
	}
	return fmt.Sprintf("%s%s revision %d", m, fund, revision)
}
