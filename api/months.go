package api

import (
	"context"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"io"
	"net/http"
	"runtime/debug"
	"strconv"
	"strings"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/ledger"
	monthdb "ductledger/storage/month"
)

// One revision of a month's package. A released one never changes.
type packageAnswer struct {
	Month domain.Month `json:"month"`
	// Whose jobs and money alone it holds, in a program with several funds.
	FundSource string `json:"fund_source,omitzero"`
	Revision   int    `json:"revision" validate:"gte=1"`
	// What stands for the revision in addresses: `2`, or `utility_fund-r2`.
	Name string `json:"name"`
	// building, failed, draft, verified, released or superseded. While it is building, and when that failed, there is no
	// file yet and a funder sees nothing of it.
	State monthdb.PackageState `json:"state"`
	// The last position that it holds.
	Position int64 `json:"position"`
	// When that position was recorded.
	AsOfAt string `json:"as_of_at"`
	// The month had ended when the package was asked for.
	Finished bool         `json:"finished"`
	Build    *buildAnswer `json:"build,omitzero"`
	FileName string       `json:"file_name,omitzero"`
	// SHA-256 of the file, as 64 hex digits.
	SHA256     string `json:"sha256,omitzero"`
	BytesCount int64  `json:"bytes_count,omitzero"`
	// That of the released revision which it corrects.
	PreviousSHA256 string `json:"previous_sha256,omitzero"`
	BuiltAt        string `json:"built_at,omitzero"`
	// The person who asked for it.
	BuiltBy         string      `json:"built_by,omitzero"`
	BuiltByPersonID domain.UUID `json:"built_by_person_id,omitzero"`
	ReleasedAt      string      `json:"released_at,omitzero"`
	// The person who released it.
	ReleasedBy         string      `json:"released_by,omitzero"`
	ReleasedByPersonID domain.UUID `json:"released_by_person_id,omitzero"`
}

// How far the building of a package is.
type buildAnswer struct {
	// waiting, history, then the table that is written, such as jobs, then storing and verifying.
	Stage string `json:"stage"`
	// Rows of this stage that are done; when storing and verifying, bytes.
	RowsDone int64 `json:"rows_done_count"`
	// Of how many, where that is known.
	RowsTotal int64 `json:"rows_total_count,omitzero"`
	// How often it was begun.
	Tries   int    `json:"tries_count"`
	AskedAt string `json:"asked_at"`
	// The person who asked for it.
	AskedBy         string      `json:"asked_by,omitzero"`
	AskedByPersonID domain.UUID `json:"asked_by_person_id,omitzero"`
	// When it was begun last.
	StartedAt string `json:"started_at,omitzero"`
	// When the one who builds it was heard last.
	UpdatedAt string `json:"updated_at"`
	// Why it failed.
	Failure *failureAnswer `json:"failure,omitzero"`
}

type failureAnswer struct {
	// That of a problem.
	Code   domain.Code    `json:"code"`
	Detail string         `json:"detail"`
	Errors []domain.Fault `json:"errors,omitzero"`
}

// The packages of a month by revision.
type packageList struct {
	Items []packageAnswer `json:"items"`
	Next  string          `json:"next,omitzero"`
}

// Whose package it is, and where to cut the history.
type buildPackageBody struct {
	// The fund whose jobs and money it holds; needed where the program has several.
	FundSource string `json:"fund_source,omitzero" validate:"omitempty,snake,min=2,max=60"`
	// The last position that the package holds.
	Position int64 `json:"position,omitzero" validate:"omitempty,gte=0"`
}

func buildOf(b *monthdb.Build) *buildAnswer {
	a := &buildAnswer{Stage: b.Stage, RowsDone: b.Done, RowsTotal: b.Total, Tries: b.Tries,
		AskedAt: ledger.Stamp(b.AskedAt), AskedBy: b.AskedBy, AskedByPersonID: b.AskedByPerson, UpdatedAt: ledger.Stamp(b.UpdatedAt)}
	if b.StartedAt != nil {
		a.StartedAt = ledger.Stamp(*b.StartedAt)
	}
	if f := b.Failure; f != nil {
		a.Failure = &failureAnswer{f.Code, f.Detail, f.Faults}
	}
	return a
}

func packageOf(p *monthdb.Package) packageAnswer {
	a := packageAnswer{
		Month: p.Month, FundSource: p.Fund, Revision: p.Revision, Name: packageName(p.Fund, p.Revision), State: p.State, Position: p.Position, AsOfAt: ledger.Stamp(p.AsOf), Finished: p.Finished,
		FileName: p.FileName, SHA256: p.SHA256, BytesCount: p.Bytes, PreviousSHA256: p.SupersedesSHA256,
		BuiltBy: p.BuiltBy, BuiltByPersonID: p.BuiltByPerson, ReleasedBy: p.ReleasedBy, ReleasedByPersonID: p.ReleasedByPerson,
	}
	if p.Build != nil {
		a.Build = buildOf(p.Build)
	}
	if !p.BuiltAt.IsZero() {
		a.BuiltAt = ledger.Stamp(p.BuiltAt)
	}
	if p.ReleasedAt != nil {
		a.ReleasedAt = ledger.Stamp(*p.ReleasedAt)
	}
	return a
}

// packageName stands for a revision in addresses.
func packageName(fund string, revision int) string {
	if fund == "" {
		return strconv.Itoa(revision)
	}
	return fund + "-r" + strconv.Itoa(revision)
}

// packageNamed reads it back; what is no name of a package is a package that is
// not there.
func packageNamed(name string) (fund string, revision int, err error) {
	number := name
	if at := strings.LastIndex(name, "-r"); at >= 0 {
		fund, number = name[:at], name[at+2:]
	}
	if revision, err = strconv.Atoi(number); err != nil || packageName(fund, revision) != name {
		return "", 0, domain.Errorf(domain.NotFound, "there is no such package")
	}
	return fund, revision, nil
}

// The months that have packages, the newest first.
type monthList struct {
	Items []monthAnswer `json:"items"`
}

// A month of one fund.
type monthAnswer struct {
	Month domain.Month `json:"month"`
	// Of a program with several funds.
	FundSource string `json:"fund_source,omitzero"`
	// The newest revision.
	Newest string `json:"newest"`
	// The one that is in force.
	Released string `json:"released,omitzero"`
}

// listMonths answers which months and funds have packages.
func (s *Server) listMonths(ctx context.Context, caller domain.Caller, _ *frame.Request) (frame.Answer, error) {
	list, err := monthdb.Months(ctx, s.db, caller)
	if err != nil {
		return frame.Answer{}, err
	}
	out := monthList{Items: []monthAnswer{}}
	for _, m := range list {
		a := monthAnswer{Month: m.Month, FundSource: m.Fund, Newest: packageName(m.Fund, m.Newest)}
		if m.Released > 0 {
			a.Released = packageName(m.Fund, m.Released)
		}
		out.Items = append(out.Items, a)
	}
	return frame.Answer{Body: out}, nil
}

// listPackages answers one page of a month's revisions, oldest first.
func (s *Server) listPackages(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	month := domain.Month(r.Path["month"])
	page := frame.PageOf(caller, "packages"+string(month))
	after := int64(0)
	if text := r.Query.Get("after"); text != "" {
		if err := page.ReadNumbers(text, &after); err != nil {
			return frame.Answer{}, err
		}
	}
	limit := r.Limit()
	list, err := monthdb.Packages(ctx, s.db, caller, month, int(after), limit+1)
	if err != nil {
		return frame.Answer{}, err
	}
	out := packageList{Items: []packageAnswer{}}
	for i := range list {
		if i == limit {
			out.Next = page.WriteNumbers(after + int64(limit))
			break
		}
		out.Items = append(out.Items, packageOf(&list[i]))
	}
	return frame.Answer{Body: out}, nil
}

// buildPackage asks for the package of a month: 202 while it is being built,
// 200 when it stands.
func (s *Server) buildPackage(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	var ask buildPackageBody
	if err := r.Decode(&ask); err != nil {
		return frame.Answer{}, err
	}
	p, err := monthdb.Ask(ctx, s.db, caller, domain.Month(r.Path["month"]), ask.FundSource, ask.Position, r.ValidateOnly())
	if err != nil {
		return frame.Answer{}, err
	}
	if p.Build == nil {
		return frame.Answer{Header: http.Header{"Idempotent-Replay": {"true"}}, Body: packageOf(&p)}, nil
	}
	location := fmt.Sprintf("/v1/months/%s/packages/%s", p.Month, packageName(p.Fund, p.Revision))
	return frame.Answer{Status: http.StatusAccepted, Header: http.Header{"Location": {location}}, Body: packageOf(&p)}, nil
}

// BuildID names the program that builds a package: the version it was
// released as, else the commit it was built from.
func BuildID() string {
	const unknown = "ductledger (development)"
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return unknown
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		return "ductledger " + v
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			return "ductledger " + s.Value
		}
	}
	return unknown
}

// getPackage answers one revision.
func (s *Server) getPackage(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	p, err := s.packageAt(ctx, caller, r)
	return frame.Answer{Body: packageOf(&p)}, err
}

func (s *Server) packageAt(ctx context.Context, caller domain.Caller, r *frame.Request) (monthdb.Package, error) {
	fund, revision, err := packageNamed(r.Path["revision"])
	if err != nil {
		return monthdb.Package{}, err
	}
	return monthdb.ReadPackage(ctx, s.db, caller, domain.Month(r.Path["month"]), fund, revision)
}

// releasePackage hands a package to the funder.
func (s *Server) releasePackage(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	fund, revision, err := packageNamed(r.Path["revision"])
	if err != nil {
		return frame.Answer{}, err
	}
	p, released, err := monthdb.Release(ctx, s.db, caller, domain.Month(r.Path["month"]), fund, revision, r.Query.Get("validate_only") == "true")
	if err != nil {
		return frame.Answer{}, err
	}
	a := frame.Answer{Body: packageOf(&p)}
	if !released {
		a.Header = http.Header{"Idempotent-Replay": {"true"}}
	}
	return a, nil
}

// monthsOperations are what the contract says of the operations of this file.
func monthsOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"listMonths": {
			Tag: "Months", Summary: "Months and funds that have packages",
			Description: "The newest month first. A funder sees those of which something was released; one that is bound to a fund, that fund's.",
			Gives:       []frame.Gives{{Status: 200, What: "The months.", Body: monthList{}}},
		},
		"listPackages": {
			Tag: "Months", Summary: "Packages of a month by revision",
			Description: "A funder sees the released ones.",
			Query:       frame.PageQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The packages.", Body: packageList{}},
			},
		},
		"buildPackage": {
			Tag: "Months", Summary: "Ask for the package of a month",
			Description: "Cut at the last position recorded before the month ended, unless a later one is named; an unfinished month takes " +
				"the head and says so. Asking again at one position gives the same revision and the same bytes.\n\n" +
				"It is built in the background: 202 names the revision, whose `state` is `building` until its stored file was " +
				"read back and holds, and whose `build` says how far it is. A build that is cut off is taken up again, at the " +
				"same position. Of many who ask at once one build comes; a month has one at a time, so asking for another " +
				"position meanwhile is 409. A build that cannot succeed ends in `failed`, with the reason; asking again begins " +
				"anew. What stands already is 200.",
			Query: validateQuery{},
			Takes: buildPackageBody{}, Optional: true,
			Gives: []frame.Gives{
				{Status: 200, What: "The package; with Idempotent-Replay nothing was changed now.", Body: packageAnswer{}, Headers: []string{"Idempotent-Replay"}},
				{Status: 202, What: "The revision that is being built.", Body: packageAnswer{}, Headers: []string{"Location"}},
			},
			Also: []int{409, 507},
		},
		"getPackage": {
			Tag: "Months", Summary: "One package",
			Description: "Its state, its position and digests, and how far its build is.",
			Gives: []frame.Gives{
				{Status: 200, What: "The package.", Body: packageAnswer{}},
			},
		},
		"releasePackage": {
			Tag: "Months", Summary: "Release a package to the funder",
			Description: "Who built it may not release it. An unfinished month cannot be released. A released file is never changed.",
			Query:       validateQuery{},
			Takes:       nothing{}, Optional: true,
			Gives: []frame.Gives{
				{Status: 200, What: "The package; with Idempotent-Replay nothing was changed now.", Body: packageAnswer{}, Headers: []string{"Idempotent-Replay"}},
			},
			Also: []int{409},
		},
	}
}

// sendTime is how long a file may take to send.
const sendTime = 10 * time.Minute

// getPackageFile answers the file of a package, or one range of it, and notes
// who takes it. What the client has already is neither sent nor noted.
func (s *Server) getPackageFile(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	p, err := s.packageAt(ctx, caller, r)
	if err != nil {
		return frame.Answer{}, err
	}
	if p.Build != nil {
		return frame.Answer{}, domain.Errorf(domain.NotFound, "the package has no file yet")
	}
	tag := `"` + p.SHA256 + `"`
	digest, err := hex.DecodeString(p.SHA256)
	if err != nil {
		return frame.Answer{}, fmt.Errorf("digest of package %s: %w", p.FileName, err)
	}
	a := frame.Answer{Header: http.Header{
		"Content-Type":        {"application/zip"},
		"Content-Disposition": {`attachment; filename="` + p.FileName + `"`},
		"Etag":                {tag},
		"Repr-Digest":         {"sha-256=:" + base64.StdEncoding.EncodeToString(digest) + ":"}, // RFC 9530: of the whole, also beside a range
		"Accept-Ranges":       {"bytes"},
		"Cache-Control":       {"private, no-cache"},
	}}
	if known(r.Header, tag) {
		return a, nil // becomes 304
	}
	from, to, part, err := rangeOf(r.Header, tag, p.Bytes)
	if err != nil {
		return frame.Answer{}, err
	}
	if part {
		a.Status = http.StatusPartialContent
		a.Header.Set("Content-Range", fmt.Sprintf("bytes %d-%d/%d", from, to-1, p.Bytes))
	}
	a.Header.Set("Content-Length", strconv.FormatInt(to-from, 10))
	if err := monthdb.NoteDownload(ctx, s.db, caller, &p, fmt.Sprintf("bytes %d to %d", from, to)); err != nil {
		return frame.Answer{}, err
	}
	// The handler's own limit ends with the handler; what follows is sending.
	a.Stream = func(w io.Writer) error {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), sendTime)
		defer cancel()
		_, err := io.Copy(w, io.NewSectionReader(monthdb.OpenFile(ctx, s.db, caller, &p), from, to-from))
		return err
	}
	return a, nil
}

// known tells whether the client names this version in If-None-Match.
func known(h http.Header, tag string) bool {
	for _, field := range h.Values("If-None-Match") {
		for name := range strings.SplitSeq(field, ",") {
			if name = strings.TrimSpace(name); name == "*" || strings.TrimPrefix(name, "W/") == tag {
				return true
			}
		}
	}
	return false
}

// rangeOf reads Range (RFC 9110 §14): one range of bytes; part is false for
// the whole. Several ranges, another unit and a range of another version
// (If-Range) are answered with the whole, as a server may.
func rangeOf(h http.Header, tag string, size int64) (from, to int64, part bool, err error) {
	spec, isBytes := strings.CutPrefix(h.Get("Range"), "bytes=")
	if condition := h.Get("If-Range"); !isBytes || strings.Contains(spec, ",") || condition != "" && condition != tag {
		return 0, size, false, nil
	}
	first, last, dash := strings.Cut(strings.TrimSpace(spec), "-")
	a, errA := strconv.ParseInt(first, 10, 64)
	b, errB := strconv.ParseInt(last, 10, 64)
	switch {
	case !dash || first != "" && errA != nil || last != "" && errB != nil || first == "" && last == "" || first != "" && last != "" && b < a:
		return 0, size, false, nil // not a range: as if it were absent
	case first == "": // the last b bytes
		from, to = max(size-b, 0), size
	case last == "":
		from, to = a, size
	default:
		from, to = a, min(b, size-1)+1
	}
	if from >= to || from >= size {
		return 0, 0, false, domain.Errorf(domain.RangeUnsatisfiable, "the file has %d bytes", size)
	}
	return from, to, true, nil
}

// monthsFileOperations are what the contract says of the operations of this file.
func monthsFileOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"getPackageFile": {
			Tag: "Months", Summary: "The file of a package",
			Description: "A zip in BagIt form, which `ductledger verify` checks with nothing but the file. Ranges may be asked for. Every " +
				"download is noted.",
			Headers: []string{"If-None-Match", "Range"},
			Gives: []frame.Gives{
				{Status: 200, What: "The whole file.", Media: "application/zip", Headers: []string{"ETag", "Repr-Digest", "Content-Disposition"}},
				{Status: 206, What: "A part of the file.", Media: "application/zip", Headers: []string{"ETag", "Repr-Digest", "Content-Disposition"}},
				{Status: 304, What: "The caller has the newest already."},
			},
			Also: []int{416},
		},
	}
}
