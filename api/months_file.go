package api

import (
	"context"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	monthdb "ductledger/storage/month"
)

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
