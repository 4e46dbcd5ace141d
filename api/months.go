package api

import (
	"context"
	"fmt"
	"net/http"
	"runtime/debug"
	"strconv"

	"ductledger/api/sheet"
	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/storage"
)

// packageAnswer is one revision of a month's package.
type packageAnswer struct {
	Month          domain.Month         `json:"month"`
	Revision       int                  `json:"revision"`
	State          storage.PackageState `json:"state"`
	Position       int64                `json:"position"`
	AsOfAt         string               `json:"as_of_at"`
	Finished       bool                 `json:"finished"`
	FileName       string               `json:"file_name"`
	SHA256         string               `json:"sha256"`
	BytesCount     int64                `json:"bytes_count"`
	PreviousSHA256 string               `json:"previous_sha256,omitzero"` // of the revision that it replaces
	BuiltAt        string               `json:"built_at,omitzero"`
	BuiltBy        string               `json:"built_by,omitzero"`
	ReleasedAt     string               `json:"released_at,omitzero"`
	ReleasedBy     string               `json:"released_by,omitzero"`
}

func packageOf(p *storage.Package) packageAnswer {
	a := packageAnswer{
		Month: p.Month, Revision: p.Revision, State: p.State, Position: p.Position, AsOfAt: ledger.Stamp(p.AsOf), Finished: p.Finished,
		FileName: p.FileName, SHA256: p.SHA256, BytesCount: p.Bytes, PreviousSHA256: p.SupersedesSHA256,
		BuiltBy: p.BuiltBy, ReleasedBy: p.ReleasedBy,
	}
	if !p.BuiltAt.IsZero() {
		a.BuiltAt = ledger.Stamp(p.BuiltAt)
	}
	if p.ReleasedAt != nil {
		a.ReleasedAt = ledger.Stamp(*p.ReleasedAt)
	}
	return a
}

// listPackages answers one page of a month's revisions, oldest first.
func (s *Server) listPackages(ctx context.Context, caller domain.Caller, r *request) (answer, error) {
	month := domain.Month(r.Path["month"])
	page := pageOf(caller, "packages"+string(month))
	after := int64(0)
	if text := r.Query.Get("after"); text != "" {
		var err error
		if after, err = page.readNumber(text); err != nil {
			return answer{}, err
		}
	}
	limit := r.limit()
	list, err := s.db.Packages(ctx, caller, month, int(after), limit+1)
	if err != nil {
		return answer{}, err
	}
	out := struct {
		Items []packageAnswer `json:"items"`
		Next  string          `json:"next,omitzero"`
	}{Items: []packageAnswer{}}
	for i := range list {
		if i == limit {
			out.Next = page.writeNumber(int64(list[i-1].Revision))
			break
		}
		out.Items = append(out.Items, packageOf(&list[i]))
	}
	return answer{Body: out}, nil
}

// buildPackage answers the package of a month, built now or before.
func (s *Server) buildPackage(ctx context.Context, caller domain.Caller, r *request) (answer, error) {
	var ask struct {
		Position int64 `json:"position"`
	}
	if len(r.Body) > 0 {
		if err := s.contract.decode("buildPackage", r.Body, &ask); err != nil {
			return answer{}, err
		}
	}
	month, o := domain.Month(r.Path["month"]), storage.MonthOptions{BuildID: BuildID(), Key: s.key, Summary: sheet.Write}
	if r.Query.Get("validate_only") == "true" {
		p, made, err := s.db.TryPackage(ctx, caller, month, ask.Position, o)
		return builtAnswer(&p, made), err
	}
	p, made, err := s.db.BuildPackage(ctx, caller, month, ask.Position, o)
	return builtAnswer(&p, made), err
}

func builtAnswer(p *storage.Package, made bool) answer {
	if !made {
		return answer{Header: http.Header{"Idempotent-Replay": {"true"}}, Body: packageOf(p)}
	}
	location := fmt.Sprintf("/v1/months/%s/packages/%d", p.Month, p.Revision)
	return answer{Status: http.StatusCreated, Header: http.Header{"Location": {location}}, Body: packageOf(p)}
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
func (s *Server) getPackage(ctx context.Context, caller domain.Caller, r *request) (answer, error) {
	p, err := s.packageAt(ctx, caller, r)
	return answer{Body: packageOf(&p)}, err
}

func (s *Server) packageAt(ctx context.Context, caller domain.Caller, r *request) (storage.Package, error) {
	revision, err := strconv.Atoi(r.Path["revision"])
	if err != nil {
		return storage.Package{}, domain.Errorf(domain.NotFound, "there is no such package")
	}
	return s.db.Package(ctx, caller, domain.Month(r.Path["month"]), revision)
}

// releasePackage hands a package to the funder.
func (s *Server) releasePackage(ctx context.Context, caller domain.Caller, r *request) (answer, error) {
	revision, err := strconv.Atoi(r.Path["revision"])
	if err != nil {
		return answer{}, domain.Errorf(domain.NotFound, "there is no such package")
	}
	p, released, err := s.db.ReleasePackage(ctx, caller, domain.Month(r.Path["month"]), revision, r.Query.Get("validate_only") == "true")
	if err != nil {
		return answer{}, err
	}
	a := answer{Body: packageOf(&p)}
	if !released {
		a.Header = http.Header{"Idempotent-Replay": {"true"}}
	}
	return a, nil
}
