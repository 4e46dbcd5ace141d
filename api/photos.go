package api

import (
	"cmp"
	"context"
	"errors"
	"io"
	"net/http"
	"strconv"

	"ductledger/api/frame"
	"ductledger/api/wire"
	"ductledger/domain"
	"ductledger/storage/pictures"
)

// mostPicture is the largest picture that a record can announce, bytes.
const mostPicture = 32 << 20

// partialUpload is the content type of a part (draft-ietf-httpbis-resumable-upload).
const partialUpload = "application/partial-upload"

// hasPictures refuses what needs a place for pictures where there is none.
func (s *Server) hasPictures() error {
	if s.pictures == nil {
		return domain.Errorf(domain.Overloaded, "the service was started without a place for pictures; records are taken as ever")
	}
	return nil
}

func uploadHeader(u pictures.Upload) http.Header {
	complete := "?0"
	if u.Complete() {
		complete = "?1"
	}
	return http.Header{"Upload-Offset": {strconv.FormatInt(u.ReceivedCount, 10)}, "Upload-Complete": {complete}, "Cache-Control": {"no-store"}}
}

// uploadState answers how much of a picture has come.
func (s *Server) uploadState(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err = cmp.Or(err, s.hasPictures()); err != nil {
		return frame.Answer{}, err
	}
	u, err := s.pictures.Upload(ctx, caller, id)
	if err != nil {
		return frame.Answer{}, err
	}
	return frame.Answer{Status: http.StatusNoContent, Header: uploadHeader(u)}, nil
}

// putPicture takes a whole picture.
func (s *Server) putPicture(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	return s.takePicture(ctx, caller, r, pictures.Part{Anew: true, Last: true})
}

// patchPicture takes a part of one.
func (s *Server) patchPicture(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	offset, err := strconv.ParseInt(r.Header.Get("Upload-Offset"), 10, 64)
	if err != nil || offset < 0 {
		return frame.Answer{}, domain.Errorf(domain.BadQuery, "the header field Upload-Offset is needed: the byte of the picture at which the part begins, 0 for the first")
	}
	last := r.Header.Get("Upload-Complete")
	if last != "" && last != "?0" && last != "?1" {
		return frame.Answer{}, domain.Errorf(domain.BadQuery, "the header field Upload-Complete is ?1 on the last part, else ?0 or absent")
	}
	return s.takePicture(ctx, caller, r, pictures.Part{Offset: offset, Last: last == "?1"})
}

func (s *Server) takePicture(ctx context.Context, caller domain.Caller, r *frame.Request, part pictures.Part) (frame.Answer, error) {
	id, err := r.ID()
	if err = cmp.Or(err, s.hasPictures()); err != nil {
		return frame.Answer{}, err
	}
	u, err := s.pictures.Append(ctx, caller, id, part, r.Stream, r.Work)
	if err != nil {
		return frame.Answer{}, withOffset(err, u)
	}
	return frame.Answer{Status: http.StatusOK, Header: uploadHeader(u),
		Body: wire.Upload{PhotoID: u.PhotoID, BytesState: u.State, BytesCount: u.BytesCount, ReceivedCount: u.ReceivedCount}}, nil
}

// withOffset tells beside an error where the upload goes on, once that is known.
func withOffset(err error, u pictures.Upload) error {
	var told *domain.Error
	if u.BytesCount == 0 || !errors.As(err, &told) {
		return err
	}
	more := *told
	more.Also = map[string]any{frame.UploadOffset: u.ReceivedCount}
	if error(told) == err {
		return &more
	}
	return errors.Join(&more, err)
}

// getPicture answers a picture as it may be shown, or as it was taken.
func (s *Server) getPicture(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	if r.Query.Get("original") == "true" {
		return s.givePicture(ctx, caller, r, pictures.Original)
	}
	return s.givePicture(ctx, caller, r, pictures.Shown)
}

// getThumbnail answers a small picture.
func (s *Server) getThumbnail(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	return s.givePicture(ctx, caller, r, pictures.Thumbnail)
}

func (s *Server) givePicture(ctx context.Context, caller domain.Caller, r *frame.Request, shape pictures.Shape) (frame.Answer, error) {
	id, err := r.ID()
	if err = cmp.Or(err, s.hasPictures()); err != nil {
		return frame.Answer{}, err
	}
	f, err := s.pictures.Find(ctx, caller, id, shape)
	if err != nil {
		return frame.Answer{}, err
	}
	// A browser shows an image and nothing else of it; what was taken is a file.
	name, disposition := "photo-"+id.String()+extensionOf(f.MediaType), "inline"
	if !f.Image {
		disposition = "attachment"
	}
	a := frame.Answer{Header: http.Header{
		"Content-Type":            {f.MediaType},
		"Content-Disposition":     {disposition + `; filename="` + name + `"`},
		"Content-Security-Policy": {"default-src 'none'; frame-ancestors 'none'; sandbox"},
		"Cache-Control":           {"private, no-cache"},
		"Etag":                    {f.ETag},
	}}
	if known(r.Header, f.ETag) {
		return a, nil // becomes 304
	}
	a.Header.Set("Content-Length", strconv.FormatInt(f.Size, 10))
	// The handler's own limit holds for the opening. What follows is sending, which
	// begins when the handler has ended: a bucket's file is read by its context.
	sending, cancel := context.WithTimeout(context.WithoutCancel(ctx), sendTime)
	opened := context.AfterFunc(ctx, cancel)
	file, err := f.Open(sending)
	if !opened() { // too late
		if err == nil {
			_ = file.Close()
		}
		err = ctx.Err()
	}
	if err != nil {
		cancel()
		return frame.Answer{}, err
	}
	a.Close = func() { _ = file.Close(); cancel() }
	a.Stream = func(w io.Writer) error {
		_, err := io.Copy(w, file)
		if err != nil {
			s.log.WarnContext(ctx, "a picture was not sent whole", "photo_id", id.String(), "error", err.Error())
		}
		return err
	}
	return a, nil
}

func extensionOf(mediaType string) string {
	switch mediaType {
	case "image/jpeg":
		return ".jpg"
	case "image/png":
		return ".png"
	}
	return ".heic"
}

// erasePicture erases a picture; its record and digest stay.
func (s *Server) erasePicture(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err = cmp.Or(err, s.hasPictures()); err != nil {
		return frame.Answer{}, err
	}
	var why wire.ErasePicture
	if err := r.Decode(&why); err != nil {
		return frame.Answer{}, err
	}
	u, err := s.pictures.Erase(ctx, caller, id, string(why.Why))
	if err != nil {
		return frame.Answer{}, err
	}
	return frame.Answer{Body: wire.Upload{PhotoID: u.PhotoID, BytesState: u.State, BytesCount: u.BytesCount, ReceivedCount: u.ReceivedCount}}, nil
}

// owedMost bounds the pictures that a start names.
const owedMost = 500

// owed are the pictures that the caller's device still has to send.
func (s *Server) owed(ctx context.Context, caller domain.Caller, out *wire.Start) error {
	if s.pictures == nil || caller.Device.IsZero() {
		return nil
	}
	list, count, err := s.pictures.Owed(ctx, caller, owedMost)
	for _, u := range list {
		out.PicturesOwed = append(out.PicturesOwed, wire.Upload{PhotoID: u.PhotoID, JobID: u.JobID, BytesState: u.State, BytesCount: u.BytesCount, ReceivedCount: u.ReceivedCount})
	}
	out.PicturesOwedCount = count
	return err
}

type pictureQuery struct {
	// The bytes as they were taken, where the program keeps them; for staff and admin.
	Original bool `json:"original,omitzero" default:"false"`
}

// photosOperations are what the contract says of the operations of this file.
func photosOperations() map[string]frame.Operation {
	const images = "image/jpeg image/png image/heic"
	upload := []string{"Upload-Offset", "Upload-Complete"}
	taken := []frame.Gives{{Status: 200, What: "What has come is durable; `bytes_state` is `stored` once all of it has.", Body: wire.Upload{}, Headers: upload}}
	given := []string{"ETag", "Content-Disposition"}
	return map[string]frame.Operation{
		"headPicture": {
			Tag: "Pictures", Summary: "How much of a picture has come",
			Description: "Asked after a link broke, before the next part is sent.",
			Gives:       []frame.Gives{{Status: 204, What: "The next part begins at Upload-Offset.", Headers: upload}},
		},
		"putPicture": {
			Tag: "Pictures", Summary: "Send a whole picture",
			Description: "The bytes of a photo whose record is there, at most 32 MiB. The SHA-256 of the record decides: other bytes are " +
				"422 `digest_mismatch` and are dropped. Of a body that breaks off, what came is kept: go on with `PATCH`. A picture may " +
				"come long after its record, also when the job has left the device or is accepted. Sending it again is harmless.",
			Gives: taken, Also: []int{409, 507},
		},
		"patchPicture": {
			Tag: "Pictures", Summary: "Send a part of a picture",
			Description: "At most 1 MiB, from the byte that Upload-Offset names: how much has come is told by `HEAD`, by each answer and by " +
				"409 `offset_mismatch`. A part is durable before its answer. Unfinished uploads are kept for 30 days after their last part.",
			Headers: upload, Gives: taken, Also: []int{409, 507},
		},
		"getPicture": {
			Tag: "Pictures", Summary: "A picture",
			Description: "As decoded, turned upright and encoded anew: its pixels and nothing else. HEIC is kept as a file, for staff and admin.",
			Query:       pictureQuery{}, Headers: []string{"If-None-Match"},
			Gives: []frame.Gives{
				{Status: 200, What: "The picture.", Media: images, Headers: given},
				{Status: 304, What: "The caller has it already."},
			},
		},
		"getThumbnail": {
			Tag: "Pictures", Summary: "A small picture",
			Description: "At most 320 pixels a side.",
			Headers:     []string{"If-None-Match"},
			Gives: []frame.Gives{
				{Status: 200, What: "The picture.", Media: "image/jpeg", Headers: given},
				{Status: 304, What: "The caller has it already."},
			},
		},
		"erasePicture": {
			Tag: "Pictures", Summary: "Erase a picture",
			Description: "Nothing of the picture is given out any more, and the store removes it; the audit holds its digest, and when it was " +
				"gone. The record of the photo and its digest stay.",
			Takes: wire.ErasePicture{},
			Gives: []frame.Gives{{Status: 200, What: "The picture is erased.", Body: wire.Upload{}}},
			Also:  []int{507},
		},
	}
}
